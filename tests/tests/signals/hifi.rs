//! Depth-recorded sound.

use crate::support::{Coverage, check, measured, only, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

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
    let mut coverage = Coverage::default();
    let draws = 30;
    for number in 0..draws {
        let mut random = Random::new(99, number);
        let mut scenario = stage(HIFI, 1);
        scenario.seed = 700 + number;
        scenario.machine.format = (*random.one_of(&["vhs-525-sp", "vhs-625-sp", "s-vhs-625-sp"])).into();
        scenario.machine.guides.exit_um = random.between(0.0, 30.0);
        scenario.machine.tracking.offset_pitch = random.between(-0.1, 0.1);
        let hifi = &mut scenario.machine.hifi_heads;
        hifi.level_v = random.between(0.03, 0.06);
        hifi.left_gain = random.between(0.6, 1.0);
        hifi.right_gain = random.between(0.6, 1.0);
        hifi.head_b_gain = random.between(0.7, 1.0);
        hifi.noise_v = random.between(0.0005, 0.003);
        hifi.deviation_hz = if random.chance(0.4) { random.between(5e3, 60e3) } else { 0.0 };
        hifi.tone_hz = random.between(400.0, 3000.0);
        coverage.count(&play(&scenario, "hifi-carriers", &[]));
    }
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
    coverage.demand(&names, draws);
}
