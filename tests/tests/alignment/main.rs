//! The procedures of alignment, each against the fault that it exists for, and their intervals against the exact truth.
//!
//! A scenario's stages are played one by one, each on a bench of its own. Coverage is counted over random
//! machines of the truth table's groups.

mod head_switch_point;
mod paths;
mod search_modes;
mod servos;
mod tracking_centre;
mod video_levels;

use sim_instrument::scenario::Scenario;
use std::sync::{Arc, OnceLock};
use tapewright::library::Library;
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::bench::{self, Bounds, Outcome as Run, Play};
use tapewright_tests::coverage;

fn library() -> &'static Arc<Library> {
    static LIBRARY: OnceLock<Arc<Library>> = OnceLock::new();
    LIBRARY.get_or_init(|| Arc::new(Library::open(&[]).expect("the shipped procedures are right")))
}

/// Runs a procedure on a stage of a scenario, with more commands before it.
fn run(text: &str, stage: usize, more: &[&str], procedure: &str) -> Run {
    run_set(text, stage, more, procedure, &[])
}

/// The same with settings.
fn run_set(text: &str, stage: usize, more: &[&str], procedure: &str, settings: &[(&'static str, f64)]) -> Run {
    run_as(text, stage, more, Play { settings: settings.to_vec(), ..Play::of(procedure) })
}

/// The same with all that can be said with it.
fn run_as(text: &str, stage: usize, more: &[&str], play: Play) -> Run {
    let mut scenario = Scenario::parse(text).unwrap_or_else(|faults| panic!("{faults}\n{text}"));
    let mut chosen = scenario.stages.swap_remove(stage);
    chosen.run.extend(more.iter().map(|&command| command.to_owned()));
    scenario.stages = vec![chosen];
    let procedure = play.run.clone();
    bench::play(&scenario, &[play], library(), Bounds::default()).unwrap_or_else(|error| panic!("{procedure}: {error}"))
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

/// The intervals of a few machines of a procedure's group hold the exact truth (see [`coverage::check`]).
#[track_caller]
fn holds(group: &str, machines: u64, share: f64, names: &[&str]) {
    coverage::check(group, 31, machines, share, names, library()).unwrap_or_else(|off| panic!("{off}"));
}
