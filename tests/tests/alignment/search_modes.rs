//! Search: a wrong speed, one head missing, and the geometry of each format.

use super::{Want, check, holds, run, run_set};
use tapewright_formats::{Finding, Outcome, UnableCode};

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/search-slow.toml");
const PROCEDURE: &str = "search-modes";
/// The speed that the machine shall have, as a shop's own sequence says it.
const SPEED: &[(&str, f64)] = &[("search-speed", 7.0)];
const NOTHING_OFF: &[Finding] = &[Finding::SearchWrongSpeed, Finding::SearchHeadMissing];

#[test]
fn a_wrong_search_speed_fails_and_the_right_one_has_the_bars_that_geometry_says() {
    let slow = run_set(SCENARIO, 0, &[], PROCEDURE, SPEED);
    let there = &[Finding::SearchWrongSpeed];
    check(&slow, &Want { verdict: Outcome::Fail, there, not_there: &[Finding::SearchHeadMissing], unable: &[] });
    let right = run_set(SCENARIO, 1, &[], PROCEDURE, SPEED);
    let there = &[Finding::SearchAsPredicted];
    check(&right, &Want { verdict: Outcome::Pass, there, not_there: NOTHING_OFF, unable: &[] });
    // Three bars forwards, four backwards, at seven times play speed.
    for (name, bars) in [("cue.head-a.bars", 3.0), ("review.head-a.bars", 4.0)] {
        let found = right.report.procedures[0].measurements.iter().find(|m| m.name == name).expect("it is measured");
        assert!((found.value - bars).abs() < 0.15, "{name}: {}", found.value);
    }
}

#[test]
fn a_speed_that_nobody_named_does_not_pass() {
    // In both stages the bars fit the pulses: that alone does not say that the speed is the machine's.
    for stage in [0, 1] {
        let unable = &[UnableCode::NotPossible, UnableCode::NotPossible];
        check(
            &run(SCENARIO, stage, &[], PROCEDURE),
            &Want { verdict: Outcome::Unable, there: &[], not_there: NOTHING_OFF, unable },
        );
    }
}

#[test]
fn a_dead_head_is_not_taken_for_a_speed() {
    let said = run_set(SCENARIO, 2, &[], PROCEDURE, SPEED);
    let there = &[Finding::SearchHeadMissing];
    check(&said, &Want { verdict: Outcome::Fail, there, not_there: &[Finding::SearchWrongSpeed], unable: &[] });
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let names = [
        "cue.head-a.bars",
        "cue.head-b.bars",
        "review.head-a.bars",
        "cue.speed",
        "review.speed",
        "cue.bars-off",
        "review.bars-off",
        "cue.balance",
        "review.balance",
    ];
    holds(PROCEDURE, 20, 0.7, &names);
}
