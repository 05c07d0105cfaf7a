//! The earlier run that a run is held against: what it measured, from its journal.

use super::RunError;
use super::spec::SpecError;
use crate::records::{DataFolder, MeasurementRecord, RunEvent, RunId};
use tapewright_formats::{Outcome, TapeKind, Unit};
use tapewright_host::{Earlier, EarlierMeasurement};

/// Reads an earlier run. Its chain must be unbroken: numbers that somebody may have changed compare with nothing.
pub(super) async fn earlier(data: &DataFolder, run: &str) -> Result<Earlier, RunError> {
    let id: RunId = run.parse()?;
    let reading = data.read_run(&id).await?.sound()?;
    let mut earlier = Earlier {
        id: run.to_owned(),
        machine: String::new(),
        bench: String::new(),
        tape: String::new(),
        tape_name: String::new(),
        measurements: Vec::new(),
    };
    for event in reading.events() {
        match event {
            RunEvent::RunOpened(opened) => {
                earlier.machine.clone_from(&opened.machine);
                earlier.bench.clone_from(&opened.bench);
                earlier.tape = opened.tape.to_string();
                let label = opened.subject.get("tape_name").and_then(|label| label.as_str());
                label.unwrap_or_default().clone_into(&mut earlier.tape_name);
            }
            RunEvent::ProcedureVerdict(verdict) => {
                let of = |m: &MeasurementRecord| EarlierMeasurement {
                    procedure: verdict.name.clone(),
                    name: m.name.clone(),
                    unit: m.unit.clone(),
                    value: m.value,
                    low: m.low,
                    high: m.high,
                    coverage: m.coverage,
                };
                let handed = |m: &&MeasurementRecord| handed_over(&earlier.tape, verdict.outcome, &m.unit);
                earlier.measurements.extend(verdict.measurements.iter().filter(handed).map(of));
            }
            _ => {}
        }
    }
    if earlier.measurements.is_empty() {
        return Err(SpecError::NothingMeasured(run.to_owned()).into());
    }
    Ok(earlier)
}

/// Whether a number of an earlier run is handed over. A level in volts with an alignment tape is what others are held against: of a
/// procedure that failed, or that could not decide, it is no reference. Ratios tell of the path alone, and compare whatever the
/// outcome was.
fn handed_over(tape: &str, outcome: Outcome, unit: &str) -> bool {
    let decided = matches!(outcome, Outcome::Pass | Outcome::Marginal);
    tape != TapeKind::Alignment.as_str() || decided || unit != Unit::Volt.as_str()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_of_a_reference_run_that_failed_or_did_not_decide_is_no_reference() {
        let (alignment, own) = (TapeKind::Alignment.as_str(), TapeKind::Own.as_str());
        for outcome in [Outcome::Fail, Outcome::Inconclusive, Outcome::Unable] {
            assert!(!handed_over(alignment, outcome, "V"), "{outcome:?}");
            assert!(handed_over(alignment, outcome, "1") && handed_over(own, outcome, "V"), "{outcome:?}");
        }
        assert!(handed_over(alignment, Outcome::Pass, "V") && handed_over(alignment, Outcome::Marginal, "V"));
    }
}
