//! The trial of a dialect as a text that a shop can keep.

use core::fmt::Write as _;
use tapewright_instrument::scope::trial::{Trial, TrialOutcome, TrialRow};

/// The report: a line an operation, and beneath what differs what was sent, what came, and what to change.
#[must_use]
pub fn trial(trial: &Trial) -> String {
    let count = |outcome| trial.count(outcome);
    let mut text = format!(
        "dialect `{}` tried on `{}`\n{} ok, {} differ, {} not offered, {} not tried\n\n",
        trial.dialect,
        trial.instrument,
        count(TrialOutcome::Ok),
        count(TrialOutcome::Differs),
        count(TrialOutcome::NotOffered),
        count(TrialOutcome::NotTried),
    );
    for row in &trial.rows {
        let _written = write_row(&mut text, row);
    }
    text.push_str("\nNo row tries these keys of the file:\n");
    for untried in &trial.untried {
        let _written = writeln!(text, "{}\n            since   {}", untried.keys.join(", "), untried.why);
    }
    text
}

fn write_row(text: &mut String, row: &TrialRow) -> core::fmt::Result {
    let line = format!("{:<12}{:<28}{}", row.outcome, row.operation, row.expected);
    writeln!(text, "{}", line.trim_end())?;
    if row.outcome == TrialOutcome::Differs {
        for (name, list) in [("sent", &row.sent), ("came", &row.came)] {
            for (i, item) in list.iter().enumerate() {
                writeln!(text, "            {:<8}{item}", if i == 0 { name } else { "" })?;
            }
        }
    }
    if let Some(advice) = &row.advice {
        let name = match row.outcome {
            TrialOutcome::Differs => "change",
            TrialOutcome::Ok => "but",
            _ => "since",
        };
        writeln!(text, "            {name:<8}{advice}")?;
    }
    Ok(())
}
