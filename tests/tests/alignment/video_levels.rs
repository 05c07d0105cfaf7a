//! Video levels: sync clipped, all levels off, burst alone, lines that do not keep their time.

use super::{Want, check, holds, run};
use tapewright_formats::{Finding, Outcome, UnableCode};

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/video-sync-low.toml");
const PROCEDURE: &str = "video-levels";
const NOTHING_OFF: &[Finding] = &[
    Finding::VideoSyncLow,
    Finding::VideoLevelWrong,
    Finding::VideoBurstWrong,
    Finding::VideoTimeBase,
    Finding::VideoFieldWrong,
];

fn but(finding: Finding) -> Vec<Finding> {
    NOTHING_OFF.iter().copied().filter(|f| *f != finding).chain([Finding::VideoRight]).collect()
}

/// The bench with the RF of both heads on its second channel.
fn with_rf(text: &str) -> String {
    let rf = "[scope.probes.CH2]\npoint = \"rf\"\nexpected_v = 0.4\n\n[scope.probes.EXT]\n";
    text.replace("[scope.probes.EXT]\n", rf)
}

fn nothing_stated() -> Vec<Finding> {
    NOTHING_OFF.iter().copied().chain([Finding::VideoRight]).collect()
}

#[test]
fn clipped_sync_fails_and_a_right_output_passes() {
    let clipped = run(SCENARIO, 0, &[], PROCEDURE);
    let there = &[Finding::VideoSyncLow];
    check(&clipped, &Want { verdict: Outcome::Fail, there, not_there: &but(there[0]), unable: &[] });
    let right = run(&with_rf(SCENARIO), 1, &[], PROCEDURE);
    check(&right, &Want { verdict: Outcome::Pass, there: &[Finding::VideoRight], not_there: NOTHING_OFF, unable: &[] });
    // Without RF the picture may be the machine's own.
    let alone = run(SCENARIO, 1, &[], PROCEDURE);
    check(&alone, &Want { verdict: Outcome::Pass, there: &[], not_there: &nothing_stated(), unable: &[] });
    let notes = &alone.report.procedures[0].notes;
    assert!(notes.iter().any(|note| note.contains("the machine's own picture")), "{notes:?}");
}

/// One head dead: a machine that mutes shows a right picture of its own, one that does not shows snow in every other field.
#[test]
fn with_a_head_dead_the_video_is_not_right() {
    let dead = &["fault head-b-dead"];
    let muted = run(&with_rf(SCENARIO), 1, dead, PROCEDURE);
    let unable = &[UnableCode::SignalAbsent];
    check(&muted, &Want { verdict: Outcome::Unable, there: &[], not_there: &nothing_stated(), unable });
    let muted = run(SCENARIO, 1, dead, PROCEDURE);
    check(&muted, &Want { verdict: Outcome::Pass, there: &[], not_there: &nothing_stated(), unable: &[] });
    let text = SCENARIO.replace("[machine.video]\n", "[machine.video]\nmute = false\n");
    let snow = run(&text, 1, dead, PROCEDURE);
    let unable = &[UnableCode::NotSteady];
    check(&snow, &Want { verdict: Outcome::Unable, there: &[], not_there: &nothing_stated(), unable });
    let why = &snow.report.procedures[0].unable[0].why;
    assert!(why.contains("of 24 captures") && why.contains("RF of both heads"), "{why}");
}

#[test]
fn each_fault_has_its_own_finding() {
    for (stage, commands, finding) in [
        (2, &[][..], Finding::VideoLevelWrong),
        (1, &["fault video-gain 0.5"][..], Finding::VideoLevelWrong),
        (1, &["fault video-burst 0.4"][..], Finding::VideoBurstWrong),
        (1, &["fault video-time-base 2e-5"][..], Finding::VideoTimeBase),
    ] {
        let said = run(SCENARIO, stage, commands, PROCEDURE);
        check(&said, &Want { verdict: Outcome::Fail, there: &[finding], not_there: &but(finding), unable: &[] });
    }
}

#[test]
fn snow_gives_no_number() {
    let text = SCENARIO.replace("[machine.video]\n", "[machine.video]\nmute = false\n");
    let snow = run(&text, 1, &["fault preamp-dead"], PROCEDURE);
    let measured = snow.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
    assert_eq!((snow.report.verdict, measured), (Some(Outcome::Unable), 0), "{:?}", snow.report);
}

#[test]
fn a_deep_memory_counts_the_lines_of_a_field() {
    for format in ["vhs-525-sp", "vhs-625-sp"] {
        let text = SCENARIO
            .replace("model = \"modest\"", "model = \"large\"")
            .replace("front_end = \"family-a\"", "front_end = \"scpi-99\"")
            .replace("vhs-525-sp", format);
        let said = run(&with_rf(&text), 1, &[], PROCEDURE);
        check(
            &said,
            &Want { verdict: Outcome::Pass, there: &[Finding::VideoRight], not_there: NOTHING_OFF, unable: &[] },
        );
        let lines = said.report.procedures[0].measurements.iter().find(|m| m.name == "video.lines-a-field");
        let right = if format.contains("525") { 262.5 } else { 312.5 };
        assert_eq!(lines.map(|m| m.value), Some(right), "{:?}", said.report);
    }
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let names = ["video.sync", "video.burst", "video.line-period", "video.line-jitter"];
    holds(PROCEDURE, 24, 0.8, &names);
}
