//! `first-look` on healthy machines of formats that lack what others have.

use super::support::{play, played, stage};
use sim_instrument::scenario::Scenario;
use tapewright_formats::{Finding, Outcome as Verdict};
use tapewright_tests::bench::Play;

const PILOTS: &str = include_str!("../../../sim-instrument/scenarios/pilots.toml");
const HEALTHY: &str = include_str!("../../../sim-instrument/scenarios/healthy.toml");

/// Passes, and finds nothing wrong with the drive.
#[track_caller]
fn passes(scenario: &Scenario) {
    // Of a picture that may be uneven a modest scope knows the envelope too widely to pass it.
    let report = played(scenario, Play { even_picture: true, ..Play::of("first-look") }).report;
    let text = tapewright::report::text::run(&report);
    assert_eq!(report.verdict, Some(Verdict::Pass), "{text}");
    for wrong in [Finding::RfUnsteadyInPlay, Finding::TapeSlip, Finding::TrackingHunting] {
        assert!(!report.findings.contains(&wrong), "`{wrong}` is not true\n{text}");
    }
    assert!(report.faults.is_empty(), "{text}");
}

#[test]
fn a_healthy_machine_without_control_track_passes() {
    let switch = "[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n\n[operator]\n";
    passes(&stage(&PILOTS.replacen("[operator]\n", switch, 1), 1));
}

/// The bench keeps its probe on the control track from the last job.
#[test]
fn a_probe_on_a_control_track_that_the_format_has_not_is_not_judged() {
    let probe = "[scope.probes.CH2]\npoint = \"control-track\"\nfactor = 10.0\nexpected_v = 5.0\n\n[operator]\n";
    let switch = "[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n\n";
    let text = PILOTS.replacen("[operator]\n", &format!("{switch}{probe}"), 1);
    let report = play(&stage(&text, 1), "signal-presence", &[]).report;
    let text = tapewright::report::text::run(&report);
    assert_eq!(report.verdict, Some(Verdict::Pass), "{text}");
    let notes = &report.procedures[0].notes;
    assert!(notes.iter().any(|n| n.contains("has no control track") && n.contains("`pilot-tracking`")), "{text}");
}

/// Guard bands and heads without azimuth: the neighbour, which nothing keeps small, is no constant share of the level.
#[test]
fn a_healthy_machine_with_guard_bands_passes() {
    for format in ["u-525", "u-625"] {
        passes(&stage(&HEALTHY.replacen("vhs-525-sp", format, 1), 0));
    }
}

/// A slip of 8 mm sends nobody after control pulses.
#[test]
fn a_slip_without_control_track_is_no_matter_of_control_pulses() {
    let switch = "[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n\n[operator]\n";
    let mut scenario = stage(&PILOTS.replacen("[operator]\n", switch, 1), 1);
    scenario.stages[0].run = vec!["fault capstan-free 0.008".to_owned()];
    let report = play(&scenario, "first-look", &[]).report;
    let text = tapewright::report::text::run(&report);
    assert!(report.findings.contains(&Finding::TapeSlip), "{text}");
    assert!(report.faults.iter().any(|fault| fault == "tape-slip-without-pulses"), "{text}");
    assert!(!report.faults.iter().any(|fault| fault == "tape-slip"), "{text}");
}
