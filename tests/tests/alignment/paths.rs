//! Intervals of what compares recordings and paths, and of guides and a scrap tape, over random machines: the scenarios that
//! show each fault are in the daemon's own tests.

use super::holds;

/// What is named of each head.
fn of_both(names: &[&str], ends: &[&str]) -> Vec<String> {
    let of = |head: &str| ends.iter().map(|end| format!("{head}.{end}")).collect::<Vec<_>>();
    names.iter().map(|name| (*name).to_owned()).chain(of("head-a")).chain(of("head-b")).collect()
}

#[track_caller]
fn hold(group: &str, machines: u64, share: f64, all: &[String]) {
    holds(group, machines, share, &all.iter().map(String::as_str).collect::<Vec<_>>());
}

#[test]
fn intervals_of_an_own_recording_hold_the_truth_over_random_machines() {
    hold("record-playback", 16, 0.7, &of_both(&["balance"], &["entrance", "exit", "flatness", "against-reference"]));
}

#[test]
fn intervals_of_a_tape_on_two_paths_hold_the_truth_over_random_machines() {
    hold("interchange", 16, 0.7, &of_both(&[], &["entrance", "exit", "flatness", "entrance.change", "exit.change"]));
}

#[test]
fn intervals_of_a_scrap_tape_hold_the_truth_over_random_machines() {
    hold(
        "tape-safe",
        16,
        0.3,
        &["play-1.control-track.rate-error", "play-1.rf-swing", "stop-1.rf-left"].map(str::to_owned),
    );
}

#[test]
fn intervals_of_guides_hold_the_truth_over_random_machines() {
    let names = ["entrance-guide.height-error", "exit-guide.height-error"];
    hold("guide-adjust", 6, 0.5, &of_both(&names, &["contact", "flatness"]));
}
