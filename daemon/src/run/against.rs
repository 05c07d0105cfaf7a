//! The earlier run that a run is held against: what it measured, from its journal.

use super::RunError;
use super::spec::SpecError;
use crate::records::{DataFolder, RunEvent, RunId};
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
                let of = |m: &crate::records::MeasurementRecord| EarlierMeasurement {
                    procedure: verdict.name.clone(),
                    name: m.name.clone(),
                    unit: m.unit.clone(),
                    value: m.value,
                    low: m.low,
                    high: m.high,
                    coverage: m.coverage,
                };
                earlier.measurements.extend(verdict.measurements.iter().map(of));
            }
            _ => {}
        }
    }
    if earlier.measurements.is_empty() {
        return Err(SpecError::NothingMeasured(run.to_owned()).into());
    }
    Ok(earlier)
}
