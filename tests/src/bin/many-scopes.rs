//! Many scopes on one daemon, over TCP, in real time: captures a second, memory, and whether each bench gets its share.
//!
//! Each bench is opened as the daemon opens it, with the one data folder and the one library, and takes captures by
//! its own scope's task, one after the other. The simulated scopes run in the same process, on the same threads.

use clap::Parser;
use core::time::Duration;
use serde::Serialize;
use sim_instrument::SimBench;
use sim_instrument::serve::{TcpServer, serve_tcp};
use std::io::Write;
use std::process::ExitCode;
use std::sync::Arc;
use tapewright::bench::{Bench, Parts};
use tapewright::library::Library;
use tapewright::records::DataFolder;
use tapewright_clock::{Clock, Instant};
use tapewright_formats::Signal;
use tapewright_instrument::{Address, CaptureRequest, link};
use tapewright_tests::storm::mix::DIALECTS;
use tapewright_tests::storm::pieces;

/// Takes captures from 1, 2, 4 and so on simulated scopes at once.
#[derive(Debug, Parser)]
struct Options {
    /// Seconds for each number of scopes
    #[arg(long, default_value_t = 5.0)]
    seconds: f64,
    /// Threads for daemon and simulators together
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// Greatest number of scopes
    #[arg(long, default_value_t = 64)]
    most: usize,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// What so many scopes gave.
#[derive(Debug, Serialize)]
struct Row {
    scopes: usize,
    captures: u64,
    captures_a_second: f64,
    /// Least and greatest number of captures of one bench.
    least: u64,
    most: u64,
    /// The least bench over the mean of all.
    fairness: f64,
    /// The same among benches of one dialect, the worst of them: dialects differ in messages to a capture.
    fairness_of_alike: f64,
    /// Resident memory of the process when each bench had taken one capture, and at the end.
    memory_mib_at_start: f64,
    memory_mib_at_end: f64,
}

#[derive(Debug, Serialize)]
struct Printed {
    threads: usize,
    seconds: f64,
    rows: Vec<Row>,
}

type Failed = Box<dyn std::error::Error + Send + Sync>;

fn main() -> ExitCode {
    let options = Options::parse();
    match measured(&options) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            drop(writeln!(std::io::stderr(), "error: {}", tapewright::report::chain(&*error)));
            ExitCode::FAILURE
        }
    }
}

fn measured(options: &Options) -> Result<(), Failed> {
    let mut out = std::io::stdout().lock();
    if !options.json {
        writeln!(out, "scopes  captures  a second  least  most  fairness  of alike  MiB at start  at end")?;
    }
    let mut rows = Vec::new();
    let numbers =
        core::iter::successors(Some(1), |scopes| Some(scopes * 2)).take_while(|scopes| *scopes <= options.most);
    for scopes in numbers {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(options.threads.max(1)).enable_all().build()?;
        let row = runtime.block_on(together(scopes, options.seconds))?;
        if !options.json {
            writeln!(
                out,
                "{scopes:>6}  {:>8}  {:>8.1}  {:>5}  {:>4}  {:>8.3}  {:>8.3}  {:>12.1}  {:>6.1}",
                row.captures,
                row.captures_a_second,
                row.least,
                row.most,
                row.fairness,
                row.fairness_of_alike,
                row.memory_mib_at_start,
                row.memory_mib_at_end
            )?;
            out.flush()?;
        }
        rows.push(row);
    }
    if options.json {
        let printed = Printed { threads: options.threads, seconds: options.seconds, rows };
        writeln!(out, "{}", serde_json::to_string_pretty(&printed)?)?;
    }
    Ok(())
}

/// The least over the mean.
fn fairness(counts: &[u64]) -> f64 {
    let mean = counts.iter().sum::<u64>() as f64 / counts.len().max(1) as f64;
    let least = counts.iter().min().copied().unwrap_or_default() as f64;
    if mean > 0.0 { least / mean } else { 0.0 }
}

/// The least fairness among benches of one dialect.
fn of_alike(counts: &[u64]) -> f64 {
    let alike = |first| counts.iter().skip(first).step_by(DIALECTS.len()).copied().collect::<Vec<_>>();
    (0..DIALECTS.len().min(counts.len())).map(|first| fairness(&alike(first))).fold(1.0, f64::min)
}

/// Resident memory of this process, as the system's `/proc/self/status` has it; 0 where there is none.
fn memory_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    line.and_then(|line| line.trim().split(' ').next()?.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

/// A bench with its simulated scope, which lives as long as it.
struct Simulated {
    bench: Bench,
    _scope: (SimBench, TcpServer),
}

async fn opened(number: usize, clock: &Clock, data: &DataFolder, library: &Arc<Library>) -> Result<Simulated, Failed> {
    let (name, front_end) = DIALECTS[number % DIALECTS.len()];
    let (sim, dialect, hookup) = pieces(name, front_end, number as u64, false, None);
    let server = serve_tcp(sim.scope_port(), "127.0.0.1:0".parse()?, clock.clone()).await?;
    let address: Address = format!("tcp://{}", server.address()).parse()?;
    let parts = Parts {
        name: format!("bench-{number}"),
        scope: link::connect(&address, clock).await?,
        dialect,
        read_twice: false,
        relays: None,
        settle: Duration::ZERO,
        hands_clear: Duration::ZERO,
        hookup,
    };
    let bench = Bench::open(parts, clock.clone(), data.clone(), Arc::clone(library)).await?;
    Ok(Simulated { bench, _scope: (sim, server) })
}

/// Takes captures until a moment; how many.
async fn captures(bench: &Bench, until: Instant) -> Result<u64, Failed> {
    let clock = bench.shared().clock.clone();
    let request =
        CaptureRequest { least_points: 2_500, ..CaptureRequest::free([Signal::Rf, Signal::ControlTrack], 1e-3) };
    let mut count = 0;
    loop {
        count += bench.shared().scope.acquire(request.clone()).await?.len() as u64;
        if clock.now() >= until {
            return Ok(count);
        }
    }
}

/// Captures of so many benches at once, for so many seconds.
async fn together(scopes: usize, seconds: f64) -> Result<Row, Failed> {
    let clock = Clock::real();
    let folder = tempfile::tempdir()?;
    let data = DataFolder::open(&folder.path().join("data"), clock.clone()).await?;
    let library = Arc::new(Library::open(&[])?);
    let mut benches = Vec::new();
    for number in 0..scopes {
        let simulated = opened(number, &clock, &data, &library).await?;
        // The first one sets the scope up.
        captures(&simulated.bench, clock.now()).await?;
        benches.push(Arc::new(simulated));
    }
    let memory_mib_at_start = memory_mib();
    let until = clock.now() + Duration::from_secs_f64(seconds);
    let tasks: Vec<_> = benches
        .iter()
        .map(|simulated| {
            let simulated = Arc::clone(simulated);
            tokio::spawn(async move { captures(&simulated.bench, until).await })
        })
        .collect();
    let mut counts = Vec::new();
    for task in tasks {
        counts.push(task.await??);
    }
    let memory_mib_at_end = memory_mib();
    // Not closed: that would wait for an operator to press stop on a machine that there is none of.
    drop(benches);
    let sum: u64 = counts.iter().sum();
    Ok(Row {
        scopes,
        captures: sum,
        captures_a_second: sum as f64 / seconds,
        least: counts.iter().min().copied().unwrap_or_default(),
        most: counts.iter().max().copied().unwrap_or_default(),
        fairness: fairness(&counts),
        fairness_of_alike: of_alike(&counts),
        memory_mib_at_start,
        memory_mib_at_end,
    })
}
