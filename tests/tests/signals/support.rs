//! Scenarios of the tree with settings, through bytes and components.

use sim_instrument::scenario::Scenario;
use std::sync::{Arc, LazyLock};
use tapewright::library::Library;
use tapewright::report::run_report::{MeasurementReport, ProcedureReport, RunReport};
use tapewright_formats::{Finding, Outcome as Verdict, UnableCode};
use tapewright_tests::bench::{self, Bounds, Outcome, Play};
use tapewright_tests::coverage;

static LIBRARY: LazyLock<Arc<Library>> =
    LazyLock::new(|| Arc::new(Library::open(&[]).expect("the shipped procedures load")));

/// A scenario file with one of its stages, counted from 0, as the first.
pub fn stage(text: &str, number: usize) -> Scenario {
    let mut scenario = Scenario::parse(text).unwrap_or_else(|error| panic!("{error}"));
    scenario.stages.swap(0, number);
    scenario
}

/// Runs one procedure with settings.
pub fn play(scenario: &Scenario, procedure: &str, settings: &[(&'static str, f64)]) -> Outcome {
    played(scenario, Play { settings: settings.to_vec(), ..Play::of(procedure) })
}

/// Runs a procedure or a sequence as it is told.
pub fn played(scenario: &Scenario, play: Play) -> Outcome {
    let run = play.run.clone();
    bench::play(scenario, &[play], &LIBRARY, Bounds::default()).unwrap_or_else(|error| panic!("{run}: {error}"))
}

/// The procedure's part of the report.
pub fn only(report: &RunReport) -> &ProcedureReport {
    report.procedures.first().expect("one procedure ran")
}

pub fn measured<'a>(report: &'a RunReport, name: &str) -> &'a MeasurementReport {
    only(report)
        .measurements
        .iter()
        .find(|m| m.name == name)
        .unwrap_or_else(|| panic!("`{name}` is missing\n{}", tapewright::report::text::run(report)))
}

#[track_caller]
pub fn check(report: &RunReport, verdict: Verdict, there: &[Finding], not_there: &[Finding]) {
    let text = tapewright::report::text::run(report);
    assert_eq!(report.verdict, Some(verdict), "{text}");
    for finding in there {
        assert!(report.findings.contains(finding), "`{finding}` is missing\n{text}");
    }
    for finding in not_there {
        assert!(!report.findings.contains(finding), "`{finding}` is not true\n{text}");
    }
}

/// It could not be measured, with this code, and nothing passed.
#[track_caller]
pub fn unable(report: &RunReport, code: UnableCode) {
    let text = tapewright::report::text::run(report);
    assert_eq!(report.verdict, Some(Verdict::Unable), "{text}");
    assert!(only(report).unable.iter().any(|u| u.code == code), "`{code}` is missing\n{text}");
    assert!(only(report).measurements.iter().all(|m| m.outcome != Some(Verdict::Pass)), "{text}");
}

/// The intervals of a few machines of a procedure's group hold the exact truth (see [`coverage::check`]).
#[track_caller]
pub fn holds(group: &str, machines: u64, share: f64, names: &[&str]) {
    coverage::check(group, 77, machines, share, names, &LIBRARY).unwrap_or_else(|off| panic!("{off}"));
}
