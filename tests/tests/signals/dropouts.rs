//! Dropouts of the RF.

use crate::support::{Coverage, check, measured, only, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

const DROPOUTS: &str = include_str!("../../../sim-instrument/scenarios/dropouts.toml");

#[test]
fn a_worn_tape_fails_with_its_rate_per_observed_time() {
    let report = play(&stage(DROPOUTS, 0), "dropouts", &[("observe-s", 8.0)]).report;
    check(&report, Outcome::Fail, &[Finding::DropoutsMany], &[]);
    let observed = measured(&report, "observed-time");
    assert!((observed.value - 8.0).abs() < 1.0, "{observed:?}");
    let rate = measured(&report, "dropouts.rate");
    // A count's interval does not lie evenly about it.
    assert!(rate.high - rate.value > rate.value - rate.low, "{rate:?}");
}

#[test]
fn a_good_tape_passes_and_shallow_falls_do_not_count() {
    for number in [1, 2] {
        // None in four seconds bounds the rate at 55 a minute.
        let settings = [("observe-s", 4.0), ("rate-good", 60.0), ("rate-reject", 120.0)];
        let report = play(&stage(DROPOUTS, number), "dropouts", &settings).report;
        check(&report, Outcome::Pass, &[], &[Finding::DropoutsMany]);
    }
}

#[test]
fn a_slipping_tape_is_not_full_of_dropouts() {
    let report = play(&stage(DROPOUTS, 3), "dropouts", &[("observe-s", 6.0)]).report;
    assert!(!report.findings.contains(&Finding::DropoutsMany), "{}", tapewright::report::text::run(&report));
    assert_ne!(report.verdict, Some(Outcome::Fail));
}

#[test]
fn an_interval_longer_than_half_the_shortest_is_refused() {
    let report = play(&stage(DROPOUTS, 0), "dropouts", &[("pair-us", 8.0)]).report;
    unable(&report, UnableCode::NotPossible);
    assert!(only(&report).unable[0].why.contains("7.5"), "{:?}", only(&report).unable);
}

#[test]
fn a_modest_scope_counts_too_and_says_how_little_it_saw() {
    let mut scenario = stage(DROPOUTS, 0);
    scenario.scope.specs = sim_instrument::Specs::modest();
    let report = play(&scenario, "dropouts", &[("observe-s", 0.5)]).report;
    let observed = measured(&report, "observed-time");
    assert!((observed.value - 0.5).abs() < 0.1, "{observed:?}");
    // One or two are expected in that time: too few to fail, and never a pass.
    assert_ne!(report.verdict, Some(Outcome::Pass), "{}", tapewright::report::text::run(&report));
}

#[test]
fn intervals_of_dropouts_hold_the_truth() {
    let mut coverage = Coverage::default();
    let draws = 20;
    for number in 0..draws {
        let mut random = Random::new(88, number);
        let mut scenario = stage(DROPOUTS, 0);
        scenario.seed = 500 + number;
        scenario.machine.format = (*random.one_of(&["vhs-525-sp", "vhs-625-sp", "s-vhs-525-sp", "beta-625"])).into();
        scenario.machine.rf.noise_v = random.between(0.001, 0.004);
        let worn = scenario.machine.tapes.get_mut("worn").expect("the scenario has it");
        worn.dropouts.per_minute = random.between(60.0, 1500.0);
        worn.dropouts.least_us = random.between(30.0, 40.0);
        worn.dropouts.greatest_us = worn.dropouts.least_us + random.between(5.0, 100.0);
        worn.dropouts.least_db = random.between(20.0, 22.0);
        worn.dropouts.greatest_db = random.between(22.0, 26.0);
        for (name, tape) in &mut scenario.machine.tapes {
            if name != "worn" {
                tape.dropouts.per_minute = 0.0;
            }
        }
        coverage.count(&play(&scenario, "dropouts", &[("observe-s", 1.5)]));
    }
    coverage.demand(&["dropouts.rate", "dropouts.length", "dropouts.depth"], draws);
}
