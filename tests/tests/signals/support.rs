//! Scenarios of the tree with settings, through bytes and components; coverage with its binomial tolerance.

use sim_instrument::scenario::Scenario;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::{Arc, LazyLock};
use tapewright::library::Library;
use tapewright::report::run_report::{MeasurementReport, ProcedureReport, RunReport};
use tapewright_formats::{Finding, Outcome as Verdict, UnableCode};
use tapewright_tests::bench::{Outcome, run};

static LIBRARY: LazyLock<Arc<Library>> =
    LazyLock::new(|| Arc::new(Library::open(&[]).expect("the shipped procedures load")));

/// A scenario file with one of its stages, counted from 0, as the first.
pub fn stage(text: &str, number: usize) -> Scenario {
    let mut scenario = Scenario::parse(text).unwrap_or_else(|error| panic!("{error}"));
    scenario.stages.swap(0, number);
    scenario
}

/// Runs one procedure with settings.
pub fn play(scenario: &Scenario, procedure: &str, settings: &[(&str, f64)]) -> Outcome {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("one.toml");
    let mut text = format!(
        "name = \"{procedure}\"\npurpose = \"a test\"\n[[step]]\nprocedure = \"{procedure}\"\n[step.settings]\n"
    );
    for (name, value) in settings {
        writeln!(text, "{name} = {value:?}").expect("a text");
    }
    std::fs::write(&path, text).expect("a file");
    run(scenario, &path.display().to_string(), &LIBRARY).unwrap_or_else(|error| panic!("{procedure}: {error}"))
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

/// How often intervals held their truth.
#[derive(Default)]
pub struct Coverage(BTreeMap<String, (u64, u64, Vec<String>)>);

impl Coverage {
    /// Counts every quantity of an outcome whose truth is known.
    pub fn count(&mut self, outcome: &Outcome) {
        for procedure in &outcome.report.procedures {
            for m in &procedure.measurements {
                let Some(truth) = outcome.truths.get(&format!("{}/{}", procedure.procedure, m.name)) else { continue };
                let entry = self.0.entry(m.name.clone()).or_default();
                let held = m.low <= *truth && *truth <= m.high;
                entry.0 += u64::from(held);
                entry.1 += 1;
                if !held {
                    entry.2.push(format!("{:.6} to {:.6}, truth {truth:.6}", m.low, m.high));
                }
            }
        }
    }

    /// Each quantity was there in half of the draws at least, and its share of held truths is not surely below 95 %: with
    /// one in a thousand by chance.
    #[track_caller]
    pub fn demand(&self, names: &[&str], draws: u64) {
        for name in names {
            let (held, all, missed) = self.0.get(*name).unwrap_or_else(|| panic!("`{name}` was never measured"));
            assert!(2 * all >= draws, "`{name}` was measured {all} times in {draws} draws");
            let below: f64 = (0..=*held).map(|k| binomial(*all, k, 0.95)).sum();
            assert!(below > 1e-3, "`{name}`: {held} of {all} intervals hold their truth: {missed:#?}");
        }
    }
}

fn binomial(n: u64, k: u64, p: f64) -> f64 {
    let choose = (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64);
    choose * p.powi(k as i32) * (1.0 - p).powi((n - k) as i32)
}
