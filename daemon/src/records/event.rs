//! What a run's journal can say: a closed list of events.
//!
//! Fields that the index needs are typed; what only the runner and the report understand travels as
//! JSON. A later minor version may add kinds and optional fields, and removes none.

use super::{ContentHash, JobId};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use tapewright_formats::{Limits, Outcome, TapeKind, UnableCode};

/// One event of a run. On disk `{"kind": "host-call", "payload": {...}}`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "payload", rename_all = "kebab-case")]
pub enum RunEvent {
    /// The first event: what was on the bench, and what is in force.
    RunOpened(RunOpened),
    /// A procedure begins.
    ProcedureStarted(ProcedureStarted),
    /// A procedure called the host and was answered.
    HostCall(HostCall),
    /// The operator was asked.
    Prompt(Prompt),
    /// The operator, or a script in the operator's place, answered.
    Answer(Answer),
    /// A caution was shown and acknowledged.
    CautionAcknowledged(CautionAcknowledged),
    /// A procedure ended, with its verdict.
    ProcedureVerdict(ProcedureVerdict),
    /// Something about the link: lost, found again, resynchronised.
    LinkEvent(LinkEvent),
    /// A remark of the runner, e.g. that a procedure was left out and why.
    Note(Note),
    /// The last event of a run that came to its end, also one that was cancelled.
    RunClosed(RunClosed),
    /// The last event of a run that was found without an end at the next start.
    RunInterrupted(RunInterrupted),
}

impl super::chain::Event for RunEvent {
    const FORMAT: &'static str = "tapewright-run";

    fn ends(&self) -> bool {
        matches!(self, Self::RunClosed(_) | Self::RunInterrupted(_))
    }
}

impl RunEvent {
    /// Whether the index keeps something of this event.
    pub(super) const fn indexed(&self) -> bool {
        matches!(
            self,
            Self::RunOpened(_)
                | Self::ProcedureStarted(_)
                | Self::ProcedureVerdict(_)
                | Self::RunClosed(_)
                | Self::RunInterrupted(_)
        )
    }
}

/// What was on the bench when a run began, and what is in force for it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunOpened {
    /// The job that the run belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job: Option<JobId>,
    /// Name of the bench.
    pub bench: String,
    /// Shelf mark of the machine under test.
    pub machine: String,
    /// Format by name, e.g. `vhs-525-sp`.
    pub format: String,
    /// Which tape is in.
    pub tape: TapeKind,
    /// Name of the sequence, or of the one procedure.
    pub sequence: String,
    /// The subject as procedures are told it.
    #[serde(default)]
    pub subject: Value,
    /// The hookup in force.
    #[serde(default)]
    pub hookup: Value,
    /// Identity of the instrument, and the dialect that it is spoken to in.
    #[serde(default)]
    pub instrument: Value,
    /// Limits, settings and budgets in force, with their sources.
    #[serde(default)]
    pub settings: Value,
}

/// A procedure begins.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProcedureStarted {
    /// Place in the run, from 0. Later events of this procedure carry it.
    pub place: u32,
    /// Name.
    pub name: String,
    /// Version, as the component says it.
    pub version: String,
    /// SHA-256 of the component's bytes.
    pub component: ContentHash,
    /// Parameters in force, with their sources.
    #[serde(default)]
    pub settings: Value,
}

/// One call of a procedure to the host, with its result: what a later run of the same component on
/// the same evidence is answered from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HostCall {
    /// Place of the procedure in the run.
    pub place: u32,
    /// Number of the call within the procedure, from 0.
    pub call: u64,
    /// Interface and function, e.g. `captures.acquire`.
    pub name: String,
    /// Arguments.
    pub args: Value,
    /// Result, without the codes of captures.
    pub result: Value,
    /// The captures that were handed over, in order, by content.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub captures: Vec<ContentHash>,
}

/// The operator was asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prompt {
    /// Which asking it is: unique in the run.
    pub id: String,
    /// What was asked.
    pub text: String,
    /// What the operator is to do.
    #[serde(default)]
    pub action: Value,
    /// Answers to choose from; empty: free text.
    #[serde(default)]
    pub choices: Vec<String>,
    /// How long an answer is waited for.
    pub deadline_s: f64,
}

/// The operator answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// The asking that is answered.
    pub prompt: String,
    /// The answer; none if the deadline passed without one.
    pub text: Option<String>,
    /// Who answered, e.g. `command line`, `scenario`.
    pub by: String,
}

/// A caution was shown and acknowledged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CautionAcknowledged {
    /// The caution's word.
    pub caution: String,
    /// Who acknowledged it.
    pub by: String,
}

/// The verdict of one procedure, as the host recomputed it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProcedureVerdict {
    /// Place of the procedure in the run.
    pub place: u32,
    /// Its name.
    pub name: String,
    /// The whole in one word.
    pub outcome: Outcome,
    /// What was measured.
    #[serde(default)]
    pub measurements: Vec<MeasurementRecord>,
    /// What was found.
    #[serde(default)]
    pub findings: Vec<FindingRecord>,
    /// What could not be measured.
    #[serde(default)]
    pub unable: Vec<UnableRecord>,
    /// The rest of the report: figures, advice, notes, contributions.
    #[serde(default)]
    pub rest: Value,
}

/// One measured number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasurementRecord {
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
    /// None: a great many.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// None: for information, not judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limits: Option<Limits>,
    /// The outcome by interval and limits; none if it was not judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome: Option<Outcome>,
}

/// A fact about the machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingRecord {
    /// A word of the closed list, e.g. `control-track.absent`.
    pub finding: String,
    /// What it was seen on.
    pub seen: String,
}

/// Something that could not be measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnableRecord {
    /// What.
    pub what: String,
    /// Code.
    pub code: UnableCode,
    /// Why, in words.
    pub why: String,
}

/// Something about the link.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinkEvent {
    /// Address of the link.
    pub address: String,
    /// What happened, in one word, e.g. `lost`, `resynchronised`.
    pub what: String,
    /// The same in words, with what was tried.
    pub text: String,
}

/// A remark of the runner.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// The remark.
    pub text: String,
}

/// The end of a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunClosed {
    /// The whole in one word.
    pub outcome: Outcome,
    /// What is missing, in words. (Format 1.0 held the whole conclusion here as JSON.)
    pub conclusion: String,
    /// The next thing to check, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub next: String,
    /// Names of the faults that fit, the most telling first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<String>,
    /// The findings of the whole.
    #[serde(default)]
    pub findings: Vec<FindingRecord>,
    /// The tool itself failed on the way, and the run did not come to its end for that.
    #[serde(default, skip_serializing_if = "core::ops::Not::not")]
    pub tool_failed: bool,
}

/// The end of a run that had none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunInterrupted {
    /// What is known of the reason.
    pub reason: String,
    /// Bytes of a last line that was cut in the writing, and taken off. It had not been shown.
    pub torn_bytes: u64,
}
