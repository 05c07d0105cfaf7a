//! Depth-recorded sound.

use crate::support::{check, holds, measured, only, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};

const HIFI: &str = include_str!("../../../sim-instrument/scenarios/hifi.toml");

const ALL: [Finding; 4] = [Finding::HifiHeadWeak, Finding::HifiUnbalanced, Finding::HifiOffFrequency, Finding::HifiSag];

#[test]
fn a_weak_head_a_weak_carrier_and_a_wrong_recorder_are_told_apart() {
    for (number, finding) in [(0, Finding::HifiHeadWeak), (2, Finding::HifiUnbalanced), (3, Finding::HifiOffFrequency)]
    {
        let report = play(&stage(HIFI, number), "hifi-carriers", &[]).report;
        let others: Vec<Finding> = ALL.into_iter().filter(|other| *other != finding).collect();
        check(&report, Outcome::Fail, &[finding], &others);
    }
}

#[test]
fn good_carriers_pass() {
    let report = play(&stage(HIFI, 1), "hifi-carriers", &[]).report;
    check(&report, Outcome::Pass, &[], &ALL);
    assert!((measured(&report, "left.frequency").value - 1.3e6).abs() < 1e3);
}

#[test]
fn a_dead_head_is_no_pass_without_the_head_switch() {
    let mut scenario = stage(HIFI, 1);
    scenario.scope.probes.retain(|probe| probe.label != "EXT");
    let report = play(&scenario, "hifi-carriers", &[]).report;
    check(&report, Outcome::Pass, &[], &ALL);
    scenario.stages[0].run = vec!["fault hifi-head-b 0".into()];
    let report = play(&scenario, "hifi-carriers", &[]).report;
    check(&report, Outcome::Unable, &[], &ALL);
    let codes: Vec<_> = only(&report).unable.iter().map(|u| u.code).collect();
    assert_eq!(codes, [UnableCode::NotSteady; 2]);
}

#[test]
fn a_tape_without_it_is_no_pass_and_other_formats_point_elsewhere() {
    let mut scenario = stage(HIFI, 1);
    scenario.machine.hifi = false;
    let report = play(&scenario, "hifi-carriers", &[]).report;
    unable(&report, UnableCode::InNoise);
    for format in ["8mm-525-sp", "beta-525-ii", "u-625"] {
        let mut scenario = stage(HIFI, 1);
        scenario.machine.format = format.into();
        let report = play(&scenario, "hifi-carriers", &[]).report;
        unable(&report, UnableCode::NotInFormat);
        assert!(!only(&report).advice.is_empty(), "{format}");
    }
}

#[test]
fn intervals_of_carriers_hold_the_truth() {
    let names = [
        "left.frequency",
        "right.frequency",
        "left.level",
        "right.level",
        "balance",
        "head-a.flatness",
        "head-b.flatness",
        "heads.balance",
    ];
    holds("hifi-carriers", 30, 0.5, &names);
}

/// Moved by as much as lies between them, a carrier stands where the other one should: levels 47.5 and 42.7 mV as where they belong.
#[test]
fn carriers_far_off_their_places_are_told_apart() {
    for (format, left_hz, all) in [
        ("vhs-525-sp", 1.3e6, &[-300e3, -200e3, -150e3, -90e3, 90e3, 150e3, 200e3, 250e3, 300e3][..]),
        ("vhs-625-sp", 1.4e6, &[-300e3, 300e3]),
    ] {
        for off_hz in all {
            let mut scenario = stage(HIFI, 1);
            scenario.machine.format = format.into();
            scenario.stages[0].run = vec![format!("fault hifi-off {off_hz}")];
            let report = play(&scenario, "hifi-carriers", &[]).report;
            let text = tapewright::report::text::run(&report);
            let others = [Finding::HifiHeadWeak, Finding::HifiUnbalanced, Finding::HifiSag];
            check(&report, Outcome::Fail, &[Finding::HifiOffFrequency], &others);
            for (name, hz, mv) in [("left", left_hz + off_hz, 47.5), ("right", left_hz + 4e5 + off_hz, 42.7)] {
                let frequency = measured(&report, &format!("{name}.frequency"));
                assert!((frequency.value - hz).abs() < 1e3, "{format} {off_hz}\n{text}");
                assert_eq!(frequency.outcome, Some(Outcome::Fail), "{format} {off_hz}\n{text}");
                let level = measured(&report, &format!("{name}.level"));
                assert!((level.low..=level.high).contains(&mv), "{format} {off_hz}\n{text}");
            }
            assert!((measured(&report, "balance").value + 0.92).abs() < 0.1, "{format} {off_hz}\n{text}");
        }
    }
}

/// One carrier at 1.6 MHz is the left one, 300 kHz too high, or the right one, 100 kHz too low: it is given to neither.
#[test]
fn a_carrier_alone_far_from_both_places_is_given_to_neither() {
    for (off_hz, left_gain, right_gain, unclear) in
        [(300e3, 1.0, 0.0, true), (-100e3, 0.0, 1.0, true), (-300e3, 0.0, 1.0, true), (30e3, 1.0, 0.0, false)]
    {
        let mut scenario = stage(HIFI, 1);
        (scenario.machine.hifi_heads.left_gain, scenario.machine.hifi_heads.right_gain) = (left_gain, right_gain);
        scenario.stages[0].run = vec![format!("fault hifi-off {off_hz}")];
        let report = play(&scenario, "hifi-carriers", &[]).report;
        let text = tapewright::report::text::run(&report);
        assert_eq!(report.verdict, Some(if unclear { Outcome::Unable } else { Outcome::Fail }), "{off_hz}\n{text}");
        assert!(report.findings.contains(&Finding::HifiOffFrequency), "{off_hz}\n{text}");
        let named = only(&report).measurements.iter().any(|m| m.name.contains("frequency"));
        assert_eq!(named, !unclear, "{off_hz}\n{text}");
        assert_eq!(text.contains("the channel that each belongs to does not show"), unclear, "{off_hz}\n{text}");
    }
}
