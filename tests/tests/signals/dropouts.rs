//! Dropouts of the RF.

use crate::support::{check, holds, measured, only, play, stage, unable};
use tapewright_formats::{Finding, Outcome, UnableCode};

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
fn a_dead_head_is_neither_a_good_tape_nor_a_worn_one() {
    for command in ["fault head-a-dead", "fault head-b-dead", "fault head-b-gain 0.03"] {
        let mut scenario = stage(DROPOUTS, 1);
        scenario.stages[0].run = vec![command.into()];
        let settings = [("observe-s", 4.0), ("rate-good", 60.0), ("rate-reject", 120.0)];
        let report = play(&scenario, "dropouts", &settings).report;
        check(&report, Outcome::Unable, &[], &[Finding::DropoutsMany]);
    }
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
    holds("dropouts", 20, 0.3, &["dropouts.rate", "dropouts.length", "dropouts.depth", "observed-time"]);
}
