//! Drum and capstan: no lock, hunting and jitter, told from each other.

use super::{Want, check, holds, run};
use tapewright_formats::{Finding, Outcome, UnableCode};

const DRUM: &str = include_str!("../../../sim-instrument/scenarios/drum-hunts.toml");
const CAPSTAN: &str = include_str!("../../../sim-instrument/scenarios/capstan-slips.toml");

const OF_DRUM: &[Finding] = &[Finding::DrumLocked, Finding::DrumNotLocked, Finding::DrumHunting, Finding::DrumJitter];
const OF_CAPSTAN: &[Finding] =
    &[Finding::CapstanLocked, Finding::TapeSlip, Finding::TrackingHunting, Finding::CapstanJitter];

fn but(of: &[Finding], finding: Finding) -> Vec<Finding> {
    of.iter().copied().filter(|f| *f != finding).collect()
}

#[track_caller]
fn says(text: &str, stage: usize, more: &[&str], procedure: &str, verdict: Outcome, finding: Finding) {
    let of = if procedure == "drum-lock" { OF_DRUM } else { OF_CAPSTAN };
    let said = run(text, stage, more, procedure);
    check(&said, &Want { verdict, there: &[finding], not_there: &but(of, finding), unable: &[] });
}

#[test]
fn a_drum_that_hunts_runs_free_or_jitters_is_told_from_one_that_is_locked() {
    says(DRUM, 0, &[], "drum-lock", Outcome::Fail, Finding::DrumHunting);
    says(DRUM, 1, &[], "drum-lock", Outcome::Pass, Finding::DrumLocked);
    says(DRUM, 2, &[], "drum-lock", Outcome::Fail, Finding::DrumNotLocked);
    // So little that the rate alone would pass: the phase walks all the same.
    says(DRUM, 1, &["fault drum-unlocked 0.00005"], "drum-lock", Outcome::Fail, Finding::DrumNotLocked);
    says(DRUM, 1, &["fault head-switch-jitter 4e-5"], "drum-lock", Outcome::Fail, Finding::DrumJitter);
}

#[test]
fn without_a_reference_there_is_a_rate_and_no_phase() {
    // The reference on the other input, where nothing triggers on it, is as good as on a channel.
    let other_way = DRUM
        .replace("[scope.probes.CH1]\npoint = \"reference\"", "[scope.probes.CH1]\npoint = \"head-switch\"")
        .replace("[scope.probes.EXT]\npoint = \"head-switch\"", "[scope.probes.EXT]\npoint = \"reference\"");
    says(&other_way, 1, &[], "drum-lock", Outcome::Pass, Finding::DrumLocked);
    says(&other_way, 0, &[], "drum-lock", Outcome::Fail, Finding::DrumHunting);
    // No reference at all: the rate is held against the time base of the scope, and nothing is said of a lock.
    let alone = other_way.replace("[scope.probes.EXT]\npoint = \"reference\"\nfactor = 10.0\nexpected_v = 5.0\n", "");
    let said = run(&alone, 1, &[], "drum-lock");
    check(&said, &Want { verdict: Outcome::Pass, there: &[], not_there: OF_DRUM, unable: &[] });
    says(&alone, 2, &[], "drum-lock", Outcome::Fail, Finding::DrumNotLocked);
    // Only an input that triggers: nothing can be measured.
    let deaf = DRUM.replace("[scope.probes.CH1]\npoint = \"reference\"", "[scope.probes.CH1]\npoint = \"video\"");
    let said = run(&deaf, 1, &[], "drum-lock");
    check(
        &said,
        &Want { verdict: Outcome::Unable, there: &[], not_there: OF_DRUM, unable: &[UnableCode::NotPossible] },
    );
}

#[test]
fn a_missing_reference_is_no_number() {
    // Without its reference the drum runs free.
    let said = run(DRUM, 1, &["fault reference-missing"], "drum-lock");
    let unable = &[UnableCode::SignalAbsent, UnableCode::NotPossible];
    check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there: OF_DRUM, unable });
}

#[test]
fn a_tape_that_slips_is_told_from_tracking_that_hunts_and_from_jitter() {
    says(CAPSTAN, 0, &[], "capstan-lock", Outcome::Fail, Finding::TapeSlip);
    says(CAPSTAN, 1, &[], "capstan-lock", Outcome::Pass, Finding::CapstanLocked);
    says(CAPSTAN, 2, &[], "capstan-lock", Outcome::Fail, Finding::TrackingHunting);
    // A third of a pitch in ten seconds is a slip too small for any rate, and walks.
    says(CAPSTAN, 1, &["fault capstan-free 0.0004"], "capstan-lock", Outcome::Fail, Finding::TapeSlip);
    let jittery = CAPSTAN.replace("[tapes.harbour-1988]", "[machine.control]\njitter_s = 9.9e-4\n[tapes.harbour-1988]");
    let said = run(&jittery, 1, &[], "capstan-lock");
    assert!(
        !said.report.findings.contains(&Finding::TapeSlip) && !said.report.findings.contains(&Finding::TrackingHunting)
    );
    assert_ne!(said.report.verdict, Some(Outcome::Pass), "{:?}", said.report);
}

/// The pulses that come keep their place: no lock can be stated of them, and none is denied.
#[test]
fn a_lock_is_not_stated_where_pulses_are_missing() {
    for share in ["0.4", "0.2"] {
        let said = run(CAPSTAN, 1, &[&format!("fault control-missing {share}")], "capstan-lock");
        check(
            &said,
            &Want { verdict: Outcome::Unable, there: &[], not_there: OF_CAPSTAN, unable: &[UnableCode::SignalAbsent] },
        );
        let capstan = &said.report.procedures[0];
        assert!(capstan.notes.iter().any(|note| note.contains("met no pulse")), "{:?}", said.report);
        assert!(capstan.unable[0].why.contains("control-track"), "{:?}", capstan.unable);
    }
    let said = run(CAPSTAN, 1, &[], "capstan-lock");
    assert!(!said.report.procedures[0].notes.iter().any(|note| note.contains("met no pulse")), "{:?}", said.report);
}

/// Of such a train the most common gap is no period.
#[test]
fn most_pulses_missing_is_no_other_tape_speed() {
    let said = run(CAPSTAN, 1, &["fault control-missing 0.6"], "signal-presence");
    let text = tapewright::report::text::run(&said.report);
    assert!(!said.report.findings.contains(&Finding::WrongTapeSpeed), "{text}");
    let of = &said.report.procedures[0];
    let said = of.notes.iter().chain(of.unable.iter().map(|unable| &unable.why));
    assert!(said.into_iter().any(|why| why.contains("come at odd places")), "{text}");
}

#[test]
fn missing_pulses_are_no_jitter_and_no_index_marks() {
    let said = run(CAPSTAN, 1, &["fault control-missing 0.4"], "control-track");
    let text = tapewright::report::text::run(&said.report);
    let of = &said.report.procedures[0];
    let named =
        |name: &str| of.measurements.iter().find(|m| m.name == name).unwrap_or_else(|| panic!("{name}\n{text}"));
    assert!(named("control-track.jitter").high < 1.0, "{text}");
    assert!((named("control-track.rate").value / (30_000.0 / 1001.0) - 1.0).abs() < 0.01, "{text}");
    assert!((named("control-track.missing").value - 40.0).abs() < 12.0, "{text}");
    assert!(!of.notes.iter().any(|note| note.contains("index mark")), "{text}");
    assert!(said.report.findings.contains(&Finding::ControlTrackMissing), "{text}");
    assert!(!said.report.findings.contains(&Finding::ControlTrackWrongDuty), "{text}");
}

/// Pulses of another speed keep their place to the head switch as well as those of the right one.
#[test]
fn a_tape_at_a_whole_multiple_of_its_speed_is_not_locked() {
    let locked =
        CAPSTAN.replacen("[machine.capstan]\n", "[machine.capstan]\nfree_running_error = 0.0\nwander = 0.0\n", 1);
    for times in [2.0, 3.0] {
        let said = run(&locked, 1, &[&format!("fault wrong-tape-speed {times}")], "capstan-lock");
        let text = tapewright::report::text::run(&said.report);
        let want =
            Want { verdict: Outcome::Fail, there: &[Finding::WrongTapeSpeed], not_there: OF_CAPSTAN, unable: &[] };
        check(&said, &want);
        let all = &said.report.procedures[0].measurements;
        let error = all.iter().find(|m| m.name == "capstan.speed-error").unwrap_or_else(|| panic!("{text}"));
        assert!((error.low..=error.high).contains(&(100.0 * (times - 1.0))), "{text}");
    }
}

#[test]
fn a_format_without_control_track_points_to_pilot_tones() {
    let text = CAPSTAN.replace("vhs-525-sp", "8mm-625-sp");
    let said = run(&text, 1, &[], "capstan-lock");
    check(
        &said,
        &Want { verdict: Outcome::Unable, there: &[], not_there: OF_CAPSTAN, unable: &[UnableCode::NotInFormat] },
    );
    assert!(said.report.procedures[0].advice.iter().any(|a| a.contains("pilot")), "{:?}", said.report);
}

#[test]
fn intervals_of_the_drum_hold_the_truth_over_random_machines() {
    holds("drum-lock", 24, 0.25, &["drum.rate-error", "drum.phase", "drum.jitter", "drum.swing", "drum.lock-time"]);
}

#[test]
fn intervals_of_the_capstan_hold_the_truth_over_random_machines() {
    let names = ["capstan.speed-error", "capstan.phase", "capstan.jitter", "capstan.swing", "capstan.lock-time"];
    holds("capstan-lock", 24, 0.25, &names);
}
