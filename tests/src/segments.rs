//! Where along the scan a curve is wrong, and whether its stated standard errors say so.
//!
//! What all segments share cancels in flatness: each curve is compared with its truth after both were
//! divided by their means.

use crate::machines::Case;
use crate::truth::segment;
use std::collections::BTreeMap;
use std::fmt::Write;
use tapewright::report::run_report::RunReport;
use tapewright_formats::definitions::SEGMENTS;

/// Errors of one segment over the curves of a group.
#[derive(Debug, Clone, Copy, Default)]
struct Errors {
    sum: f64,
    squares: f64,
    stated: f64,
    /// Squares of errors over stated errors.
    z: f64,
}

/// Errors of all segments, by group.
#[derive(Debug, Clone, Default)]
pub struct Segments {
    groups: BTreeMap<String, (usize, [Errors; SEGMENTS])>,
}

impl Segments {
    /// Adds a machine's curves to the group that `split`, a trait of the machine, puts it in.
    pub fn add(&mut self, case: &Case, split: &str, report: &RunReport, truths: &BTreeMap<String, f64>) {
        let group = case.traits.get(split).map_or("all", String::as_str);
        let group = format!("{} {group}", case.scope);
        let procedures = report.procedures.iter().filter(|p| !p.measurements.is_empty());
        let figures = procedures.flat_map(|p| p.figures.iter().map(|figure| (&p.procedure, figure)));
        for (procedure, series) in figures.flat_map(|(p, figure)| figure.series.iter().map(move |series| (p, series))) {
            let truth: Vec<f64> =
                (0..SEGMENTS).filter_map(|k| truths.get(&segment(procedure, &series.name, k)).copied()).collect();
            if truth.len() != SEGMENTS || series.values.len() != SEGMENTS || series.standard_errors.len() != SEGMENTS {
                continue;
            }
            let mean = |values: &[f64]| values.iter().sum::<f64>() / SEGMENTS as f64;
            let (seen, real) = (mean(&series.values), mean(&truth));
            if real.is_nan() || real <= 0.0 || seen <= 0.5 * real {
                continue;
            }
            let (count, errors) = self.groups.entry(group.clone()).or_default();
            *count += 1;
            for k in 0..SEGMENTS {
                let error = (series.values[k] / seen - truth[k] / real) / (truth[k] / real);
                let stated = series.standard_errors[k] / series.values[k].max(f64::MIN_POSITIVE);
                errors[k].sum += error;
                errors[k].squares += error * error;
                errors[k].stated += stated * stated;
                errors[k].z += (error / stated.max(f64::MIN_POSITIVE)).powi(2);
            }
        }
    }

    /// As text: in thousandths of the level the mean error, its root mean square, what was stated; and the root mean
    /// square of the error over what was stated, which is 1 where it is true.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        for (group, (count, errors)) in &self.groups {
            let n = *count as f64;
            let _ = writeln!(out, "{group}: {count} curves");
            let row = |name: &str, of: &dyn Fn(&Errors) -> f64| {
                errors.iter().fold(format!("  {name:<8}"), |row, e| format!("{row} {:>6.2}", of(e)))
            };
            let _ = writeln!(out, "{}", row("mean", &|e| 1e3 * e.sum / n));
            let _ = writeln!(out, "{}", row("rms", &|e| 1e3 * (e.squares / n).sqrt()));
            let _ = writeln!(out, "{}", row("stated", &|e| 1e3 * (e.stated / n).sqrt()));
            let _ = writeln!(out, "{}", row("ratio", &|e| (e.z / n).sqrt()));
        }
        out
    }
}
