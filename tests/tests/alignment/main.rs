//! The procedures of alignment, each against the fault that it exists for, and their intervals against the exact truth.
//!
//! A scenario's stages are played one by one, each on a bench of its own. Coverage is counted over random
//! machines from a fixed seed; the count must lie where all but a thousandth of binomial counts of 95 % lie.

mod head_switch_point;
mod search_modes;
mod servos;
mod tracking_centre;
mod video_levels;

use sim_instrument::scenario::Scenario;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::{Arc, OnceLock};
use tapewright::library::Library;
use tapewright::report::run_report::RunReport;
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_measure::statistics::share_interval;
use tapewright_tests::bench::{self, Outcome as Run};

fn library() -> &'static Arc<Library> {
    static LIBRARY: OnceLock<Arc<Library>> = OnceLock::new();
    LIBRARY.get_or_init(|| Arc::new(Library::open(&[]).expect("the shipped procedures are right")))
}

/// Runs a procedure on a stage of a scenario, with more commands before it.
fn run(text: &str, stage: usize, more: &[&str], procedure: &str) -> Run {
    let mut scenario = Scenario::parse(text).unwrap_or_else(|faults| panic!("{faults}\n{text}"));
    let mut chosen = scenario.stages.swap_remove(stage);
    chosen.run.extend(more.iter().map(|&command| command.to_owned()));
    scenario.stages = vec![chosen];
    bench::run(&scenario, procedure, library()).unwrap_or_else(|error| panic!("{procedure}: {error}"))
}

/// What a report must say.
struct Want<'a> {
    verdict: Outcome,
    there: &'a [Finding],
    not_there: &'a [Finding],
    unable: &'a [UnableCode],
}

#[track_caller]
fn check(run: &Run, want: &Want<'_>) {
    let report = &run.report;
    let text = tapewright::report::text::run(report);
    assert_eq!(report.verdict, Some(want.verdict), "{text}");
    for finding in want.there {
        assert!(report.findings.contains(finding), "`{finding}` is missing\n{text}");
    }
    for finding in want.not_there {
        assert!(!report.findings.contains(finding), "`{finding}` is not true\n{text}");
    }
    let codes: Vec<UnableCode> = report.procedures.iter().flat_map(|p| &p.unable).map(|u| u.code).collect();
    assert_eq!(codes, want.unable, "{text}");
    assert!(run.trouble.is_empty(), "{:?}", run.trouble);
}

/// Intervals that hold the truth, and all of them, by `procedure/name`.
type Counts = BTreeMap<String, (u64, u64)>;

/// Counts the intervals of a run; returns what is off, for the message.
fn count(run: &Run, counts: &mut Counts, off: &mut String) {
    for (key, value, low, high) in intervals(&run.report) {
        let Some(truth) = run.truths.get(&key) else { continue };
        let covers = (low..=high).contains(truth);
        let entry = counts.entry(key.clone()).or_default();
        *entry = (entry.0 + u64::from(covers), entry.1 + 1);
        if !covers {
            let _ = writeln!(off, "{key}: {value} ({low} to {high}), truth {truth}");
        }
    }
}

fn intervals(report: &RunReport) -> impl Iterator<Item = (String, f64, f64, f64)> {
    report
        .procedures
        .iter()
        .flat_map(|p| p.measurements.iter().map(|m| (format!("{}/{}", p.procedure, m.name), m.value, m.low, m.high)))
}

/// Each quantity was measured in at least so many runs, and its intervals hold the truth often enough.
#[track_caller]
fn covered(counts: &Counts, names: &[&str], least: u64, off: &str) {
    for name in names {
        let &(hits, tries) = counts.get(*name).unwrap_or_else(|| panic!("`{name}` was never measured; {counts:?}"));
        assert!(tries >= least, "`{name}` was measured in {tries} runs, {least} are needed");
        let (_, high) = share_interval(hits, tries, 0.998).expect("a right count");
        assert!(high >= 0.95, "`{name}`: {hits} of {tries} intervals hold the truth\n{off}");
    }
}
