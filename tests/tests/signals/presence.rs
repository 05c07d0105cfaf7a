//! RF told from noise, weak RF from none, and what is said where it is gone on a format without control track.

use super::support::{check, play, stage};
use sim_instrument::scenario::Scenario;
use tapewright::report::run_report::RunReport;
use tapewright_formats::{Finding, Outcome as Verdict, UnableCode};

const HEALTHY: &str = include_str!("../../../sim-instrument/scenarios/healthy.toml");
const PILOTS: &str = include_str!("../../../sim-instrument/scenarios/pilots.toml");

/// A scenario's first stage with these commands instead, and somebody who does what is asked.
fn with(text: &str, commands: &[&str]) -> Scenario {
    let mut scenario = stage(&text.replacen("answer = \"yes\"", "answer = \"done\"", 1), 0);
    scenario.stages[0].run = commands.iter().map(ToString::to_string).collect();
    scenario
}

fn presence(commands: &[&str]) -> RunReport {
    play(&with(HEALTHY, commands), "signal-presence", &[]).report
}

#[test]
fn noise_of_an_amplifier_is_not_the_tapes_rf() {
    const DEAD: [&str; 2] = ["fault head-a-dead", "fault head-b-dead"];
    let noise = |volts: &str| {
        let noise = format!("fault noise {volts}");
        presence(&[DEAD[0], DEAD[1], &noise])
    };
    // As much as a third of the level expected: so much surely hides no RF that counts.
    for volts in ["0.012", "0.016"] {
        check(&noise(volts), Verdict::Fail, &[Finding::RfAbsent], &[Finding::RfPresent, Finding::LevelLow]);
    }
    // As much as the level expected: RF may be in it or not.
    for volts in ["0.04", "0.06"] {
        let report = noise(volts);
        let text = tapewright::report::text::run(&report);
        check(&report, Verdict::Unable, &[], &[Finding::RfPresent, Finding::RfAbsent, Finding::LevelLow]);
        let unable: Vec<_> = report.procedures.iter().flat_map(|p| &p.unable).collect();
        assert!(
            unable.iter().any(|u| u.code == UnableCode::InNoise && u.why.contains("no carrier stands out")),
            "{text}"
        );
    }
}

#[test]
fn weak_rf_is_weak_and_not_missing() {
    // A sixth of the level expected, clear of the noise.
    let report = presence(&["fault head-a-gain 0.15", "fault head-b-gain 0.15", "fault noise 0.001"]);
    check(&report, Verdict::Fail, &[Finding::RfPresent, Finding::LevelLow], &[Finding::RfAbsent]);
    assert_eq!(report.faults, ["level-low"]);
    // Nobody knows which level to expect: nothing is said of it.
    let unknown = HEALTHY.replacen("expected_v = 0.4", "", 1);
    let weak = ["fault head-a-gain 0.3", "fault head-b-gain 0.3"];
    for (text, named) in [(HEALTHY, true), (&unknown, false)] {
        let mut scenario = with(text, &weak);
        scenario.stages[0].tape = Some("alignment".to_owned());
        scenario.stages[0].declares = vec!["scrap-tape-ran-safely".to_owned()];
        let report = play(&scenario, "envelope", &[]).report;
        let text = tapewright::report::text::run(&report);
        assert_eq!(report.findings.contains(&Finding::LevelLow), named, "{text}");
        assert_eq!(text.contains("Nothing says which level to expect"), !named, "{text}");
    }
}

/// The probe at the control head itself: spikes of some millivolts, hardly more than what a scope's own noise spans.
#[test]
fn control_pulses_at_the_head_are_told_from_the_noise_there() {
    let probe = "point = \"control-track\"\nfactor = 10.0\nexpected_v = 5.0";
    assert!(HEALTHY.contains(probe));
    let at_head = |spike_v: f64| {
        let expected = format!("point = \"control-track\"\nfactor = 1.0\nexpected_v = {spike_v}");
        let head =
            format!("[machine.control]\nform = \"spike\"\nspike_v = {spike_v}\nspike_noise_v = 2e-5\n\n[tapes.own]");
        HEALTHY.replacen(probe, &expected, 1).replacen("[tapes.own]", &head, 1)
    };
    let weak = [Finding::ControlTrackWeak];
    let absent = [Finding::ControlTrackAbsent];
    let hidden = [Finding::ControlTrackHidden];
    let told = [Finding::ControlTrackAbsent, Finding::ControlTrackWeak, Finding::ControlTrackPresent];
    let missing = [Finding::ControlTrackAbsent, Finding::ControlTrackMissing, Finding::ControlTrackNotLocked];
    for (spike_v, model, commands, named, there, not_there) in [
        (4e-3, "large", &[][..], None, &[][..], &missing[..]),
        (2e-3, "modest", &[], None, &[], &missing),
        (4e-3, "large", &["fault control-contact-open"], Some("control-track-lost"), &absent, &weak),
        (2e-3, "modest", &["fault control-contact-open"], Some("control-track-lost"), &absent, &weak),
        (1.6e-3, "modest", &["fault control-contact-open"], Some("control-track-weak-or-lost"), &hidden, &told),
        (1.6e-3, "modest", &["fault control-weak 0.2"], Some("control-track-weak-or-lost"), &hidden, &told),
        (4e-3, "large", &["fault control-weak 0.3"], Some("control-track-weak"), &weak, &missing),
        (3e-3, "modest", &["fault control-weak 0.3"], Some("control-track-weak"), &weak, &missing),
        (3e-3, "large", &["fault blank-tape"], Some("blank-tape-or-no-signal"), &absent, &weak),
        (3e-3, "modest", &["fault capstan-free 0.006"], Some("tape-slip"), &[Finding::TapeSlip], &absent),
    ] {
        let mut text = at_head(spike_v).replacen("model = \"large\"", &format!("model = \"{model}\""), 1);
        if model == "modest" {
            // Two channels, and an input that only triggers.
            text = text.replacen("CH3", "EXT", 1).replacen(
                "[scope.probes.CH4]\npoint = \"video\"\nexpected_v = 1.0\n",
                "",
                1,
            );
        }
        let scenario = with(&text, commands);
        let report = play(&scenario, "first-look", &[]).report;
        let said = tapewright::report::text::run(&report);
        let what = format!("{spike_v} V on a {model} scope, {commands:?}\n{said}");
        assert_eq!(report.faults.first().map(String::as_str), named, "{what}");
        assert_eq!(report.verdict == Some(Verdict::Fail), named.is_some(), "{what}");
        assert!(there.iter().all(|finding| report.findings.contains(finding)), "{what}");
        assert!(!not_there.iter().any(|finding| report.findings.contains(finding)), "{what}");
    }
}

#[test]
fn lost_rf_is_named_where_there_is_no_control_track() {
    let switch = "[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n\n[operator]\n";
    let text = PILOTS.replacen("[operator]\n", switch, 1);
    for (command, named) in
        [("fault preamp-dead", "rf-lost-no-pulses-told"), ("fault transport-stuck", "nothing-moves")]
    {
        let report = play(&with(&text, &[command]), "first-look", &[]).report;
        let said = tapewright::report::text::run(&report);
        assert_eq!(report.faults.first().map(String::as_str), Some(named), "{said}");
        assert_eq!(report.verdict, Some(Verdict::Fail), "{said}");
    }
}
