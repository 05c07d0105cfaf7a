//! Pilot tones of 8 mm.

use crate::support::{Coverage, check, measured, only, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

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
fn intervals_of_pilots_hold_the_truth() {
    let mut coverage = Coverage::default();
    let draws = 30;
    for number in 0..draws {
        let mut random = Random::new(111, number);
        let mut scenario = stage(PILOTS, 1);
        scenario.seed = 900 + number;
        let (format, pitch_um) = *random.one_of(&[("8mm-525-sp", 20.5), ("8mm-625-sp", 34.4), ("8mm-625-lp", 17.2)]);
        scenario.machine.format = format.into();
        for head in [&mut scenario.machine.head_a, &mut scenario.machine.head_b] {
            head.width_um = Some(pitch_um * random.between(1.2, 1.4));
        }
        scenario.machine.tracking.offset_pitch = random.between(-0.08, 0.08);
        scenario.machine.rf.noise_v = random.between(0.001, 0.004);
        scenario.machine.rf.pilot_ratio = random.between(0.04, 0.1);
        coverage.count(&play(&scenario, "pilot-tracking", &[]));
    }
    let names = ["beat-small", "beat-large", "beat-difference", "tracking"];
    let all: Vec<String> =
        ["head-a", "head-b"].iter().flat_map(|head| names.map(|name| format!("{head}.{name}"))).collect();
    coverage.demand(&all.iter().map(String::as_str).collect::<Vec<_>>(), draws);
}
