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

/// The same machines with tracking keys that relays press, and an operator who can do nothing.
fn with_keys(more: &str) -> String {
    let kept: Vec<&str> = SCENARIO.lines().filter(|line| !line.starts_with("tracking-")).collect();
    let keys = format!("[machine.tracking]\nkeys = true\n{more}\n[machine.transport]");
    kept.join("\n").replace("answer = \"done\"", "answer = \"cannot\"").replace("[machine.transport]", &keys)
}

/// Quantities of a run whose heads stand at one height, and of any.
const OF_ALIKE: &[&str] = &["offset", "offset-time", "x-error", "offset-share", "delay", "heads-apart"];
const OF_ANY: &[&str] = &["delay", "heads-apart"];

/// Intervals of a run hold the exact truth.
#[track_caller]
fn holds_the_truth(said: &tapewright_tests::bench::Outcome, names: &[&str]) {
    let all: Vec<_> = said.report.procedures.iter().flat_map(|p| &p.measurements).collect();
    for name in names.iter().map(|word| format!("tracking.{word}")) {
        let measured = all.iter().find(|m| m.name == name).unwrap_or_else(|| panic!("{name} is not measured"));
        let truth = said.truths[&format!("{PROCEDURE}/{name}")];
        assert!((measured.low..=measured.high).contains(&truth), "{name}: {truth} is not within {measured:?}");
    }
}

#[test]
fn relays_on_the_tracking_keys_step_it_with_nobody_there() {
    for (stage, more, verdict, there, not_there) in [
        (0, "", Outcome::Fail, Finding::TrackingOffCentre, Finding::TrackingCentred),
        (1, "", Outcome::Pass, Finding::TrackingCentred, Finding::TrackingOffCentre),
        // Fine, the other way round, and found away from its centre; coarse, with a long way.
        (
            0,
            "step_pitch = -0.02\noffset_pitch = 0.2",
            Outcome::Fail,
            Finding::TrackingOffCentre,
            Finding::TrackingCentred,
        ),
        (
            1,
            "step_pitch = -0.02\noffset_pitch = 0.2",
            Outcome::Pass,
            Finding::TrackingCentred,
            Finding::TrackingOffCentre,
        ),
        (
            1,
            "step_pitch = 0.15\nrange_pitch = 1.2",
            Outcome::Pass,
            Finding::TrackingCentred,
            Finding::TrackingOffCentre,
        ),
    ] {
        let said = run(&with_keys(more), stage, &[], PROCEDURE);
        check(&said, &Want { verdict, there: &[there], not_there: &[not_there, Finding::TrackingUneven], unable: &[] });
        holds_the_truth(&said, OF_ALIKE);
    }
}

#[test]
fn a_head_out_of_height_is_told_and_the_audio_head_is_left_alone() {
    let centred = &[Finding::TrackingCentred][..];
    let apart = &[Finding::TrackingHeadsApart][..];
    for (heads, stage, verdict, there, not_there, unable) in [
        (
            "head-b-height 20.0",
            1,
            Outcome::Fail,
            apart,
            &[Finding::TrackingCentred, Finding::TrackingOffCentre][..],
            &[][..],
        ),
        ("head-a-height 20.0", 1, Outcome::Fail, apart, &[Finding::TrackingCentred, Finding::TrackingOffCentre], &[]),
        ("head-b-height -35.0", 0, Outcome::Fail, apart, &[Finding::TrackingOffCentre, Finding::TrackingUneven], &[]),
        ("head-b-height 3.0", 1, Outcome::Pass, centred, &[Finding::TrackingHeadsApart], &[]),
        ("head-b-height 10.0", 1, Outcome::Marginal, &[], &[Finding::TrackingHeadsApart], &[]),
        // On another machine's tape it may be that one's heads.
        ("head-b-height -20.0", 2, Outcome::Unable, &[], &[Finding::TrackingHeadsApart], &[UnableCode::WrongTape]),
    ] {
        let said = run(SCENARIO, stage, &[&format!("fault {heads}")], PROCEDURE);
        check(&said, &Want { verdict, there, not_there, unable });
        holds_the_truth(&said, OF_ANY);
        let advice: Vec<&String> = said.report.procedures.iter().flat_map(|p| &p.advice).collect();
        assert!(!advice.iter().any(|text| text.contains("Move the audio")), "{heads}: {advice:?}");
    }
}

/// One head's centre lies near the control's end, or beyond it: whether it can be told or not, no X position is blamed.
#[test]
fn heads_so_far_apart_that_one_is_hardly_told_leave_the_audio_head_alone() {
    for height_um in [34.0, 37.0, 39.0, 41.0, 44.0] {
        for heads in [format!("head-b-height {height_um}"), format!("head-a-height -{height_um}")] {
            let said = run(SCENARIO, 1, &[&format!("fault {heads}")], PROCEDURE);
            let text = tapewright::report::text::run(&said.report);
            assert_ne!(said.report.verdict, Some(Outcome::Pass), "{heads}: {text}");
            assert!(!text.contains("Move the audio"), "{heads}: {text}");
        }
    }
}

#[test]
fn tracking_keys_that_do_nothing_and_tracking_that_hunts_give_no_centre() {
    let not_there = &[Finding::TrackingOffCentre, Finding::TrackingCentred];
    for (stage, command, code) in [
        (0, "fault tracking-keys-dead", UnableCode::NotPossible),
        (1, "fault tracking-keys-dead", UnableCode::NotPossible),
        (1, "fault hunting 0.8", UnableCode::NotSteady),
    ] {
        let said = run(&with_keys(""), stage, &[command], PROCEDURE);
        check(&said, &Want { verdict: Outcome::Unable, there: &[], not_there, unable: &[code] });
    }
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
        "tracking.heads-apart",
    ];
    // A third of them have heads apart, whose mean has no exact centre.
    holds(PROCEDURE, 24, 0.6, &names);
}
