//! The supply rail.

use crate::support::{Coverage, check, measured, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

const SUPPLY: &str = include_str!("../../../sim-instrument/scenarios/supply.toml");

#[test]
fn ripple_is_found_and_its_frequency_says_where_it_comes_from() {
    let all = [Finding::RippleTwiceMains, Finding::RippleMains, Finding::RippleSwitching];
    for (number, finding, hz) in [
        (0, Finding::RippleTwiceMains, 120.0),
        (2, Finding::RippleMains, 60.0),
        (3, Finding::RippleSwitching, 71_300.0),
    ] {
        let report = play(&stage(SUPPLY, number), "supply-ripple", &[("rail-v", 12.0)]).report;
        let others: Vec<Finding> = all.into_iter().filter(|other| *other != finding).collect();
        check(&report, Outcome::Fail, &[finding], &others);
        let frequency = measured(&report, "ripple.frequency");
        assert!((frequency.value / hz - 1.0).abs() < 0.01, "{frequency:?}");
        assert_eq!(measured(&report, "mean").outcome, Some(Outcome::Pass));
    }
}

#[test]
fn a_good_rail_passes_and_a_low_one_does_not() {
    let report = play(&stage(SUPPLY, 1), "supply-ripple", &[("rail-v", 12.0)]).report;
    check(&report, Outcome::Pass, &[], &[Finding::RippleTwiceMains, Finding::SupplyWrong]);
    let mut scenario = stage(SUPPLY, 1);
    scenario.stages[0].run = vec!["fault supply 9".into()];
    let report = play(&scenario, "supply-ripple", &[("rail-v", 12.0)]).report;
    check(&report, Outcome::Fail, &[Finding::SupplyWrong], &[Finding::RippleTwiceMains]);
}

#[test]
fn no_rail_and_the_mains_side_are_no_pass() {
    let mut scenario = stage(SUPPLY, 1);
    scenario.stages[0].run = vec!["fault supply 0".into()];
    unable(&play(&scenario, "supply-ripple", &[]).report, UnableCode::SignalAbsent);
    let mut scenario = stage(SUPPLY, 1);
    scenario.machine.supply.rail_v = 300.0;
    scenario.scope.probes[0].factor = 100.0;
    unable(&play(&scenario, "supply-ripple", &[]).report, UnableCode::NotPossible);
}

#[test]
fn intervals_of_the_rail_hold_the_truth() {
    let mut coverage = Coverage::default();
    let draws = 40;
    for number in 0..draws {
        let mut random = Random::new(77, number);
        let mut scenario = stage(SUPPLY, 1);
        scenario.seed = 300 + number;
        let supply = &mut scenario.machine.supply;
        supply.rail_v = *random.one_of(&[5.0, 9.0, 12.0, -12.0, 15.0]);
        supply.ripple_hz = *random.one_of(&[50.0, 60.0, 99.9, 119.9, 120.1]);
        supply.ripple_v = supply.rail_v.abs() * random.between(0.003, 0.06);
        supply.switching_v = if random.chance(0.6) { supply.rail_v.abs() * random.between(0.003, 0.06) } else { 0.0 };
        supply.switching_hz = random.between(30e3, 130e3);
        supply.noise_v = random.between(0.0005, 0.005);
        coverage.count(&play(&scenario, "supply-ripple", &[]));
    }
    coverage.demand(&["mean", "ripple", "ripple.peak-to-peak", "ripple.rms", "ripple.frequency"], draws);
}
