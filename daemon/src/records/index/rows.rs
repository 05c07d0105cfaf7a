//! What the index answers with, and what it can be asked for.

use crate::records::RecordsError;
use serde::{Deserialize, Serialize};
use tapewright_formats::{Finding, Outcome};

/// Where a run stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    /// Being written.
    Open,
    /// It came to its end.
    Closed,
    /// The program ended before it did.
    Interrupted,
    /// Its journal is damaged; what is listed is what is sound.
    Damaged,
}

impl RunState {
    pub(super) const ALL: [Self; 4] = [Self::Open, Self::Closed, Self::Interrupted, Self::Damaged];

    /// The spelling.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Closed => "closed",
            Self::Interrupted => "interrupted",
            Self::Damaged => "damaged",
        }
    }
}

/// Which runs are wanted. What is not given is not asked about.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunFilter {
    /// Shelf mark of the machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Name of the bench.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bench: Option<String>,
    /// Name of the job.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job: Option<String>,
    /// Verdict in one word.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<String>,
    /// A finding that the run has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finding: Option<String>,
    /// Not begun before this, in milliseconds since 1970.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since_ms: Option<i64>,
    /// How many at most, newest first; 100 if not given, 10,000 at most.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<u32>,
}

impl RunFilter {
    /// Checks the words: one that is misspelt fits no run, and must not read as if there were none.
    pub(in super::super) fn check(&self) -> Result<(), RecordsError> {
        let of = [("verdict", &self.verdict, Outcome::WORDS), ("finding", &self.finding, Finding::WORDS)];
        for (what, given, words) in of {
            if let Some(given) = given.as_ref().filter(|given| !words.contains(&given.as_str())) {
                return Err(RecordsError::NotKnown { what, given: given.clone(), known: words.join(", ") });
            }
        }
        Ok(())
    }
}

/// One run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunRow {
    /// Name.
    pub id: String,
    /// Job, if it belongs to one.
    pub job: Option<String>,
    /// Bench.
    pub bench: String,
    /// Shelf mark of the machine.
    pub machine: String,
    /// Format by name.
    pub format: String,
    /// Kind of tape.
    pub tape: String,
    /// Sequence.
    pub sequence: String,
    /// When it began, in milliseconds since 1970.
    pub started_ms: i64,
    /// When it ended, in milliseconds since 1970.
    pub closed_ms: Option<i64>,
    /// Where it stands.
    pub state: RunState,
    /// Verdict in one word.
    pub verdict: Option<String>,
    /// Conclusion; of an interrupted run, the reason.
    pub conclusion: Option<String>,
}

impl RunRow {
    /// Whether its journal is not there any more; its state is [`RunState::Damaged`] then.
    #[must_use]
    pub fn is_gone(&self) -> bool {
        self.state == RunState::Damaged && self.conclusion.as_deref() == Some(super::write::GONE)
    }
}

/// One procedure of a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProcedureRow {
    /// Place in the run, from 0.
    pub place: i64,
    /// Name.
    pub name: String,
    /// Version.
    pub version: String,
    /// SHA-256 of the component.
    pub component: String,
    /// When it began, in milliseconds since 1970.
    pub started_ms: i64,
    /// Verdict in one word; none if it had not ended.
    pub verdict: Option<String>,
}

/// One measured number, with the run that it is from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasurementRow {
    /// Run.
    pub run: String,
    /// When the run began, in milliseconds since 1970.
    pub started_ms: i64,
    /// Place of the procedure in the run.
    pub place: i64,
    /// E.g. `head-a.flatness`.
    pub name: String,
    /// UCUM code.
    pub unit: String,
    /// Value, in the unit.
    pub value: f64,
    /// Lower end of the coverage interval.
    pub low: f64,
    /// Upper end of the coverage interval.
    pub high: f64,
    /// Coverage probability of the interval.
    pub coverage: f64,
    /// Least good value.
    pub good_at_least: Option<f64>,
    /// Greatest good value.
    pub good_at_most: Option<f64>,
    /// Least value that is not rejected.
    pub reject_at_least: Option<f64>,
    /// Greatest value that is not rejected.
    pub reject_at_most: Option<f64>,
    /// Where the limits come from.
    pub source: Option<String>,
    /// Outcome; none if it was not judged.
    pub verdict: Option<String>,
}

/// One finding, with the run that it is from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingRow {
    /// Run.
    pub run: String,
    /// Place of the procedure in the run.
    pub place: i64,
    /// A word of the closed list.
    pub finding: String,
    /// What it was seen on.
    pub seen: String,
}
