//! A run as text for a terminal: readable without colour, each number with its unit.

use super::drawing::{Curve, draw, number};
use super::run_report::{About, MeasurementReport, ProcedureReport, RunReport};
use std::fmt::Write;
use tapewright_formats::{Limit, Outcome, Unit};
use tapewright_host::Evaluation;

/// How a unit is printed after a number.
#[must_use]
pub fn unit_text(unit: Unit) -> &'static str {
    match unit {
        Unit::One => "",
        Unit::Line => "lines",
        Unit::Microsecond => "us",
        Unit::Degree => "degrees",
        Unit::ArcMinute => "minutes of arc",
        Unit::PerMinute => "a minute",
        other => other.as_str(),
    }
}

/// A verdict, so that it stands out in a line.
#[must_use]
pub fn verdict_word(outcome: Option<Outcome>) -> &'static str {
    match outcome {
        Some(Outcome::Pass) => "PASS",
        Some(Outcome::Fail) => "FAIL",
        Some(Outcome::Unable) => "UNABLE",
        Some(Outcome::Inconclusive) => "INCONCLUSIVE",
        Some(Outcome::Marginal) => "MARGINAL",
        None => "left out",
    }
}

/// The whole run.
#[must_use]
pub fn run(report: &RunReport) -> String {
    let mut out = report.about.as_ref().map_or_else(String::new, |about| head(&report.run, about));
    for p in &report.procedures {
        out.push_str(&procedure(p));
    }
    out.push_str(&conclusion(report));
    out
}

/// Which run it is: what is needed to find it, its bench and its papers again.
fn head(run: &str, about: &About) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{run}  {}  bench `{}`, {}", about.started, about.bench, about.format);
    let job = about.job.as_ref().map_or_else(|| "in no job".to_owned(), |job| format!("in job {job}"));
    wrap(&mut out, "  ", &format!("{job}; scope {} ({})", about.scope, about.dialect));
    out.push('\n');
    out
}

/// The conclusion of a run.
#[must_use]
pub fn conclusion(report: &RunReport) -> String {
    let mut out = String::new();
    let word = match (report.verdict, &report.interrupted) {
        (Some(verdict), _) => verdict_word(Some(verdict)),
        (None, Some(_)) => "INTERRUPTED",
        (None, None) => "RUNNING",
    };
    let _ = writeln!(out, "{word}  {} on {}, tape {}", report.sequence, report.machine, report.tape);
    if let Some(reason) = &report.interrupted {
        wrap(&mut out, "  ", &format!("There is no verdict: {reason}."));
    } else if report.verdict.is_none() {
        let bench = report.about.as_ref().map_or("BENCH", |about| about.bench.as_str());
        wrap(&mut out, "  ", &format!("There is no verdict yet: the run goes on. `tapewright stop {bench}` ends it."));
    }
    wrap(&mut out, "  ", &report.conclusion);
    if !report.next.is_empty() {
        wrap(&mut out, "  ", &format!("Next: {}", report.next));
    }
    // The conclusion names what most points to; what else fits or failed is not to be overlooked.
    if let Some((_, others)) = report.faults.split_first().filter(|(_, others)| !others.is_empty()) {
        wrap(&mut out, "  ", &format!("What was found also fits: {}.", others.join(", ")));
    }
    let failed = named(report, |p| p.verdict == Some(Outcome::Fail));
    if failed.len() > 1 {
        wrap(&mut out, "  ", &format!("Failed: {}.", failed.join(", ")));
    }
    let left_out = named(report, |p| p.left_out.is_some());
    if !left_out.is_empty() {
        wrap(&mut out, "  ", &format!("Not looked at: {}.", left_out.join(", ")));
    }
    out
}

/// Names of some procedures, each once.
fn named(report: &RunReport, which: fn(&ProcedureReport) -> bool) -> Vec<&str> {
    let mut names: Vec<&str> = report.procedures.iter().filter(|p| which(p)).map(|p| p.procedure.as_str()).collect();
    names.dedup();
    names
}

/// What makes up each uncertainty (JCGM 100): the standard uncertainty of each contribution, its share of the
/// variance, and whether statistics of repeated observations gave it (type A) or other knowledge (type B). The
/// largest comes first.
#[must_use]
pub fn why(report: &RunReport) -> String {
    let mut out = String::new();
    for p in &report.procedures {
        for m in p.measurements.iter().filter(|m| !m.contributions.is_empty()) {
            let unit = unit_text(m.unit);
            let width = m.high - m.low;
            let value = with_unit(&digits(m.value, width), unit);
            let interval = format!("{} to {}", digits(m.low, width), with_unit(&digits(m.high, width), unit));
            let free = m.degrees_of_freedom.map_or_else(|| "a great many".to_owned(), |dof| format!("{dof:.0}"));
            let _ = writeln!(out, "{} {}", p.procedure, m.name);
            let _ = writeln!(out, "    {value}, {:.0} %: {interval}; degrees of freedom: {free}", m.coverage * 100.0);
            let squares: f64 = m.contributions.iter().map(|c| c.standard_uncertainty.powi(2)).sum();
            let mut shares: Vec<_> = m.contributions.iter().collect();
            shares.sort_by(|a, b| b.standard_uncertainty.total_cmp(&a.standard_uncertainty));
            for share in shares {
                let kind = match share.evaluation {
                    Evaluation::A => "type A",
                    Evaluation::B => "type B",
                };
                let u = with_unit(&number(share.standard_uncertainty), unit);
                let part = if squares > 0.0 { 100.0 * share.standard_uncertainty.powi(2) / squares } else { 0.0 };
                let _ = writeln!(out, "    {u:>14}  {part:>3.0} %  {kind}  {}", share.name);
            }
        }
    }
    out
}

/// One procedure: verdict, measurements with interval, limits and their source, drawings, findings.
#[must_use]
pub fn procedure(report: &ProcedureReport) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{:<13} {}", verdict_word(report.verdict), report.procedure);
    if let Some(because) = &report.left_out {
        wrap(&mut out, "    ", because);
    }
    for measurement in &report.measurements {
        measured(&mut out, measurement);
    }
    for unable in &report.unable {
        wrap(&mut out, "    ", &format!("could not measure {}: {} ({})", unable.what, unable.why, unable.code));
    }
    for figure in &report.figures {
        let _ = writeln!(out, "    {}", figure.name);
        let curves: Vec<Curve<'_>> = figure.series.iter().map(|s| Curve { name: &s.name, values: &s.values }).collect();
        let ends = if figure.x_low == 0.0 && figure.x_high == 1.0 {
            ("entrance".to_owned(), "exit".to_owned())
        } else {
            (number(figure.x_low), number(figure.x_high))
        };
        for line in draw(&curves, unit_text(figure.unit), (&ends.0, &ends.1)).lines() {
            let _ = writeln!(out, "    {line}");
        }
    }
    for (finding, seen) in report.findings.iter().zip(&report.seen) {
        wrap(&mut out, "    ", &format!("found {finding}: {seen}"));
    }
    for advice in &report.advice {
        wrap(&mut out, "    ", &format!("advice: {advice}"));
    }
    for note in &report.notes {
        wrap(&mut out, "    ", &format!("note: {note}"));
    }
    out
}

fn measured(out: &mut String, m: &MeasurementReport) {
    let unit = unit_text(m.unit);
    let value = with_unit(&digits(m.value, m.high - m.low), unit);
    let interval = format!("{} to {}", digits(m.low, m.high - m.low), with_unit(&digits(m.high, m.high - m.low), unit));
    let _ = write!(out, "    {:<34} {value:>12}  ({:.0} %: {interval})", m.name, m.coverage * 100.0);
    match (m.outcome, &m.good, &m.reject) {
        (Some(outcome), Some(good), Some(reject)) => {
            let _ = writeln!(out, "  {outcome}");
            let source = m.source.as_deref().unwrap_or("no source given");
            let _ = writeln!(out, "        good {}, reject {}; {source}", range(good, unit), beyond(reject, unit));
        }
        _ => {
            let _ = writeln!(out);
        }
    }
}

fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.to_owned() } else { format!("{number} {unit}") }
}

/// A number to the second digit of the width of its interval, at most six decimals.
fn digits(value: f64, width: f64) -> String {
    let places = if width > 0.0 && width.is_finite() { (1.0 - width.log10().floor()).clamp(0.0, 6.0) } else { 3.0 };
    format!("{value:.*}", places as usize)
}

/// A limit without digits that say nothing: six significant ones at the most.
fn short(value: f64) -> String {
    let scale = 10_f64.powf(5.0 - value.abs().max(1e-12).log10().floor());
    ((value * scale).round() / scale).to_string()
}

/// A range that is inside, in words.
fn range(limit: &Limit, unit: &str) -> String {
    match (limit.at_least, limit.at_most) {
        (Some(low), Some(high)) => format!("{} to {}", short(low), with_unit(&short(high), unit)),
        (Some(low), None) => format!("at least {}", with_unit(&short(low), unit)),
        (None, Some(high)) => format!("at most {}", with_unit(&short(high), unit)),
        (None, None) => "any".to_owned(),
    }
}

/// What lies beyond a range, in words.
fn beyond(limit: &Limit, unit: &str) -> String {
    match (limit.at_least, limit.at_most) {
        (Some(low), Some(high)) => format!("outside {} to {}", short(low), with_unit(&short(high), unit)),
        (Some(low), None) => format!("under {}", with_unit(&short(low), unit)),
        (None, Some(high)) => format!("over {}", with_unit(&short(high), unit)),
        (None, None) => "never".to_owned(),
    }
}

/// Text wrapped to the width of a page, further lines indented by two more.
#[must_use]
pub fn wrapped(indent: &str, text: &str) -> String {
    let mut out = String::new();
    wrap(&mut out, indent, text);
    out.trim_end().to_owned()
}

/// A paragraph of a page, indented, with a mark in the margin; ends with a line end.
#[must_use]
pub fn page_paragraph(mark: Option<&str>, text: &str) -> String {
    let lead = text.len() - text.trim_start().len();
    let first = mark.map_or_else(|| format!("    {:lead$}", ""), |mark| format!("    {mark:<7} "));
    let further = " ".repeat(first.chars().count());
    let mut out = String::new();
    let mut line = first;
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > COLUMNS {
            let _ = writeln!(out, "{line}");
            line.clone_from(&further);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{}", line.trim_end());
    out
}

/// Columns of text before it is wrapped.
const COLUMNS: usize = 100;

fn wrap(out: &mut String, indent: &str, text: &str) {
    let mut line = indent.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > COLUMNS {
            let _ = writeln!(out, "{line}");
            line = format!("{indent}  ");
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    if !empty {
        let _ = writeln!(out, "{line}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::run_report::tape_text;
    use tapewright_formats::TapeKind;

    fn report() -> RunReport {
        serde_json::from_value(serde_json::json!({
            "run": "r20260101-090000-001", "sequence": "first-look", "machine": "VC-07",
            "tape": tape_text(TapeKind::Other, ""), "verdict": "pass", "conclusion": "Nothing wrong was found.", "next": "",
            "faults": [], "findings": [], "procedures": [],
            "about": {
                "started": "2026-01-01T09:00:00.000Z", "bench": "left", "format": "vhs-525-sp",
                "scope": "Simulated Instruments,SB-2,0,0.1.0", "dialect": "scpi-99", "job": "j20260101-085500-001",
            },
        }))
        .unwrap()
    }

    #[test]
    fn a_run_that_is_shown_says_which_it_is() {
        insta::assert_snapshot!(run(&report()));
    }

    #[test]
    fn what_has_no_verdict_says_whether_it_goes_on() {
        let running = RunReport { verdict: None, conclusion: String::new(), ..report() };
        let interrupted = Some("the program ended before the run did".to_owned());
        for (report, word, says) in [
            (
                running.clone(),
                "RUNNING  first-look on VC-07, tape other\n",
                "the run goes on. `tapewright stop left` ends it.",
            ),
            (RunReport { interrupted, ..running }, "INTERRUPTED  first-look", "no verdict: the program ended before"),
        ] {
            let said = conclusion(&report);
            assert!(said.starts_with(word) && said.contains(says), "{said}");
        }
    }
}
