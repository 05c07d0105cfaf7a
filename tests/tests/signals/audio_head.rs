//! Height and tilt of the audio and control head.

use crate::support::{check, holds, measured, only, play, stage, unable};
use sim_instrument::scenario::Scenario;
use tapewright_formats::{Finding, Outcome, UnableCode};

const HEAD: &str = include_str!("../../../sim-instrument/scenarios/audio-head.toml");

const HEIGHT: Finding = Finding::AudioHeadHeight;
const UNSTEADY: Finding = Finding::AudioLevelUnsteady;

/// Height alone, not watched for its steadiness.
const ALONE: (&str, f64) = ("observe-s", 0.0);

/// By the balance of the channels, of a tone over the whole width.
const FULL_WIDTH: (&str, f64) = ("full-width-tone", 1.0);
const BALANCE: [(&str, f64); 2] = [FULL_WIDTH, ALONE];

/// A stage whose height nut is turned to these places, one after the other.
fn nut(number: usize, places: &[f64]) -> Scenario {
    let mut scenario = stage(HEAD, number);
    scenario.operator.adjust.retain(|id, _| !id.starts_with("height-"));
    for (round, um) in (1..).zip(places) {
        scenario.operator.adjust.insert(format!("height-{round}"), vec![format!("fault audio-height {um}")]);
    }
    scenario
}

#[test]
fn a_head_off_its_height_is_found_by_the_balance_and_the_pulses() {
    for height_um in [190.0, -190.0] {
        let mut scenario = stage(HEAD, 0);
        scenario.stages[0].run = vec![format!("fault audio-height {height_um}")];
        let report = play(&scenario, "audio-head", &BALANCE).report;
        check(&report, Outcome::Fail, &[HEIGHT], &[]);
        let height = measured(&report, "height");
        assert!(height.low < height_um && height_um < height.high && height.high - height.low < 60.0, "{height:?}");
    }
}

#[test]
fn a_head_at_its_height_and_upright_passes() {
    check(&play(&stage(HEAD, 1), "audio-head", &[FULL_WIDTH]).report, Outcome::Pass, &[], &[HEIGHT, UNSTEADY]);
    let report = play(&nut(1, &[150.0, 0.0, -150.0, 2.0]), "audio-head", &[]).report;
    check(&report, Outcome::Pass, &[], &[HEIGHT, UNSTEADY]);
}

#[test]
fn a_head_too_high_is_set_by_the_peak_of_its_levels() {
    let report = play(&stage(HEAD, 0), "audio-head", &[]).report;
    check(&report, Outcome::Pass, &[], &[HEIGHT, UNSTEADY]);
    // 190 um of 350 um.
    assert!((measured(&report, "before.height.below-peak").value - 6.8).abs() < 0.3);
}

#[test]
fn a_head_left_off_its_peak_fails() {
    let report = play(&nut(0, &[260.0, 0.0, -120.0, 190.0]), "audio-head", &[("rounds", 4.0), ALONE]).report;
    check(&report, Outcome::Fail, &[HEIGHT], &[]);
    // Turned once, and back: that there is a better place is known, though not that it is the best.
    let report = play(&nut(0, &[20.0, 190.0, 190.0]), "audio-head", &[("rounds", 3.0), ALONE]).report;
    check(&report, Outcome::Fail, &[HEIGHT], &[]);
}

/// A tape recorded low, or a weak amplifier: no level tells a height, with the nut untouched or turned on one side only.
#[test]
fn a_low_level_is_not_the_height() {
    let mut low = nut(1, &[150.0, 0.0, -150.0, 2.0]);
    low.machine.audio.level_v = 0.12;
    for settings in [&[ALONE][..], &BALANCE] {
        check(&play(&low, "audio-head", settings).report, Outcome::Pass, &[], &[HEIGHT]);
    }
    for places in [&[][..], &[150.0, 130.0, 100.0], &[190.0, 190.0, 190.0]] {
        let mut scenario = nut(0, places);
        scenario.machine.audio.level_v = 0.12;
        let report = play(&scenario, "audio-head", &[("rounds", 3.0), ALONE]).report;
        unable(&report, UnableCode::TooShort);
        assert!(!report.findings.contains(&HEIGHT));
        assert!(only(&report).unable.iter().any(|u| u.why.contains("recorded low")), "{:?}", only(&report).unable);
    }
}

/// One channel weak by itself looks like a head too high, but for the control pulses; with the nut turned it is no matter.
#[test]
fn a_weak_channel_is_not_the_height() {
    let report = play(&nut(3, &[]), "audio-head", &BALANCE).report;
    unable(&report, UnableCode::NotPossible);
    assert!(!report.findings.contains(&HEIGHT));
    // Without the pulses, or their expected level, the balance tells nothing.
    let mut scenario = nut(3, &[]);
    scenario.scope.probes.truncate(2);
    let report = play(&scenario, "audio-head", &BALANCE).report;
    unable(&report, UnableCode::TooShort);
    assert!(!report.findings.contains(&HEIGHT));
    let report = play(&nut(3, &[150.0, 0.0, -150.0, 2.0]), "audio-head", &[ALONE]).report;
    check(&report, Outcome::Pass, &[], &[HEIGHT]);
}

/// A gap that leans takes from the high tone; the level at the low one hardly falls.
#[test]
fn a_lean_is_not_the_height() {
    let mut scenario = nut(1, &[150.0, 0.0, -150.0, 2.0]);
    scenario.stages[0].run = vec!["fault audio-azimuth 14".into()];
    for settings in [&[ALONE][..], &BALANCE] {
        check(&play(&scenario, "audio-head", settings).report, Outcome::Pass, &[], &[HEIGHT]);
    }
    let report = play(&scenario, "audio-azimuth", &[]).report;
    check(&report, Outcome::Fail, &[Finding::AzimuthOff], &[HEIGHT]);
}

/// The tone of a tape recorded by two tracks stays in balance at any height: nothing passes by it unless it is said to lie over
/// the whole width, and the pulses tell even then.
#[test]
fn two_tracks_on_the_tape_do_not_pass_by_their_balance() {
    let mut scenario = nut(0, &[]);
    scenario.machine.tapes.get_mut("alignment").expect("the alignment tape").full_width_tone = Some(false);
    unable(&play(&scenario, "audio-head", &[ALONE, ("rounds", 3.0)]).report, UnableCode::TooShort);
    unable(&play(&scenario, "audio-head", &BALANCE).report, UnableCode::NotPossible);
}

/// A head with one track gives both channels alike at any height.
#[test]
fn one_track_does_not_pass_by_its_balance() {
    let mut scenario = nut(0, &[]);
    scenario.machine.audio.stereo = false;
    unable(&play(&scenario, "audio-head", &BALANCE).report, UnableCode::NotPossible);
}

/// A single channel of a head with two tracks lies within a tone over the whole width: only the pulses' own peak tells.
#[test]
fn one_channel_needs_the_pulses() {
    let mut scenario = nut(0, &[260.0, 0.0, -120.0, 3.0]);
    scenario.scope.probes.remove(1);
    check(&play(&scenario, "audio-head", &[ALONE]).report, Outcome::Pass, &[], &[HEIGHT]);
    scenario.scope.probes.truncate(1);
    unable(&play(&scenario, "audio-head", &[ALONE]).report, UnableCode::NotHookedUp);
}

#[test]
fn a_tilted_head_wavers_and_flutter_does_not() {
    let report = play(&stage(HEAD, 2), "audio-head", &[FULL_WIDTH]).report;
    check(&report, Outcome::Fail, &[UNSTEADY], &[HEIGHT]);
    let mut scenario = stage(HEAD, 1);
    scenario.machine.audio.weave_min = 1.0;
    scenario.stages[0].run = vec!["fault flutter-reel 1.7".into()];
    check(&play(&scenario, "audio-head", &[FULL_WIDTH]).report, Outcome::Pass, &[], &[UNSTEADY]);
}

#[test]
fn only_an_alignment_tape_and_a_linear_track_judge() {
    let mut own = stage(HEAD, 1);
    own.stages[0].tape = Some("own".into());
    unable(&play(&own, "audio-head", &[]).report, UnableCode::WrongTape);
    let mut eight = stage(HEAD, 1);
    eight.machine.format = "8mm-625-sp".into();
    eight.scope.probes.truncate(2);
    let report = play(&eight, "audio-head", &[]).report;
    unable(&report, UnableCode::NotInFormat);
    assert!(only(&report).advice.iter().any(|advice| advice.contains("envelope")));
}

#[test]
fn intervals_of_height_and_steadiness_hold_the_truth() {
    holds("audio-head", 30, 0.2, &["height", "height.below-peak", "audio-left.unsteadiness"]);
}
