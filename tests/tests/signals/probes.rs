//! A probe whose factor or point is not what the hookup says: a level far above the expected one is no pass.

use super::support::{play, stage, unable};
use sim_instrument::scenario::Scenario;
use tapewright_formats::{Finding, Outcome as Verdict, UnableCode};

const HEALTHY: &str = include_str!("../../../sim-instrument/scenarios/healthy.toml");

/// What the daemon reads of pulses of that height: with a factor ten times too high, ten times the machine's.
fn pulses_of(read_v: f64) -> Scenario {
    let more = format!("tape = \"own\"\n\n[machine.control]\nsquare_v = {read_v:?}\n");
    stage(&HEALTHY.replacen("tape = \"own\"\n", &more, 1), 0)
}

#[test]
fn pulses_far_above_the_expected_height_are_no_pass() {
    // A fifth of the pulses' height, or all of it, read ten times too high.
    for read_v in [9.71, 48.6] {
        let report = play(&pulses_of(read_v), "control-track", &[("observe-s", 2.0)]).report;
        let text = tapewright::report::text::run(&report);
        unable(&report, UnableCode::BadData);
        assert!(text.contains("check the probe's factor and its point"), "{text}");
        assert!(!report.findings.contains(&Finding::ControlTrackPresent), "{text}");
        let report = play(&pulses_of(read_v), "signal-presence", &[]).report;
        let text = tapewright::report::text::run(&report);
        assert_eq!(report.verdict, Some(Verdict::Unable), "{text}");
        assert!(!report.findings.contains(&Finding::ControlTrackPresent), "{text}");
        assert!(report.findings.contains(&Finding::RfPresent), "the other signals are judged: {text}");
    }
    // As high as a supply may stand.
    let report = play(&pulses_of(7.5), "signal-presence", &[]).report;
    assert_eq!(report.verdict, Some(Verdict::Pass), "{}", tapewright::report::text::run(&report));
}

/// Weak heads look strong by a factor that is wrong.
#[test]
fn an_envelope_far_above_the_expected_level_is_no_pass() {
    let high = HEALTHY.replacen("tape = \"own\"\n", "tape = \"own\"\n\n[machine.rf]\nlevel_v = 2.0\n", 1);
    let report = play(&stage(&high, 0), "envelope", &[]).report;
    let text = tapewright::report::text::run(&report);
    assert_eq!(report.verdict, Some(Verdict::Unable), "{text}");
    assert!(report.procedures[0].unable[0].why.contains("check the probe's factor and its point"), "{text}");
    assert!(!report.findings.contains(&Finding::EnvelopeFlat), "{text}");
}

#[test]
fn rf_far_above_the_expected_level_is_no_pass() {
    let high = HEALTHY.replacen("tape = \"own\"\n", "tape = \"own\"\n\n[machine.rf]\nlevel_v = 2.0\n", 1);
    let report = play(&stage(&high, 0), "signal-presence", &[]).report;
    let text = tapewright::report::text::run(&report);
    assert_eq!(report.verdict, Some(Verdict::Unable), "{text}");
    assert!(text.contains("times what the hookup expects"), "{text}");
    assert!(!report.findings.contains(&Finding::RfPresent), "{text}");
}
