//! A verdict as the journal keeps it: what the index needs by name, the whole beside it.

use super::json;
use crate::records::{FindingRecord, MeasurementRecord, ProcedureVerdict, UnableRecord};
use tapewright_host::Verdict;

pub(super) fn record_of(place: u32, name: &str, verdict: &Verdict) -> ProcedureVerdict {
    ProcedureVerdict {
        place,
        name: name.to_owned(),
        outcome: verdict.outcome,
        measurements: verdict
            .measurements
            .iter()
            .map(|m| MeasurementRecord {
                name: m.name.clone(),
                unit: m.unit.to_string(),
                value: m.value,
                low: m.interval.low,
                high: m.interval.high,
                coverage: m.interval.coverage,
                degrees_of_freedom: m.degrees_of_freedom,
                limits: m.limits.clone(),
                outcome: m.outcome,
            })
            .collect(),
        findings: verdict
            .findings
            .iter()
            .map(|f| FindingRecord { finding: f.finding.to_string(), seen: f.seen.clone() })
            .collect(),
        unable: verdict
            .unables
            .iter()
            .map(|u| UnableRecord { what: u.what.clone(), code: u.code, why: u.why.clone() })
            .collect(),
        rest: json(verdict),
    }
}
