//! The fault matrix: what the tool says first of machines with one fault each, and of their look-alikes.

use clap::Parser;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use tapewright::library::Library;
use tapewright::report::run_report::RunReport;
use tapewright_tests::bench::{Failed, run};
use tapewright_tests::faults::{self, Fault, Row, said, text, worse};

/// Runs a sequence on machines with one fault each, and holds what is concluded against the fault
#[derive(Debug, Parser)]
struct Options {
    /// Machines of each fault
    #[arg(long, default_value_t = 3)]
    machines: u64,
    /// Seed: the same one draws the same machines
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// One JSON array instead of text
    #[arg(long)]
    json: bool,
    /// Fail where a fault passes or is taken for its look-alike, or is not named that this kept table names on each machine
    #[arg(long)]
    kept: Option<PathBuf>,
    /// Only faults whose name contains this
    #[arg(long)]
    only: Option<String>,
    /// Show this machine of the only fault, with its scenario and its report
    #[arg(long, requires = "only")]
    show: Option<u64>,
}

fn main() -> ExitCode {
    match matrix(&Options::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "error: {}", tapewright::report::chain(&*error));
            ExitCode::FAILURE
        }
    }
}

/// Faults that are asked for.
fn asked(options: &Options) -> Vec<&'static Fault> {
    let wanted = |fault: &Fault| options.only.as_ref().is_none_or(|text| fault.name.contains(text.as_str()));
    faults::all().filter(|fault| wanted(fault)).collect()
}

fn matrix(options: &Options) -> Result<(), Failed> {
    let library = Arc::new(Library::open(&[])?);
    let faults = asked(options);
    let mut out = std::io::stdout().lock();
    if let Some(machine) = options.show {
        let [fault] = faults.as_slice() else {
            return Err(format!("{} faults have that in their name: give more of it", faults.len()).into());
        };
        writeln!(out, "{}", fault.scenario(options.seed, machine))?;
        let outcome = run(&fault.parsed(options.seed, machine)?, &fault.sequence(), &library)?;
        write!(out, "{}", tapewright::report::text::run(&outcome.report))?;
        for text in &outcome.trouble {
            writeln!(out, "trouble: {text}")?;
        }
        writeln!(out, "said: {}", said(&outcome.report))?;
        return Ok(());
    }
    let jobs: Vec<(&'static Fault, u64)> =
        faults.iter().flat_map(|fault| (0..options.machines).map(move |machine| (*fault, machine))).collect();
    let reports = all(&jobs, options.seed, &library)?;
    let mut rows: Vec<Row> = Vec::new();
    for ((fault, machine), report) in jobs.iter().zip(&reports) {
        if *machine == 0 {
            rows.push(Row::new(fault));
        }
        if let Some(row) = rows.last_mut() {
            row.add(fault, report);
        }
    }
    if options.json {
        writeln!(out, "{}", serde_json::to_string(&rows)?)?;
    } else {
        write!(out, "{}", text(&rows, options.seed))?;
    }
    let Some(path) = &options.kept else { return Ok(()) };
    let kept = std::fs::read_to_string(path).map_err(|e| format!("reading the kept table {}: {e}", path.display()))?;
    let worse = worse(&rows, &kept);
    if worse.is_empty() { Ok(()) } else { Err(format!("worse than the kept table:\n{}", worse.join("\n")).into()) }
}

/// Runs all of them on every core; the reports come in the order of the jobs.
fn all(jobs: &[(&'static Fault, u64)], seed: u64, library: &Arc<Library>) -> Result<Vec<RunReport>, Failed> {
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let next = AtomicUsize::new(0);
    let (sender, results) = mpsc::channel::<(usize, Result<RunReport, String>)>();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (next, sender) = (&next, sender.clone());
            scope.spawn(move || {
                while let Some((job, (fault, machine))) = {
                    let job = next.fetch_add(1, Ordering::Relaxed);
                    jobs.get(job).map(|it| (job, *it))
                } {
                    let done = fault.parsed(seed, machine).map_err(|e| e.to_string());
                    let done = done.and_then(|scenario| {
                        let outcome = run(&scenario, &fault.sequence(), library);
                        outcome.map(|o| o.report).map_err(|e| tapewright::report::chain(&*e))
                    });
                    let done = done.map_err(|e| format!("machine {machine} with `{}`: {e}", fault.name));
                    if sender.send((job, done)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        let mut reports: Vec<(usize, RunReport)> = Vec::with_capacity(jobs.len());
        for (job, report) in results {
            reports.push((job, report?));
            if reports.len().is_multiple_of(20) {
                let _ = writeln!(std::io::stderr(), "{} of {} machines", reports.len(), jobs.len());
            }
        }
        reports.sort_by_key(|(job, _)| *job);
        Ok(reports.into_iter().map(|(_, report)| report).collect())
    })
}
