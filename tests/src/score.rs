//! Scoring: how true the stated intervals are, and how well the conclusion names the fault.

use crate::machines::Case;
use serde::Serialize;
use std::collections::BTreeMap;
use tapewright::report::run_report::{MeasurementReport, ProcedureReport, RunReport};
use tapewright_formats::Outcome;
use tapewright_host::Evaluation;
use tapewright_measure::statistics::share_interval;

/// One quantity of the table, measured one way.
#[derive(Debug, Clone, Default)]
pub struct Quantity {
    errors: Vec<f64>,
    uncertainties: Vec<f64>,
    covered: usize,
    far: usize,
    decided: usize,
    wrong_passes: Vec<(u64, u64)>,
    /// Intervals that reach down to nothing: bounds, which say `at most`.
    bounds: usize,
    misses: Vec<(u64, u64)>,
    /// Errors beyond three half widths.
    gross: usize,
    /// Shares of the variance by contribution, summed; each with whether it was evaluated by statistics.
    shares: BTreeMap<String, (f64, bool)>,
}

/// A row as it is printed.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// Scope, and quantity.
    pub quantity: String,
    /// Values with a truth.
    pub n: usize,
    /// Share whose interval holds the truth.
    pub covered: f64,
    /// Exact 95 % binomial interval of that share (Clopper and Pearson).
    pub covered_low: f64,
    /// Its upper end.
    pub covered_high: f64,
    /// Mean of value less truth.
    pub bias: f64,
    /// Median half width of the interval.
    pub median_uncertainty: f64,
    /// Values further than twice their uncertainty from every limit.
    pub far: usize,
    /// Share of those that were decided, pass or fail; none without any.
    pub decided: Option<f64>,
    /// Passed although the truth lies beyond reject.
    pub wrong_passes: usize,
    /// Errors beyond three half widths: no tail of any error, but something taken for another thing.
    pub gross: usize,
    /// What the coverage says, in a word.
    pub verdict: &'static str,
    /// What the uncertainty is mostly made of, where the coverage is not true: why not.
    pub reason: String,
    /// Seed and number of the machines whose interval misses the truth.
    pub missed: Vec<(u64, u64)>,
    /// Seed and number of the machines that passed although the truth lies beyond reject.
    pub passed_wrongly: Vec<(u64, u64)>,
}

impl Quantity {
    fn add(&mut self, case: &Case, m: &MeasurementReport, truth: f64) {
        let half = (m.high - m.low) / 2.0;
        self.bounds += usize::from(m.low <= 0.0 && m.value >= 0.0 && m.value <= half);
        self.errors.push(m.value - truth);
        self.uncertainties.push(half);
        let variance: f64 = m.contributions.iter().map(|c| c.standard_uncertainty.powi(2)).sum();
        for c in m.contributions.iter().filter(|_| variance > 0.0) {
            let share = self.shares.entry(c.name.clone()).or_default();
            share.0 += c.standard_uncertainty.powi(2) / variance;
            share.1 = c.evaluation == Evaluation::A;
        }
        // Rounding in the last digits is no miss.
        let slack = 1e-9 * truth.abs().max(half);
        if m.low - slack <= truth && truth <= m.high + slack {
            self.covered += 1;
        } else {
            self.misses.push((case.seed, case.number));
            self.gross += usize::from((m.value - truth).abs() > 3.0 * half);
        }
        let (Some(good), Some(reject)) = (&m.good, &m.reject) else { return };
        let ends = [good.at_least, good.at_most, reject.at_least, reject.at_most];
        let nearest = ends.iter().flatten().map(|end| (truth - end).abs()).fold(f64::INFINITY, f64::min);
        let between = reject.contains(truth) && !good.contains(truth);
        if nearest > 2.0 * half && !between {
            self.far += 1;
            self.decided += usize::from(matches!(m.outcome, Some(Outcome::Pass | Outcome::Fail)));
        }
        if m.outcome == Some(Outcome::Pass) && !reject.contains(truth) {
            self.wrong_passes.push((case.seed, case.number));
        }
    }

    /// What the errors are, and what the uncertainty is mostly made of, in words.
    fn mostly(&self) -> String {
        let n = self.errors.len().max(1) as f64;
        let mean = self.errors.iter().sum::<f64>() / n;
        let squares = self.errors.iter().map(|e| e * e).sum::<f64>() / n;
        let half: f64 = self.uncertainties.iter().sum::<f64>() / n;
        let spread = format!(
            "errors are {:.2} of the half width (0.51 if normal), {:.0} % of their square is bias",
            squares.sqrt() / half.max(f64::MIN_POSITIVE),
            100.0 * mean * mean / squares.max(f64::MIN_POSITIVE)
        );
        let greatest = self.shares.iter().max_by(|a, b| a.1.0.total_cmp(&b.1.0));
        greatest.map_or(spread.clone(), |(name, (sum, statistics))| {
            let kind = if *statistics { "A" } else { "B" };
            format!("{spread}; {:.0} % of the variance is type {kind}: {name}", 100.0 * sum / n)
        })
    }

    fn row(&self, name: &str) -> Row {
        let n = self.errors.len();
        let hits = (self.covered as u64, n as u64);
        let (low, high) = share_interval(hits.0, hits.1, 0.95).unwrap_or((0.0, 1.0));
        let covered = self.covered as f64 / n.max(1) as f64;
        // A bound for a value about nothing holds always: its coverage is that of one side alone.
        let exact = self.errors.iter().chain(&self.uncertainties).all(|v| *v == 0.0);
        let verdict = if exact {
            "exact"
        } else if 2 * self.bounds > n && covered >= 0.95 {
            "bound: mostly says `at most`"
        } else if covered > 0.995 && low > 0.95 {
            "too wide"
        } else if low <= 0.95 && 0.95 <= high {
            "true"
        } else if covered > 0.95 {
            "wide"
        } else {
            "too narrow"
        };
        let mut widths = self.uncertainties.clone();
        widths.sort_by(f64::total_cmp);
        Row {
            quantity: name.to_owned(),
            n,
            covered,
            covered_low: low,
            covered_high: high,
            bias: self.errors.iter().sum::<f64>() / n.max(1) as f64,
            median_uncertainty: widths.get(n / 2).copied().unwrap_or(0.0),
            far: self.far,
            decided: (self.far > 0).then(|| self.decided as f64 / self.far as f64),
            wrong_passes: self.wrong_passes.len(),
            gross: self.gross,
            verdict,
            reason: if ["true", "exact"].contains(&verdict) { String::new() } else { self.mostly() },
            missed: self.misses.clone(),
            passed_wrongly: self.wrong_passes.clone(),
        }
    }
}

/// Procedures whose quantities are read from an envelope.
const OF_ENVELOPES: [&str; 4] = ["envelope", "guide-adjust", "record-playback", "interchange"];

/// The way that an envelope was taken, as its own note tells; none: it took none.
fn way(report: &ProcedureReport) -> Option<&'static str> {
    if !OF_ENVELOPES.contains(&report.procedure.as_str()) {
        return None;
    }
    let note = report.notes.iter().find(|note| note.starts_with("Level by "))?;
    let words = [("sampled", "sampled fast"), ("pairs", "peak-detect"), ("RMS", "power of")];
    words.into_iter().find(|(_, said)| note.contains(said)).map(|(way, _)| way)
}

/// One line of tab-separated words a measurement that has a truth: what errors may depend on, and what was stated.
#[must_use]
pub fn lines(case: &Case, report: &RunReport, truths: &BTreeMap<String, f64>) -> String {
    use std::fmt::Write;
    let mut out = String::new();
    for procedure in &report.procedures {
        for m in &procedure.measurements {
            let key = format!("{}/{}", procedure.procedure, m.name);
            let Some(truth) = truths.get(&key) else { continue };
            let traits = case.traits.iter().map(|(name, of)| format!("{name}={of}")).collect::<Vec<_>>().join(" ");
            let parts: Vec<String> =
                m.contributions.iter().map(|c| format!("{}={:.4e}", c.name, c.standard_uncertainty)).collect();
            let (seed, number, way) = (case.seed, case.number, way(procedure).unwrap_or(case.scope));
            let numbers = format!("{:.7e}\t{:.7e}\t{:.7e}\t{truth:.7e}", m.value, m.low, m.high);
            let _ = writeln!(out, "{seed}\t{number}\t{traits}\t{way}\t{key}\t{numbers}\t{}", parts.join("; "));
        }
    }
    out
}

/// The whole table.
#[derive(Debug, Clone, Default)]
pub struct Table {
    quantities: BTreeMap<String, Quantity>,
    /// What was wrong, what was concluded: how often.
    confusion: BTreeMap<(String, String), usize>,
    right: BTreeMap<String, (usize, usize)>,
    /// Runs of later groups that passed although something was wrong.
    passed: usize,
}

/// The table as JSON.
#[derive(Debug, Clone, Serialize)]
pub struct Printed {
    /// Seeds of the machines.
    pub seeds: Vec<u64>,
    /// How many of each seed, by group.
    pub machines: Vec<(&'static str, u64)>,
    /// Quantities.
    pub quantities: Vec<Row>,
    /// Confusion matrix: fault, conclusion, count.
    pub confusion: Vec<(String, String, usize)>,
    /// Fault, rightly named, of how many.
    pub named: Vec<(String, usize, usize)>,
    /// Wrong passes of whole runs: a fault was set and the run passed.
    pub passed_with_a_fault: usize,
}

impl Table {
    /// Adds a machine.
    pub fn add(&mut self, case: &Case, report: &RunReport, truths: &BTreeMap<String, f64>) {
        for procedure in &report.procedures {
            for m in &procedure.measurements {
                let key = format!("{}/{}", procedure.procedure, m.name);
                if let Some(&truth) = truths.get(&key) {
                    let name = format!("{} {key}", way(procedure).unwrap_or(case.scope));
                    self.quantities.entry(name).or_default().add(case, m, truth);
                }
            }
        }
        if case.right.is_empty() && case.group != "first-look" {
            // What is concluded of a single procedure's machine is the fault matrix's matter; a pass is not.
            let faulty = !["healthy", "near a limit"].contains(&case.fault);
            self.passed += usize::from(faulty && report.verdict == Some(Outcome::Pass));
            return;
        }
        let named = report.faults.first().map_or_else(
            || report.verdict.map_or("no verdict".to_owned(), |v| format!("nothing named, {v}")),
            Clone::clone,
        );
        let right = if case.right.is_empty() { report.faults.is_empty() } else { case.right.contains(&named.as_str()) };
        *self.confusion.entry((case.fault.to_owned(), named)).or_default() += 1;
        // Machines near a limit have no fault to name: what is concluded of them depends on the side.
        if case.fault != "near a limit" {
            let count = self.right.entry(case.fault.to_owned()).or_default();
            count.0 += usize::from(right);
            count.1 += 1;
        }
    }

    /// The table, to be printed.
    #[must_use]
    pub fn printed(&self, seeds: &[u64], machines: &[(&'static str, u64)]) -> Printed {
        let passed = |(fault, named): &(String, String)| {
            fault != "healthy" && fault != "near a limit" && named == "nothing named, pass"
        };
        Printed {
            seeds: seeds.to_vec(),
            machines: machines.to_vec(),
            quantities: self.quantities.iter().map(|(name, q)| q.row(name)).collect(),
            confusion: self.confusion.iter().map(|((f, c), n)| (f.clone(), c.clone(), *n)).collect(),
            named: self.right.iter().map(|(f, (right, all))| (f.clone(), *right, *all)).collect(),
            passed_with_a_fault: self.passed
                + self.confusion.iter().filter(|(key, _)| passed(key)).map(|(_, n)| n).sum::<usize>(),
        }
    }
}

impl Printed {
    /// As text.
    #[must_use]
    pub fn text(&self) -> String {
        use std::fmt::Write;
        let seeds = self.seeds.iter().map(u64::to_string).collect::<Vec<_>>().join(", ");
        let machines: Vec<String> = self.machines.iter().map(|(group, n)| format!("{n} for {group}")).collect();
        let mut out = format!(
            "truth table of machines of each seed {seeds}: {}\n\
             envelopes by the way they were taken, the rest by the points of the scope's memory\n\n",
            machines.join(", ")
        );
        let _ = writeln!(
            out,
            "{:<52} {:>4} {:>8} {:>15} {:>11} {:>11} {:>5} {:>8} {:>6}  coverage",
            "quantity", "n", "covered", "95 % interval", "bias", "median U", "far", "decided", "wrong"
        );
        for row in &self.quantities {
            let decided = row.decided.map_or_else(|| "-".to_owned(), |d| format!("{d:.3}"));
            let _ = writeln!(
                out,
                "{:<52} {:>4} {:>8.3} {:>7.3} {:>7.3} {:>11.3e} {:>11.3e} {:>5} {:>8} {:>6}  {}{}{}{}",
                row.quantity,
                row.n,
                row.covered,
                row.covered_low,
                row.covered_high,
                row.bias,
                row.median_uncertainty,
                row.far,
                decided,
                row.wrong_passes,
                row.verdict,
                if row.gross > 0 {
                    format!("; gross errors, beyond three half widths: {}", row.gross)
                } else {
                    String::new()
                },
                if row.reason.is_empty() { "" } else { "; " },
                row.reason
            );
        }
        if self.confusion.is_empty() {
            let _ = writeln!(out, "\nruns that passed with a fault: {}", self.passed_with_a_fault);
            return out;
        }
        let _ = writeln!(out, "\nfault -> first conclusion");
        for (fault, named, count) in &self.confusion {
            let _ = writeln!(out, "{fault:<26} {named:<28} {count:>4}");
        }
        let _ = writeln!(out, "\nrightly named");
        for (fault, right, all) in &self.named {
            let _ = writeln!(out, "{fault:<26} {right:>4} of {all}");
        }
        let _ = writeln!(out, "\nruns that passed with a fault: {}", self.passed_with_a_fault);
        out
    }
}
