//! The earlier run that a run is held against: what it measured, from its journal.

use super::RunError;
use super::spec::SpecError;
use crate::records::{DataFolder, MeasurementRecord, Reading, RecordsError, RunEvent, RunId};
use tapewright_formats::{Outcome, TapeKind, Unit};
use tapewright_host::{Earlier, EarlierMeasurement};

/// Reads an earlier run. Its chain must be unbroken: numbers that somebody may have changed compare with nothing. Its format
/// must be this run's: the same level, angle or time means another thing in another format. Its machine may be another.
pub(super) async fn earlier(data: &DataFolder, run: &str, format: &str) -> Result<Earlier, RunError> {
    let none = || SpecError::NoEarlierRun(run.to_owned());
    let id: RunId = run.parse().map_err(|_| none())?;
    let broken = |error: RecordsError| match error {
        RecordsError::Unknown { .. } => none().into(),
        RecordsError::Chain { .. } | RecordsError::BadFormat { .. } => {
            RunError::Spec(SpecError::BrokenEarlierRun { run: run.to_owned(), why: error.to_string() })
        }
        error => error.into(),
    };
    let reading = data.read_run(&id).await.and_then(Reading::sound).map_err(broken)?;
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
                if opened.format != format {
                    let (run, given, wanted) = (run.to_owned(), opened.format.clone(), format.to_owned());
                    return Err(SpecError::OtherFormat { run, given, wanted }.into());
                }
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
    use crate::records::RunOpened;
    use serde_json::json;

    /// A run of a format with one number, and its journal closed.
    async fn one_run(data: &DataFolder, format: &str) -> RunId {
        let opened = RunOpened {
            job: None,
            bench: "left".into(),
            machine: "VC-07".into(),
            format: format.into(),
            tape: TapeKind::Own,
            sequence: "interchange".into(),
            subject: json!({}),
            hookup: json!({}),
            instrument: json!({}),
            settings: json!({}),
        };
        let journal = data.start_run(opened).await.expect("it starts");
        let verdict = json!({
            "place": 0, "name": "interchange", "outcome": "pass", "findings": [], "unable": [],
            "measurements": [{
                "name": "balance", "unit": "dB", "value": 0.5, "low": 0.4, "high": 0.6, "coverage": 0.95,
                "limits": null, "outcome": null,
            }],
        });
        journal.verdict(serde_json::from_value(verdict).expect("a verdict")).await.expect("it is written");
        let closed = json!({ "outcome": "pass", "conclusion": "well" });
        journal.close(serde_json::from_value(closed).expect("an end")).await.expect("it closes");
        journal.run().clone()
    }

    #[test]
    fn a_run_of_another_format_and_one_that_is_not_there_are_refused() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(refusals());
    }

    async fn refusals() {
        let folder = tempfile::tempdir().expect("a folder");
        let clock = tapewright_clock::Clock::virtual_from(tapewright_clock::WallTime(0));
        let data = DataFolder::open(folder.path(), clock).await.expect("records");
        let run = one_run(&data, "vhs-525-sp").await;
        // On another machine and bench, but of the same format: that is what it is for.
        assert_eq!(earlier(&data, run.as_str(), "vhs-525-sp").await.expect("it reads").measurements.len(), 1);
        let other = earlier(&data, run.as_str(), "vhs-625-sp").await.expect_err("another format");
        assert!(matches!(&other, RunError::Spec(SpecError::OtherFormat { .. })), "{other}");
        for none in ["r1", "no run"] {
            let error = earlier(&data, none, "vhs-525-sp").await.expect_err("there is none");
            assert!(matches!(&error, RunError::Spec(SpecError::NoEarlierRun(_))), "{error}");
            assert!(error.to_string().contains("tapewright runs"), "{error}");
        }
        let path = data.journal_path(&run);
        let mut bent = std::fs::read(&path).expect("it reads");
        let place = bent.len() / 2;
        bent[place] ^= 1;
        std::fs::write(&path, bent).expect("it writes");
        let broken = earlier(&data, run.as_str(), "vhs-525-sp").await.expect_err("it is damaged");
        assert!(matches!(&broken, RunError::Spec(SpecError::BrokenEarlierRun { .. })), "{broken}");
    }

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
