//! How often the intervals of a few machines of a group hold the exact truth, for the tests of each procedure.

use crate::bench::play;
use crate::machines::Group;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::Arc;
use tapewright::library::Library;
use tapewright_formats::Outcome;
use tapewright_measure::statistics::share_interval;

/// Intervals that hold the truth, and all of them, of one quantity.
#[derive(Debug, Clone, Copy, Default)]
struct Count {
    held: u64,
    all: u64,
}

/// Draws machines of a group and runs them. Each of the quantities must have been measured on so large a share of the
/// machines, and its count of intervals that hold the truth must lie where all but a thousandth of binomial counts of
/// 95 % lie. A machine with a fault that leaves nothing to measure may give nothing; it must not pass.
///
/// # Errors
/// What is off, in words.
pub fn check(
    group: &str,
    seed: u64,
    machines: u64,
    share: f64,
    names: &[&str],
    library: &Arc<Library>,
) -> Result<(), String> {
    let drawn = Group::named(group).ok_or_else(|| format!("no group `{group}`"))?;
    let mut counts: BTreeMap<String, Count> = BTreeMap::new();
    let mut off = String::new();
    for number in 0..machines {
        let case = drawn.draw(seed, number);
        let fail = |error: &dyn std::fmt::Display| format!("machine {number}: {error}\n{}", case.scenario);
        let scenario = case.parsed().map_err(|error| fail(&error))?;
        let outcome = play(&scenario, &case.plays, library, case.bounds).map_err(|error| fail(&error))?;
        let faulty = !["healthy", "near a limit"].contains(&case.fault);
        if faulty && outcome.report.verdict == Some(Outcome::Pass) {
            let _ = writeln!(off, "machine {number} passes although: {}", case.fault);
        }
        for procedure in &outcome.report.procedures {
            for m in &procedure.measurements {
                let Some(truth) = outcome.truths.get(&format!("{}/{}", procedure.procedure, m.name)) else { continue };
                let count = counts.entry(m.name.clone()).or_default();
                let held = (m.low..=m.high).contains(truth);
                *count = Count { held: count.held + u64::from(held), all: count.all + 1 };
                if !held {
                    let (value, low, high) = (m.value, m.low, m.high);
                    let _ = writeln!(off, "machine {number}, {}: {value} ({low} to {high}), truth {truth}", m.name);
                }
            }
        }
    }
    for name in names {
        let Count { held, all } = counts.get(*name).copied().unwrap_or_default();
        let (_, high) = share_interval(held, all.max(1), 0.998).map_err(|error| error.to_string())?;
        if (all as f64) < share * machines as f64 || high < 0.95 {
            return Err(format!("`{name}`: {held} of {all} intervals hold the truth, {machines} machines\n{off}"));
        }
    }
    if off.contains("passes although") { Err(off) } else { Ok(()) }
}
