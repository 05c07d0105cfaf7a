//! The switching point: late, uneven, jittering; and a tape that was switched late.

use super::{Want, check, holds, run};
use tapewright_formats::{Finding, Outcome, UnableCode};

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/head-switch-late.toml");
const PROCEDURE: &str = "head-switch-point";

const NOTHING_OFF: &[Finding] = &[
    Finding::HeadSwitchLate,
    Finding::HeadSwitchEarly,
    Finding::HeadSwitchUneven,
    Finding::HeadSwitchJitter,
    Finding::HeadSwitchMachineOrTape,
];

fn but(finding: Finding) -> Vec<Finding> {
    NOTHING_OFF.iter().copied().filter(|f| *f != finding).collect()
}

#[test]
fn a_late_switching_fails_and_a_right_one_passes() {
    let late = run(SCENARIO, 0, &[], PROCEDURE);
    let (verdict, there) = (Outcome::Fail, &[Finding::HeadSwitchLate][..]);
    check(&late, &Want { verdict, there, not_there: &but(Finding::HeadSwitchLate), unable: &[] });
    let right = run(SCENARIO, 1, &[], PROCEDURE);
    let (verdict, there) = (Outcome::Pass, &[Finding::HeadSwitchOnPoint][..]);
    check(&right, &Want { verdict, there, not_there: NOTHING_OFF, unable: &[] });
}

#[test]
fn each_fault_has_its_own_finding() {
    for (command, finding) in [
        ("fault head-switch-lines 11", Finding::HeadSwitchEarly),
        // Two lines after vertical sync began.
        ("fault head-switch-lines 0.5", Finding::HeadSwitchLate),
        ("fault head-switch-jitter 4e-5", Finding::HeadSwitchJitter),
    ] {
        let said = run(SCENARIO, 1, &[command], PROCEDURE);
        check(&said, &Want { verdict: Outcome::Fail, there: &[finding], not_there: &but(finding), unable: &[] });
    }
    let uneven = run(SCENARIO, 1, &["fault head-switch-b 2.2"], PROCEDURE);
    assert!(uneven.report.findings.contains(&Finding::HeadSwitchUneven), "{:?}", uneven.report.findings);
    assert!(!uneven.report.findings.contains(&Finding::HeadSwitchLate));
}

#[test]
fn a_tape_that_was_switched_late_blames_no_machine() {
    // The machine is right: its own switching shows 6.5 lines before the sync, wherever the tape's recorder switched.
    let unable = &[UnableCode::WrongTape];
    let right = run(SCENARIO, 2, &[], PROCEDURE);
    check(&right, &Want { verdict: Outcome::Unable, there: &[], not_there: NOTHING_OFF, unable });
    // And a machine that is off is not condemned on an ordinary tape.
    let off = run(SCENARIO, 2, &["fault head-switch-lines 2"], PROCEDURE);
    let there = &[Finding::HeadSwitchMachineOrTape];
    check(&off, &Want { verdict: Outcome::Unable, there, not_there: &but(there[0]), unable });
}

#[test]
fn tracking_beside_its_centre_is_in_the_interval_of_the_points_and_not_in_their_difference() {
    let point = |more: &[&str]| {
        let said = run(SCENARIO, 1, more, PROCEDURE);
        let of = |name: &str| {
            let measured = said.report.procedures.iter().flat_map(|p| &p.measurements).find(|m| m.name == name);
            measured.unwrap_or_else(|| panic!("{name} is missing")).clone()
        };
        (of("head-a.point"), of("difference"))
    };
    let (at_centre, apart) = point(&[]);
    for (command, moved_lines) in [("fault tracking 0.14", 0.21), ("fault tracking -0.14", -0.21)] {
        let (beside, beside_apart) = point(&[command]);
        let moved = beside.value - at_centre.value;
        assert!((moved - moved_lines).abs() < 0.05, "{command} moved the point by {moved} lines");
        assert!(beside.low < 6.5 && 6.5 < beside.high, "{command}: {beside:?}");
        assert!((beside_apart.value - apart.value).abs() < 0.05, "{command}: {beside_apart:?}");
        assert!(0.5 * (beside_apart.high - beside_apart.low) < 0.15, "{command}: {beside_apart:?}");
    }
}

#[test]
fn video_that_does_not_follow_the_heads_gives_no_number() {
    // Without RF the machine mutes, and sends a picture of its own.
    let muted = run(SCENARIO, 1, &["fault preamp-dead"], PROCEDURE);
    let measured = muted.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
    assert_eq!((muted.report.verdict, measured), (Some(Outcome::Unable), 0), "{:?}", muted.report);
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let names = [
        "head-a.point",
        "head-b.point",
        "head-a.point-time",
        "head-b.point-angle",
        "difference",
        "head-a.jitter",
        "head-b.jitter",
    ];
    holds(PROCEDURE, 32, 0.9, &names);
}
