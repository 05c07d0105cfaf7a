//! Captures under random faults of the link: each is bit-exact or an error, and all comes right after.

use clap::Parser;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::Write;
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use tapewright_tests::storm::{BENCH_CAPTURES, Tally, run_bench};

/// Takes captures from simulated scopes over faulty links, and compares each with what the scope took.
#[derive(Debug, Parser)]
struct Options {
    /// How many captures
    #[arg(long, default_value_t = 10_000)]
    captures: u64,
    /// Seed: the same one draws the same faults
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
    /// Only this bench
    #[arg(long)]
    only: Option<u64>,
    /// How many benches at once
    #[arg(long, default_value_t = 2)]
    threads: u64,
}

/// What is printed.
#[derive(Debug, Serialize)]
struct Printed {
    seed: u64,
    benches: u64,
    #[serde(flatten)]
    tally: Tally,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let tally = match options.only {
        Some(number) => run_bench(options.seed, number, BENCH_CAPTURES),
        None => storm(&options),
    };
    let good = tally.wrong == 0 && tally.unrecovered == 0;
    let benches = options.captures.div_ceil(BENCH_CAPTURES);
    let said = say(&Printed { seed: options.seed, benches, tally }, options.json);
    if good && said.is_ok() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// All benches, some at once; the sum does not depend on how many.
fn storm(options: &Options) -> Tally {
    let benches = options.captures.div_ceil(BENCH_CAPTURES);
    let next = AtomicU64::new(0);
    let work = || {
        let mut done = BTreeMap::new();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= benches {
                return done;
            }
            let captures = BENCH_CAPTURES.min(options.captures - number * BENCH_CAPTURES);
            done.insert(number, run_bench(options.seed, number, captures));
        }
    };
    let mut all = BTreeMap::new();
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..options.threads.max(1)).map(|_| scope.spawn(work)).collect();
        for thread in threads {
            match thread.join() {
                Ok(done) => all.extend(done),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
    });
    let mut sum = Tally::default();
    for (_, tally) in all {
        sum.add(tally);
    }
    sum
}

fn say(printed: &Printed, json: bool) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    if json {
        return writeln!(out, "{}", serde_json::to_string_pretty(printed)?);
    }
    let tally = &printed.tally;
    writeln!(out, "{} captures on {} benches, {} faults", tally.captures, printed.benches, tally.faults)?;
    writeln!(out, "exact        {}", tally.exact)?;
    for (reason, count) in &tally.refused {
        writeln!(out, "refused      {count} {reason}")?;
    }
    writeln!(out, "wrong        {}", tally.wrong)?;
    writeln!(out, "unrecovered  {}", tally.unrecovered)?;
    writeln!(out, "calm         {}, the longest took {} messages", tally.calm, tally.most_exchanges)?;
    for (word, count) in tally.links.iter().chain(&tally.dialects) {
        writeln!(out, "of these     {count} {word}")?;
    }
    for trouble in &tally.troubles {
        writeln!(out, "{trouble}")?;
    }
    Ok(())
}
