//! Pilot tones of 8 mm.

use crate::support::{check, holds, measured, only, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};

const PILOTS: &str = include_str!("../../../sim-instrument/scenarios/pilots.toml");

const ALL: [Finding; 3] = [Finding::PilotsOffTrack, Finding::PilotsOneHead, Finding::PilotsCentred];

#[test]
fn a_servo_off_its_centre_is_found_with_its_side() {
    for (pitches, sign) in [(0.16, 1.0), (-0.16, -1.0)] {
        let mut scenario = stage(PILOTS, 0);
        scenario.stages[0].run = vec![format!("fault tracking {pitches}")];
        let report = play(&scenario, "pilot-tracking", &[]).report;
        check(&report, Outcome::Fail, &[Finding::PilotsOffTrack], &[Finding::PilotsOneHead, Finding::PilotsCentred]);
        for head in ["head-a", "head-b"] {
            assert!(sign * measured(&report, &format!("{head}.tracking")).value > 0.8);
        }
    }
}

#[test]
fn centred_heads_pass_and_one_head_alone_is_told() {
    let report = play(&stage(PILOTS, 1), "pilot-tracking", &[]).report;
    check(&report, Outcome::Pass, &[Finding::PilotsCentred], &[Finding::PilotsOffTrack, Finding::PilotsOneHead]);
    let mut scenario = stage(PILOTS, 1);
    scenario.machine.head_b.height_um = 6.0;
    let report = play(&scenario, "pilot-tracking", &[]).report;
    check(&report, Outcome::Fail, &[Finding::PilotsOneHead], &[Finding::PilotsOffTrack, Finding::PilotsCentred]);
}

#[test]
fn without_pilots_there_is_no_pass() {
    let mut scenario = stage(PILOTS, 1);
    scenario.machine.rf.pilot_ratio = 0.0;
    let report = play(&scenario, "pilot-tracking", &[]).report;
    unable(&report, UnableCode::InNoise);
    assert!(!ALL.iter().any(|finding| report.findings.contains(finding)));
    let mut scenario = stage(PILOTS, 1);
    scenario.machine.format = "vhs-625-sp".into();
    let report = play(&scenario, "pilot-tracking", &[]).report;
    unable(&report, UnableCode::NotInFormat);
    assert!(only(&report).advice.iter().any(|advice| advice.contains("control-track")));
}

#[test]
fn a_dead_head_is_said_and_the_other_is_told_all_the_same() {
    for (command, dead, heard) in
        [("fault head-a-dead", "head-a", "head-b"), ("fault head-b-gain 0.03", "head-b", "head-a")]
    {
        let mut scenario = stage(PILOTS, 1);
        scenario.stages[0].run = vec![command.into()];
        let report = play(&scenario, "pilot-tracking", &[]).report;
        check(&report, Outcome::Unable, &[], &ALL);
        let unable: Vec<_> = only(&report).unable.iter().map(|u| (u.what.as_str(), u.code)).collect();
        assert_eq!(unable, [(dead, UnableCode::InNoise)]);
        assert!(measured(&report, &format!("{heard}.tracking")).value.abs() < 0.3);
    }
}

#[test]
fn intervals_of_pilots_hold_the_truth() {
    let names = ["beat-small", "beat-large", "beat-difference", "tracking"];
    let all: Vec<String> =
        ["head-a", "head-b"].iter().flat_map(|head| names.map(|name| format!("{head}.{name}"))).collect();
    holds("pilot-tracking", 30, 0.5, &all.iter().map(String::as_str).collect::<Vec<_>>());
}
