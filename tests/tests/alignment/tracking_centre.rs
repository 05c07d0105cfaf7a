//! The tracking centre: a head out of its place, a tape of such a machine, automatic tracking.

use super::{Want, check, holds, run};
use std::fmt::Write;
use tapewright_formats::{Finding, Outcome, UnableCode};

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/x-position.toml");
const PROCEDURE: &str = "tracking-centre";
const NOTHING_OFF: &[Finding] = &[Finding::TrackingOffCentre, Finding::TrackingUneven];

fn x_mm(said: &tapewright_tests::bench::Outcome) -> f64 {
    let all = said.report.procedures.iter().flat_map(|p| &p.measurements);
    all.into_iter().find(|m| m.name == "tracking.x-error").expect("it is measured").value
}

#[test]
fn a_head_out_of_its_place_fails_with_the_millimetres_to_move() {
    let out = run(SCENARIO, 0, &[], PROCEDURE);
    let there = &[Finding::TrackingOffCentre];
    let not_there = &[Finding::TrackingUneven, Finding::TrackingCentred];
    check(&out, &Want { verdict: Outcome::Fail, there, not_there, unable: &[] });
    assert!((x_mm(&out) - 0.15).abs() < 0.015, "{} mm", x_mm(&out));
    let right = run(SCENARIO, 1, &[], PROCEDURE);
    check(
        &right,
        &Want { verdict: Outcome::Pass, there: &[Finding::TrackingCentred], not_there: NOTHING_OFF, unable: &[] },
    );
}

#[test]
fn a_tape_of_another_machine_blames_none() {
    let said = run(SCENARIO, 2, &[], PROCEDURE);
    let not_there = &[Finding::TrackingOffCentre, Finding::TrackingUneven, Finding::TrackingCentred];
    check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there, unable: &[UnableCode::WrongTape] });
}

#[test]
fn a_dead_head_is_not_passed_over() {
    let not_there = &[Finding::TrackingCentred];
    for (stage, command, verdict, there) in [
        (0, "fault head-a-gain 0", Outcome::Fail, &[Finding::TrackingOffCentre][..]),
        (1, "fault head-a-gain 0", Outcome::Unable, &[]),
        (1, "fault head-b-gain 0.02", Outcome::Unable, &[]),
    ] {
        let said = run(SCENARIO, stage, &[command], PROCEDURE);
        check(&said, &Want { verdict, there, not_there, unable: &[UnableCode::InNoise] });
        assert!((x_mm(&said) - if stage == 0 { 0.15 } else { 0.0 }).abs() < 0.005, "the other head tells it");
    }
}

#[test]
fn a_control_that_does_nothing_and_tracking_that_hunts_give_no_centre() {
    // The operator's hand turns a control that is not connected.
    let mut idle = String::new();
    for line in SCENARIO.lines() {
        let kept = if line.starts_with("tracking-") {
            line.split(" = ").next().unwrap_or_default().to_owned() + " = []"
        } else {
            line.to_owned()
        };
        let _ = writeln!(idle, "{kept}");
    }
    let said = run(&idle, 1, &[], PROCEDURE);
    let not_there = &[Finding::TrackingOffCentre, Finding::TrackingCentred];
    check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there, unable: &[UnableCode::NotPossible] });
    let said = run(SCENARIO, 1, &["fault hunting 0.8"], PROCEDURE);
    assert_eq!(said.report.verdict, Some(Outcome::Unable), "{:?}", said.report);
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let names = [
        "tracking.offset",
        "tracking.offset-time",
        "tracking.x-error",
        "tracking.offset-share",
        "tracking.evenness",
        "tracking.delay",
    ];
    holds(PROCEDURE, 24, 0.8, &names);
}
