//! The supply rail.

use crate::support::{check, holds, measured, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};

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

/// Between the bands that are fitted and above them.
#[test]
fn ripple_outside_the_bands_does_not_pass() {
    for hz in [3e3, 800e3] {
        let mut scenario = stage(SUPPLY, 1);
        (scenario.machine.supply.switching_v, scenario.machine.supply.switching_hz) = (1.0, hz);
        let report = play(&scenario, "supply-ripple", &[]).report;
        assert_ne!(report.verdict, Some(Outcome::Pass), "{hz}");
        let ripple = measured(&report, "ripple");
        assert_ne!(ripple.outcome, Some(Outcome::Pass), "{hz}: {ripple:?}");
        assert!(ripple.high > 8.0, "{hz}: {ripple:?}");
    }
}

#[test]
fn unrelated_ripples_are_added_up() {
    for (parts, percent) in [([(0.09, 120.0), (0.05, 1050.0)], 1.128), ([(0.095, 41e3), (0.045, 71.3e3)], 1.125)] {
        let mut scenario = stage(SUPPLY, 1);
        let supply = &mut scenario.machine.supply;
        (supply.ripple_v, supply.ripple_hz) = parts[0];
        (supply.switching_v, supply.switching_hz) = parts[1];
        let report = play(&scenario, "supply-ripple", &[]).report;
        let ripple = measured(&report, "ripple");
        assert_ne!(ripple.outcome, Some(Outcome::Pass), "{parts:?}: {ripple:?}");
        assert!((ripple.value / percent - 1.0).abs() < 0.1, "{parts:?}: {ripple:?}");
    }
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
    holds("supply-ripple", 40, 0.5, &["mean", "ripple", "ripple.peak-to-peak", "ripple.rms", "ripple.frequency"]);
}
