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
