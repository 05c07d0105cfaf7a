//! Search: a wrong speed, one head missing or at another height, and the geometry of each format.

use super::{Run, Want, check, holds, library, run, run_set};
use sim_instrument::scenario::Scenario;
use tapewright_formats::relations::pitch_um;
use tapewright_formats::{Finding, Outcome, TapeKind, UnableCode, format_named};
use tapewright_tests::bench::{self, Bounds, Play};

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/search-slow.toml");
const PROCEDURE: &str = "search-modes";
/// The speed that the machine shall have, as a shop's own sequence says it.
const SPEED: &[(&str, f64)] = &[("search-speed", 7.0)];
const NOTHING_OFF: &[Finding] = &[Finding::SearchWrongSpeed, Finding::SearchHeadMissing, Finding::SearchPlacesOff];

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

/// The deck as it should be but for its format, head B's height and its speed in search, on a scope with peak detection and on one
/// without; what each of these measurements must be within so much.
#[track_caller]
fn check_deck(format: &str, height_pitch: f64, speed: f64, want: &Want<'_>, values: &[(&str, f64, f64)]) {
    check_tape(TapeKind::Alignment, format, height_pitch, speed, want, values);
}

/// The same with a tape of a kind.
#[track_caller]
fn check_tape(
    kind: TapeKind,
    format: &str,
    height_pitch: f64,
    speed: f64,
    want: &Want<'_>,
    values: &[(&str, f64, f64)],
) {
    let mut scenario = Scenario::parse(SCENARIO).unwrap_or_else(|faults| panic!("{faults}"));
    scenario.stages = vec![scenario.stages.swap_remove(1)];
    scenario.stages[0].run = vec![format!("fault search-speed {speed}")];
    scenario.stages[0].declares = vec!["scrap-tape-ran-safely".to_owned()];
    let table = format_named(format).expect("in the table");
    let machine = &mut scenario.machine;
    machine.format = format.into();
    machine.head_b.height_um = height_pitch * pitch_um(table);
    machine.tapes.get_mut("harbour-1988").expect("its tape").kind = kind;
    if table.azimuth_deg.value == 0.0 {
        // Guard bands keep the tracks apart.
        let track_um = 0.62 * pitch_um(table);
        (machine.head_a.width_um, machine.head_b.width_um) = (Some(track_um), Some(track_um));
        machine.tapes.get_mut("harbour-1988").expect("its tape").track_width_um = Some(track_um);
    }
    let play = Play { settings: SPEED.to_vec(), ..Play::of(PROCEDURE) };
    for no_peak in [false, true] {
        let bounds = Bounds { no_peak, ..Bounds::default() };
        let run: Run = bench::play(&scenario, std::slice::from_ref(&play), library(), bounds)
            .unwrap_or_else(|error| panic!("{format}: {error}"));
        check(&run, want);
        for (name, value, within) in values {
            let measured = &run.report.procedures[0].measurements;
            let found = measured.iter().find(|m| m.name == *name).unwrap_or_else(|| panic!("{name} is not measured"));
            assert!((found.value - value).abs() < *within, "{format}, {name}: {}, {value} wanted", found.value);
        }
    }
}

const PASS: Want<'_> =
    Want { verdict: Outcome::Pass, there: &[Finding::SearchAsPredicted], not_there: NOTHING_OFF, unable: &[] };

#[test]
fn heads_of_one_height_have_their_bars_where_geometry_puts_them() {
    check_deck("vhs-625-sp", 0.0, 7.0, &PASS, &[("cue.places-off", 0.0, 0.03), ("review.places-off", 0.0, 0.03)]);
}

/// A head that stands towards later tracks meets its bars sooner forwards, and later backwards: by half the share of a pitch.
#[test]
fn a_head_at_another_height_is_found_by_where_its_bars_lie() {
    let want = Want {
        verdict: Outcome::Fail,
        there: &[Finding::SearchPlacesOff],
        not_there: &[Finding::SearchAsPredicted, Finding::SearchWrongSpeed, Finding::SearchHeadMissing],
        unable: &[],
    };
    for height_pitch in [0.7, -0.7] {
        let off = 0.5 * height_pitch;
        let values = [("cue.places-off", -off, 0.04), ("review.places-off", off, 0.04)];
        check_deck("vhs-525-sp", height_pitch, 7.0, &want, &values);
    }
    // With any other tape it may be that tape's recorder: no fail, and no pass.
    let unable = &[UnableCode::WrongTape, UnableCode::WrongTape];
    let other = Want { verdict: Outcome::Unable, unable, ..want };
    for kind in [TapeKind::Other, TapeKind::Own] {
        check_tape(kind, "vhs-525-sp", 0.7, 7.0, &other, &[("cue.places-off", -0.35, 0.04)]);
    }
    // Half of that is no fault yet, and no pass.
    let marginal = Want { verdict: Outcome::Marginal, there: &[], ..want };
    check_deck(
        "vhs-525-sp",
        0.35,
        7.0,
        &marginal,
        &[("cue.places-off", -0.175, 0.03), ("review.places-off", 0.175, 0.03)],
    );
}

/// Without azimuth a head reads every track: twice as many bars, and twice as far off for the same height.
#[test]
fn without_azimuth_bars_come_at_every_track() {
    let values = [("cue.head-a.bars", 6.0, 0.3), ("review.head-b.bars", 8.0, 0.5), ("cue.places-off", 0.0, 0.05)];
    check_deck("u-525", 0.0, 7.0, &PASS, &values);
    let slow = Want {
        verdict: Outcome::Fail,
        there: &[Finding::SearchWrongSpeed],
        not_there: &[Finding::SearchAsPredicted, Finding::SearchPlacesOff, Finding::SearchHeadMissing],
        unable: &[],
    };
    check_deck("u-525", 0.0, 4.0, &slow, &[("cue.head-a.bars", 3.0, 0.2)]);
    let high = Want {
        verdict: Outcome::Fail,
        there: &[Finding::SearchPlacesOff],
        not_there: &[Finding::SearchAsPredicted, Finding::SearchWrongSpeed, Finding::SearchHeadMissing],
        unable: &[],
    };
    check_deck("u-525", 0.35, 7.0, &high, &[("cue.places-off", -0.35, 0.06), ("review.places-off", 0.35, 0.06)]);
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
        "cue.places-off",
        "review.places-off",
        "cue.balance",
        "review.balance",
    ];
    holds(PROCEDURE, 20, 0.7, &names);
}
