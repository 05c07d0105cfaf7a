//! The supply rail.

use crate::support::{check, holds, measured, only, play, played, stage, unable};
use sim_instrument::scenario::Scenario;
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::bench::Play;

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

/// The rail with a new capacitor and ripple of so many volts and hertz.
fn rippled(volts: f64, hz: f64) -> Scenario {
    let mut scenario = stage(SUPPLY, 1);
    (scenario.machine.supply.ripple_v, scenario.machine.supply.ripple_hz) = (volts, hz);
    scenario
}

/// In a record of a fifth of a second a ripple of one hertz is a drift, and each record has a mean of its own.
#[test]
fn what_is_slower_than_the_records_does_not_pass() {
    for (volts, hz) in [(0.6, 1.0), (0.6, 2.3), (0.6, 4.0), (0.6, 7.7), (0.4, 1.0)] {
        let report = play(&rippled(volts, hz), "supply-ripple", &[("rail-v", 12.0)]).report;
        let text = tapewright::report::text::run(&report);
        // About 0.94 of it from peak to peak.
        let percent = 0.94 * volts / 0.12;
        let ripple = measured(&report, "ripple");
        assert!(ripple.high > 0.95 * percent && ripple.outcome != Some(Outcome::Pass), "{hz} Hz\n{text}");
        assert!(measured(&report, "mean").low < 12.0 && measured(&report, "mean").high > 12.0, "{hz} Hz\n{text}");
        assert!(!text.contains("capacitor"), "{hz} Hz\n{text}");
    }
    // An ordinary rail wanders by nothing.
    let report = play(&stage(SUPPLY, 1), "supply-ripple", &[("rail-v", 12.0)]).report;
    assert!(only(&report).notes.iter().all(|note| !note.contains("wanders")), "{:?}", only(&report).notes);
}

/// What the hookup expects; what is set; what the rail has; how its mean is judged.
#[test]
fn a_mean_far_from_what_is_expected_is_no_pass() {
    for (expected_v, set_v, real_v, want) in [
        (Some(12.0), 0.0, 12.1, Some(Outcome::Pass)),
        (Some(12.0), 0.0, 9.0, Some(Outcome::Fail)),
        (Some(12.0), 0.0, -9.0, Some(Outcome::Fail)),
        (Some(12.0), 0.0, 16.0, Some(Outcome::Fail)),
        // The setting comes first.
        (Some(12.0), 9.0, 9.3, Some(Outcome::Pass)),
        (None, 0.0, 9.0, None),
    ] {
        let mut scenario = stage(SUPPLY, 1);
        scenario.machine.supply.rail_v = real_v;
        scenario.scope.probes[0].expected_v = expected_v;
        let report = play(&scenario, "supply-ripple", &[("rail-v", set_v)]).report;
        let text = tapewright::report::text::run(&report);
        assert_eq!(measured(&report, "mean").outcome, want, "{expected_v:?} {set_v} {real_v}\n{text}");
        let found = report.findings.contains(&Finding::SupplyWrong);
        assert_eq!(found, want == Some(Outcome::Fail), "{expected_v:?} {set_v} {real_v}\n{text}");
        assert_eq!(text.contains("were held against nothing"), want.is_none(), "{text}");
        if want.is_none() {
            // Ripple that is right makes no good rail of it.
            let ripple = measured(&report, "ripple").outcome;
            assert_eq!((report.verdict, ripple), (Some(Outcome::Unable), Some(Outcome::Pass)), "{text}");
        }
    }
}

/// With the channel coupled by AC a rail that is dead, or stands far off, shows the same ripple as a good one, or less.
#[test]
fn a_mean_that_coupling_hides_is_no_pass() {
    for (real_v, ripple_v) in [(12.0, 0.02), (9.0, 0.02), (0.0, 0.0)] {
        let mut scenario = rippled(ripple_v, 120.0);
        (scenario.machine.supply.rail_v, scenario.machine.supply.switching_v) = (real_v, 0.0);
        let set =
            Play { settings: vec![("rail-v", 12.0)], texts: vec![("coupling", "ac")], ..Play::of("supply-ripple") };
        let report = played(&scenario, set).report;
        check(&report, Outcome::Unable, &[], &[Finding::SupplyWrong]);
        let unable = &only(&report).unable;
        assert!(unable.iter().any(|u| u.what == "mean" && u.why.contains("coupled by AC")), "{unable:?}");
        assert_eq!(measured(&report, "ripple").outcome, Some(Outcome::Pass), "{real_v}");
    }
}

/// A rail that nobody stated a voltage for can still fail by its ripple.
#[test]
fn ripple_is_judged_also_where_the_mean_is_not() {
    let report = play(&stage(SUPPLY, 0), "supply-ripple", &[]).report;
    check(&report, Outcome::Fail, &[Finding::RippleTwiceMains], &[]);
    assert_eq!(measured(&report, "mean").outcome, None);
}

/// A tenth of what should be there, or less than any rail has: the probe's factor comes first, and nothing passes.
#[test]
fn a_wrong_probe_factor_does_not_pass() {
    for (expected_v, set_v, real_v) in
        [(Some(12.0), 0.0, 1.2), (None, 12.0, 1.2), (None, -12.0, -1.2), (None, 0.0, 1.2)]
    {
        let mut scenario = stage(SUPPLY, 1);
        scenario.machine.supply.rail_v = real_v;
        scenario.scope.probes[0].expected_v = expected_v;
        let report = play(&scenario, "supply-ripple", &[("rail-v", set_v)]).report;
        unable(&report, UnableCode::BadData);
        assert!(only(&report).unable.iter().any(|u| u.why.contains("probe's factor")), "{:?}", only(&report).unable);
    }
}

/// A cause is named where there is too much of a ripple, and only there.
#[test]
fn a_good_ripple_blames_nothing() {
    for (volts, blamed) in [(0.005, false), (0.05, false), (0.25, true), (0.8, true)] {
        let mut scenario = rippled(volts, 120.0);
        scenario.machine.supply.switching_v = 0.0;
        let report = play(&scenario, "supply-ripple", &[("rail-v", 12.0)]).report;
        let text = tapewright::report::text::run(&report);
        assert!(text.contains("Hz, twice the mains frequency"), "{volts}\n{text}");
        assert_eq!(text.contains("capacitor"), blamed, "{volts}\n{text}");
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
