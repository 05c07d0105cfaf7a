//! Video levels: sync clipped, all levels off, burst alone, lines that do not keep their time.

use super::{Want, check, holds, run, run_as, run_set};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::bench::Play;

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/video-sync-low.toml");
const PROCEDURE: &str = "video-levels";
const NOTHING_OFF: &[Finding] = &[
    Finding::VideoSyncLow,
    Finding::VideoLevelWrong,
    Finding::VideoBurstWrong,
    Finding::VideoBlackWrong,
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
}

/// Levels, times and fields are right, and stated; off the tape or the machine's own, nobody can tell.
#[test]
fn without_rf_a_right_picture_is_no_pass() {
    let unable = &[UnableCode::NotHookedUp];
    let want = Want { verdict: Outcome::Unable, there: &[], not_there: &nothing_stated(), unable };
    for (text, commands) in [
        (SCENARIO.to_owned(), &[][..]),
        (SCENARIO.to_owned(), &["fault preamp-dead"][..]),
        (SCENARIO.to_owned(), &["fault head-b-dead"][..]),
        (SCENARIO.replace("line_jitter_s = 1e-8", "line_jitter_s = 5e-8"), &["fault head-b-dead"][..]),
    ] {
        let said = run(&text, 1, commands, PROCEDURE);
        check(&said, &want);
        let report = &said.report.procedures[0];
        assert!(report.unable[0].why.contains("the machine's own picture"), "{report:?}");
        let sync = report.measurements.iter().find(|m| m.name == "video.sync").expect("it is stated");
        assert_eq!(sync.outcome, Some(Outcome::Pass), "{report:?}");
    }
}

/// Noise as strong as RF is no RF: it is there in stop as well.
#[test]
fn noise_on_the_rf_point_is_no_rf() {
    let text = with_rf(SCENARIO) + "\n[machine.rf]\nnoise_v = 0.08\n";
    for heads in [&["fault head-a-dead", "fault head-b-dead"][..], &["fault preamp-dead"][..]] {
        let said = run(&text, 1, heads, PROCEDURE);
        let codes: Vec<UnableCode> = said.report.procedures[0].unable.iter().map(|u| u.code).collect();
        assert_eq!(said.report.verdict, Some(Outcome::Unable), "{heads:?}: {:?}", said.report);
        assert!(matches!(codes[..], [UnableCode::InNoise | UnableCode::SignalAbsent]), "{heads:?}: {codes:?}");
        assert!(!said.report.findings.contains(&Finding::VideoRight), "{heads:?}");
    }
}

/// One head dead: a machine that mutes shows a right picture of its own, one that does not shows snow in every other field.
#[test]
fn with_a_head_dead_the_video_is_not_right() {
    let dead = &["fault head-b-dead"];
    let muted = run(&with_rf(SCENARIO), 1, dead, PROCEDURE);
    let unable = &[UnableCode::SignalAbsent];
    check(&muted, &Want { verdict: Outcome::Unable, there: &[], not_there: &nothing_stated(), unable });
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

/// No burst is right only of a recording that is said to be without colour, and wrong only of one that is said to have it.
#[test]
fn no_burst_is_right_where_somebody_said_so() {
    let grey = with_rf(SCENARIO).replace("picture = \"bars\"", "picture = \"bars\"\ncolour = false");
    let dead = &["fault video-burst 0"][..];
    let (right, wrong) = (&[Finding::VideoRight][..], &[Finding::VideoBurstWrong][..]);
    let not_said = &[UnableCode::NotPossible][..];
    for (text, commands, colour, verdict, there, unable) in [
        (&with_rf(SCENARIO), dead, "unknown", Outcome::Unable, &[][..], not_said),
        (&with_rf(SCENARIO), dead, "yes", Outcome::Fail, wrong, &[]),
        (&with_rf(SCENARIO), &[][..], "yes", Outcome::Pass, right, &[]),
        (&grey, &[], "unknown", Outcome::Unable, &[], not_said),
        (&grey, &[], "no", Outcome::Pass, right, &[]),
    ] {
        let play = Play { texts: vec![("colour", colour)], ..Play::of(PROCEDURE) };
        let said = run_as(text, 1, commands, play);
        let not_there: Vec<Finding> = nothing_stated().into_iter().filter(|f| !there.contains(f)).collect();
        check(&said, &Want { verdict, there, not_there: &not_there, unable });
    }
}

/// Bars of 75 per cent: the picture is known. All levels off by one factor are not black's fault.
#[test]
fn black_has_its_set_up() {
    for format in ["vhs-525-sp", "vhs-625-sp"] {
        let text = with_rf(SCENARIO).replace("vhs-525-sp", format);
        for (commands, finding) in [
            (&[][..], None),
            (&["fault video-set-up 0.08"][..], Some(Finding::VideoBlackWrong)),
            (&["fault video-set-up -0.06"][..], Some(Finding::VideoBlackWrong)),
            (&["fault video-gain 2"][..], Some(Finding::VideoLevelWrong)),
        ] {
            let said = run_set(&text, 1, commands, PROCEDURE, &[("white-in-picture", 75.0)]);
            let (verdict, there, not_there) = match finding {
                Some(finding) => (Outcome::Fail, vec![finding], but(finding)),
                None => (Outcome::Pass, vec![Finding::VideoRight], NOTHING_OFF.to_vec()),
            };
            check(&said, &Want { verdict, there: &there, not_there: &not_there, unable: &[] });
        }
    }
    // A recording of 525 lines without set-up is wrong only where nobody said so.
    let without = "fault video-set-up -0.05357";
    let said = run_set(&with_rf(SCENARIO), 1, &[without], PROCEDURE, &[("white-in-picture", 75.0), ("set-up", 0.0)]);
    let not_there = &[Finding::VideoBlackWrong];
    assert!(!said.report.findings.contains(&not_there[0]), "{:?}", said.report);
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
