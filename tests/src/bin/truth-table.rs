//! Random machines against the exact truth: how true the stated intervals are, and what is concluded.

use clap::Parser;
use std::io::Write;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use tapewright::library::Library;
use tapewright_tests::bench::{Failed, Outcome, play};
use tapewright_tests::machines::{Case, GROUPS, Group};
use tapewright_tests::score::Table;
use tapewright_tests::segments::Segments;
use tapewright_tests::sittings::Sittings;

/// Compares stated intervals with the exact truth on random simulated machines.
#[derive(Debug, Parser)]
struct Options {
    /// How many machines of each group; of those that take long to simulate a stated share
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
    /// A file that holds what machines gave in earlier sittings, and is given the rest as they come: a table of many hours may be
    /// stopped, and goes on with the same command
    #[arg(long, value_name = "FILE")]
    sittings: Option<std::path::PathBuf>,
    /// Only machines of these groups, each named as what is run on it: a procedure, or the sequence `first-look`
    #[arg(long, value_name = "GROUP", value_delimiter = ',')]
    of: Vec<String>,
}

impl Options {
    fn groups(&self) -> Result<Vec<&'static Group>, Failed> {
        if self.of.is_empty() {
            return Ok(GROUPS.iter().collect());
        }
        let known = || GROUPS.iter().map(|group| group.name).collect::<Vec<_>>().join(", ");
        let find = |name: &String| {
            Group::named(name).ok_or_else(|| format!("no group is called `{name}`; there are: {}", known()).into())
        };
        self.of.iter().map(find).collect()
    }
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

fn table(options: &Options) -> Result<(), Failed> {
    let groups = options.groups()?;
    let library = Arc::new(Library::open(&[])?);
    let mut out = std::io::stdout().lock();
    if let Some(number) = options.only {
        let group = groups.first().ok_or("name a group")?;
        let case = group.draw(options.seed, number);
        writeln!(out, "# {} of {}: {}\n{}", case.number, case.group, case.fault, case.scenario)?;
        let outcome = play(&case.parsed()?, &case.plays, &library, case.bounds)?;
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
    let counts: Vec<(&'static str, u64)> = groups.iter().map(|g| (g.name, g.count(options.machines))).collect();
    // Machine by machine through all groups, so that how far it is tells how long it takes.
    let mut wanted: Vec<(u64, u64, usize)> = Vec::new();
    for (place, (_, count)) in counts.iter().enumerate() {
        wanted.extend(seeds.iter().flat_map(|seed| (0..*count).map(move |number| (number, *seed, place))));
    }
    wanted.sort_unstable();
    // Workers finish in any order: the table is filled in the order of the machines.
    let mut done: Vec<(usize, Case, Outcome)> = Vec::new();
    let mut sittings = options.sittings.as_deref().map(Sittings::open).transpose()?;
    if let Some(earlier) = &mut sittings {
        wanted.retain(|&(number, seed, place)| {
            let held = earlier.take(groups[place].name, seed, number);
            let open = held.is_none();
            done.extend(held.map(|outcome| (place, groups[place].draw(seed, number), outcome)));
            open
        });
    }
    let all = done.len() + wanted.len();
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    let next = Arc::new(AtomicUsize::new(0));
    let wanted = Arc::new(wanted);
    let (sender, results) = mpsc::channel::<(usize, Case, Result<Outcome, String>)>();
    for _ in 0..workers {
        let (next, sender, library) = (Arc::clone(&next), sender.clone(), Arc::clone(&library));
        let (groups, wanted) = (groups.clone(), Arc::clone(&wanted));
        std::thread::spawn(move || {
            while let Some(&(number, seed, place)) = wanted.get(next.fetch_add(1, Ordering::Relaxed)) {
                let case = groups[place].draw(seed, number);
                let done = case.parsed().map_err(|e| e.to_string());
                let done = done.and_then(|scenario| {
                    play(&scenario, &case.plays, &library, case.bounds).map_err(|e| tapewright::report::chain(&*e))
                });
                if sender.send((place, case, done)).is_err() {
                    return;
                }
            }
        });
    }
    drop(sender);
    for (place, case, result) in results {
        let outcome =
            result.map_err(|e| format!("machine {} of seed {} for {}: {e}", case.number, case.seed, case.group))?;
        if let Some(sittings) = &mut sittings {
            sittings.keep(&case, &outcome)?;
        }
        done.push((place, case, outcome));
        if done.len().is_multiple_of(20) || done.len() == all {
            let _ = writeln!(std::io::stderr(), "{} of {all} machines", done.len());
        }
    }
    done.sort_by_key(|(place, case, _)| (*place, case.seed, case.number));
    if let Some(split) = &options.segments {
        let mut errors = Segments::default();
        for (_, case, outcome) in &done {
            errors.add(case, split, &outcome.report, &outcome.truths);
        }
        write!(out, "{}", errors.text())?;
        return Ok(());
    }
    if let Some(path) = &options.errors {
        let mut lines = String::new();
        for (_, case, outcome) in &done {
            lines.push_str(&tapewright_tests::score::lines(case, &outcome.report, &outcome.truths));
        }
        std::fs::write(path, lines)?;
    }
    let mut table = Table::default();
    for (_, case, outcome) in &done {
        table.add(case, &outcome.report, &outcome.truths);
    }
    let printed = table.printed(&seeds, &counts);
    if options.json {
        writeln!(out, "{}", serde_json::to_string(&printed)?)?;
    } else {
        write!(out, "{}", printed.text())?;
    }
    Ok(())
}
