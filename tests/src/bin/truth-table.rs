//! Random machines against the exact truth: how true the stated intervals are, and what is concluded.

use clap::Parser;
use std::io::Write;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc;
use tapewright::library::Library;
use tapewright_tests::bench::{Outcome, run_within};
use tapewright_tests::machines::{Case, draw};
use tapewright_tests::score::Table;
use tapewright_tests::segments::Segments;

/// Compares stated intervals with the exact truth on random simulated machines.
#[derive(Debug, Parser)]
struct Options {
    /// How many machines
    #[arg(long, default_value_t = 200)]
    machines: u64,
    /// Seed: the same one draws the same machines
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Several seeds in one table, so many machines of each
    #[arg(long, value_delimiter = ',', conflicts_with = "seed")]
    seeds: Vec<u64>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    /// Only this machine, with its scenario and its report
    #[arg(long)]
    only: Option<u64>,
    /// Instead of the table: errors of each segment of the curves, split by this trait of the machines (format,
    /// picture, colour, tape, front-end, scope, baud)
    #[arg(long, value_name = "TRAIT")]
    segments: Option<String>,
    /// Beside the table, one line a measurement to this file: seed, number, traits, way, quantity, value, low, high,
    /// truth, and the contributions to its uncertainty
    #[arg(long, value_name = "FILE")]
    errors: Option<std::path::PathBuf>,
    /// The sequence
    #[arg(long, default_value = "first-look")]
    sequence: String,
}

fn main() -> ExitCode {
    let options = Options::parse();
    match table(&options) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "error: {}", tapewright::report::chain(&*error));
            ExitCode::FAILURE
        }
    }
}

fn table(options: &Options) -> Result<(), tapewright_tests::bench::Failed> {
    let library = Arc::new(Library::open(&[])?);
    let mut out = std::io::stdout().lock();
    if let Some(number) = options.only {
        let case = draw(options.seed, number);
        writeln!(out, "# {}: {}\n{}", case.number, case.fault, case.scenario)?;
        let outcome = run_within(&case.parsed()?, &options.sequence, &library, case.bounds)?;
        write!(out, "{}", tapewright::report::text::run(&outcome.report))?;
        for (name, truth) in &outcome.truths {
            writeln!(out, "truth {name} = {truth}")?;
        }
        for text in &outcome.trouble {
            writeln!(out, "trouble: {text}")?;
        }
        writeln!(out, "took {:.1} virtual seconds", outcome.took_s)?;
        return Ok(());
    }
    let seeds = if options.seeds.is_empty() { vec![options.seed] } else { options.seeds.clone() };
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let next = Arc::new(AtomicU64::new(0));
    let (sender, results) = mpsc::channel::<(Case, Result<Outcome, String>)>();
    for _ in 0..workers {
        let (next, sender, library) = (Arc::clone(&next), sender.clone(), Arc::clone(&library));
        let (seeds, machines, sequence) = (seeds.clone(), options.machines, options.sequence.clone());
        std::thread::spawn(move || {
            loop {
                let place = next.fetch_add(1, Ordering::Relaxed);
                let Some(&seed) = seeds.get((place / machines.max(1)) as usize) else { return };
                let number = place % machines.max(1);
                let case = draw(seed, number);
                let done = case.parsed().map_err(|e| e.to_string());
                let done = done.and_then(|s| {
                    run_within(&s, &sequence, &library, case.bounds).map_err(|e| tapewright::report::chain(&*e))
                });
                if sender.send((case, done)).is_err() {
                    return;
                }
            }
        });
    }
    drop(sender);
    // Workers finish in any order: the table is filled in the order of the machines.
    let mut done: Vec<(Case, Outcome)> = Vec::new();
    for (case, result) in results {
        let outcome = result.map_err(|e| format!("machine {} of seed {}: {e}", case.number, case.seed))?;
        done.push((case, outcome));
        if done.len().is_multiple_of(20) {
            let _ = writeln!(std::io::stderr(), "{} of {} machines", done.len(), options.machines * seeds.len() as u64);
        }
    }
    done.sort_by_key(|(case, _)| (case.seed, case.number));
    if let Some(split) = &options.segments {
        let mut errors = Segments::default();
        for (case, outcome) in &done {
            errors.add(case, split, &outcome.report, &outcome.truths);
        }
        write!(out, "{}", errors.text())?;
        return Ok(());
    }
    if let Some(path) = &options.errors {
        let mut lines = String::new();
        for (case, outcome) in &done {
            lines.push_str(&tapewright_tests::score::lines(case, &outcome.report, &outcome.truths));
        }
        std::fs::write(path, lines)?;
    }
    let mut table = Table::default();
    for (case, outcome) in &done {
        table.add(case, &outcome.report, &outcome.truths);
    }
    let printed = table.printed(&seeds, options.machines);
    if options.json {
        writeln!(out, "{}", serde_json::to_string(&printed)?)?;
    } else {
        write!(out, "{}", printed.text())?;
    }
    Ok(())
}
