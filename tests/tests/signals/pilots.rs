//! Pilot tones of 8 mm.

use crate::support::{check, holds, measured, only, play, stage, unable};
use sim_instrument::scenario::Scenario;
use tapewright_formats::relations::pitch_um;
use tapewright_formats::{Finding, Outcome, UnableCode, format_named};

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

/// The centred stage in a format, its tape so many pitches along, with the head switch on the input that only triggers or without it.
fn along(format: &str, pitches: f64, head_switch: bool) -> Scenario {
    let text = if head_switch {
        PILOTS.replace(
            "[operator]",
            "[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n\n[operator]",
        )
    } else {
        PILOTS.to_owned()
    };
    let mut scenario = stage(&text, 1);
    let wide_um = 1.22 * pitch_um(format_named(format).expect("in the table"));
    scenario.machine.format = format.into();
    scenario.machine.head_a.width_um = Some(wide_um);
    scenario.machine.head_b.width_um = Some(wide_um);
    scenario.stages[0].run = vec![format!("fault tracking {pitches}")];
    scenario
}

/// Exactly one pitch off the beats stand as with centred heads, and there is no picture; two pitches are a frame of tape, and right
/// again. With the head switch it is known which head plays; without it the carrier does not pass what it cannot tell.
#[test]
fn heads_on_tracks_of_the_other_azimuth_never_pass() {
    for format in ["8mm-525-sp", "8mm-625-sp", "8mm-625-lp"] {
        for (pitches, head_switch, verdict, finding) in [
            (0.0, true, Outcome::Pass, Some(Finding::PilotsCentred)),
            (0.0, false, Outcome::Pass, Some(Finding::PilotsCentred)),
            (2.0, true, Outcome::Pass, Some(Finding::PilotsCentred)),
            (1.0, true, Outcome::Fail, Some(Finding::PilotsOffTrack)),
            (-1.0, true, Outcome::Fail, Some(Finding::PilotsOffTrack)),
            (1.0, false, Outcome::Unable, None),
            (-1.0, false, Outcome::Unable, None),
        ] {
            let report = play(&along(format, pitches, head_switch), "pilot-tracking", &[]).report;
            let not_there: Vec<Finding> = ALL.into_iter().filter(|other| Some(*other) != finding).collect();
            check(&report, verdict, finding.as_slice(), &not_there);
            let own: Vec<_> = only(&report).measurements.iter().filter(|m| m.name.ends_with("own-tracks")).collect();
            assert_eq!(own.len(), if head_switch { 2 } else { 0 });
            assert!(
                own.iter().all(|m| m.value == if verdict == Outcome::Pass { 1.0 } else { 0.0 }),
                "{format}, {pitches}"
            );
            if !head_switch && verdict == Outcome::Unable {
                unable(&report, UnableCode::NotHookedUp);
            }
        }
    }
}

/// Both heads off for now: a tape that slips and a servo that hunts are no servo centred wrong.
#[test]
fn heads_that_wander_over_the_tracks_blame_no_centre() {
    for command in ["fault capstan-free 0.003", "fault hunting 0.5"] {
        let mut scenario = along("8mm-625-sp", 0.0, true);
        scenario.seed = 7;
        scenario.stages[0].run = vec![command.into()];
        let report = play(&scenario, "pilot-tracking", &[]).report;
        assert_ne!(report.verdict, Some(Outcome::Pass), "{command}");
        assert!(!report.findings.contains(&Finding::PilotsOffTrack), "{command}: {:?}", report.findings);
    }
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
