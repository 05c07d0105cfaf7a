//! A run as others read it: the JSON of `demo`, `show` and the HTTP interface.

use crate::records::{Reading, RunEvent, RunOpened, rfc3339};
use crate::triage::Conclusion;
use serde::{Deserialize, Serialize};
use tapewright_clock::WallTime;
use tapewright_formats::{Finding, Limit, Outcome, TapeKind, UnableCode, Unit};
use tapewright_host::{Contribution, Evaluation, Figure, Measurement, Verdict};

/// One run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunReport {
    /// Its name.
    pub run: String,
    /// What was run.
    pub sequence: String,
    /// The machine's shelf mark.
    pub machine: String,
    /// The tape: kind and label.
    pub tape: String,
    /// When, where and with what it was run, as its journal has it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub about: Option<About>,
    /// The verdict of the whole; none while it runs, and of one that was interrupted.
    pub verdict: Option<Outcome>,
    /// The tool failed on the way: what there is of a verdict says little of the machine.
    #[serde(skip_serializing_if = "core::ops::Not::not", default)]
    pub tool_failed: bool,
    /// Why there is no verdict.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub interrupted: Option<String>,
    /// That the machine may still have run at the end, and what to do.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub alarm: Option<String>,
    /// What is missing, in words.
    pub conclusion: String,
    /// The next thing to check.
    pub next: String,
    /// Names of the faults that fit, the most telling first.
    pub faults: Vec<String>,
    /// Findings of the whole.
    pub findings: Vec<Finding>,
    /// Its procedures, in order.
    pub procedures: Vec<ProcedureReport>,
}

/// When, where and with what a run was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// When it began, as RFC 3339 writes it, in UTC.
    pub started: String,
    /// The bench.
    pub bench: String,
    /// The machine's format, by name.
    pub format: String,
    /// Who the scope said it is.
    pub scope: String,
    /// The dialect that it was spoken to in.
    pub dialect: String,
    /// The job.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub job: Option<String>,
}

impl About {
    pub(crate) fn of(opened: &RunOpened, started: WallTime) -> Self {
        let of_instrument = |key| opened.instrument.get(key).and_then(|v| v.as_str()).unwrap_or_default().to_owned();
        Self {
            started: rfc3339(started),
            bench: opened.bench.clone(),
            format: opened.format.clone(),
            scope: of_instrument("identity"),
            dialect: of_instrument("dialect"),
            job: opened.job.as_ref().map(ToString::to_string),
        }
    }
}

/// A tape in a line: its kind, and its label where it has one.
pub(crate) fn tape_text(kind: TapeKind, label: &str) -> String {
    if label.trim().is_empty() { kind.to_string() } else { format!("{kind} `{label}`") }
}

/// One procedure of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ProcedureReport {
    /// Its name.
    pub procedure: String,
    /// Its verdict; none if it was left out.
    pub verdict: Option<Outcome>,
    /// Why it was left out.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub left_out: Option<String>,
    /// What it found.
    pub findings: Vec<Finding>,
    /// What each finding was seen on.
    pub seen: Vec<String>,
    /// What it measured.
    pub measurements: Vec<MeasurementReport>,
    /// What it could not measure.
    pub unable: Vec<UnableReport>,
    /// What to do next.
    pub advice: Vec<String>,
    /// Remarks.
    pub notes: Vec<String>,
    /// Curves.
    pub figures: Vec<Figure>,
}

/// One measured number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasurementReport {
    /// E.g. `head-a.flatness`.
    pub name: String,
    /// Value, in the unit.
    pub value: f64,
    /// UCUM code.
    pub unit: Unit,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Coverage probability of the interval.
    pub coverage: f64,
    /// None: a great many.
    pub degrees_of_freedom: Option<f64>,
    /// Good range; none: not judged.
    pub good: Option<Limit>,
    /// Reject range; none: not judged.
    pub reject: Option<Limit>,
    /// Where the limits come from.
    pub source: Option<String>,
    /// The outcome; none: not judged.
    pub outcome: Option<Outcome>,
    /// What makes up the uncertainty.
    pub contributions: Vec<ContributionReport>,
}

/// One share of an uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ContributionReport {
    /// What it comes from.
    pub name: String,
    /// `a` or `b` (JCGM 100).
    pub evaluation: Evaluation,
    /// Standard uncertainty, in the measurement's unit.
    pub standard_uncertainty: f64,
}

/// Something that could not be measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UnableReport {
    /// What.
    pub what: String,
    /// Code.
    pub code: UnableCode,
    /// Why, and what to do.
    pub why: String,
}

impl From<Measurement> for MeasurementReport {
    fn from(from: Measurement) -> Self {
        let (good, reject, source) = match from.limits {
            Some(limits) => (Some(limits.good), Some(limits.reject), Some(limits.source)),
            None => (None, None, None),
        };
        Self {
            name: from.name,
            value: from.value,
            unit: from.unit,
            low: from.interval.low,
            high: from.interval.high,
            coverage: from.interval.coverage,
            degrees_of_freedom: from.degrees_of_freedom,
            good,
            reject,
            source,
            outcome: from.outcome,
            contributions: from.contributions.into_iter().map(contribution).collect(),
        }
    }
}

fn contribution(from: Contribution) -> ContributionReport {
    let Contribution { name, evaluation, standard_uncertainty, .. } = from;
    ContributionReport { name, evaluation, standard_uncertainty }
}

impl ProcedureReport {
    /// Of a verdict.
    #[must_use]
    pub fn of(procedure: &str, verdict: Verdict) -> Self {
        Self {
            procedure: procedure.to_owned(),
            verdict: Some(verdict.outcome),
            left_out: None,
            findings: verdict.findings.iter().map(|f| f.finding).collect(),
            seen: verdict.findings.into_iter().map(|f| f.seen).collect(),
            measurements: verdict.measurements.into_iter().map(Into::into).collect(),
            unable: verdict
                .unables
                .into_iter()
                .map(|u| UnableReport { what: u.what, code: u.code, why: u.why })
                .collect(),
            advice: verdict.advice,
            notes: verdict.notes,
            figures: verdict.figures,
        }
    }

    /// Of a step that was left out.
    #[must_use]
    pub fn left_out(procedure: &str, because: String) -> Self {
        Self {
            procedure: procedure.to_owned(),
            verdict: None,
            left_out: Some(because),
            findings: Vec::new(),
            seen: Vec::new(),
            measurements: Vec::new(),
            unable: Vec::new(),
            advice: Vec::new(),
            notes: Vec::new(),
            figures: Vec::new(),
        }
    }
}

/// What a step that was left out says in the journal, before the reason.
pub(crate) const LEFT_OUT: &str = "left out: ";

/// What the journal's note of a machine that may still run begins with.
pub(crate) const ALARM: &str = "ALARM: ";

impl RunReport {
    /// From a run's journal: what was shown, as it was written.
    ///
    /// # Errors
    /// If a verdict in the journal is not one that this version knows; says which.
    pub fn from_journal(run: &str, reading: &Reading<RunEvent>) -> Result<Self, serde_json::Error> {
        let mut report = Self {
            run: run.to_owned(),
            sequence: String::new(),
            machine: String::new(),
            tape: String::new(),
            about: None,
            verdict: None,
            tool_failed: false,
            interrupted: None,
            alarm: None,
            conclusion: String::new(),
            next: String::new(),
            faults: Vec::new(),
            findings: Vec::new(),
            procedures: Vec::new(),
        };
        for (wall, event) in reading.lines.iter().filter_map(|line| Some((line.wall, line.event.as_ref()?))) {
            match event {
                RunEvent::RunOpened(opened) => {
                    report.sequence.clone_from(&opened.sequence);
                    report.machine.clone_from(&opened.machine);
                    let label = opened.subject.get("tape_name").and_then(|v| v.as_str()).unwrap_or_default();
                    report.tape = tape_text(opened.tape, label);
                    report.about = Some(About::of(opened, wall));
                }
                RunEvent::ProcedureVerdict(verdict) => {
                    let full: Verdict = serde_json::from_value(verdict.rest.clone())?;
                    report.procedures.push(ProcedureReport::of(&verdict.name, full));
                }
                RunEvent::Note(note) if note.text.starts_with(ALARM) => report.alarm = Some(note.text.clone()),
                RunEvent::Note(note) => {
                    if let Some((procedure, because)) =
                        note.text.strip_prefix(LEFT_OUT).and_then(|text| text.split_once(": "))
                    {
                        report.procedures.push(ProcedureReport::left_out(procedure, because.to_owned()));
                    }
                }
                RunEvent::RunClosed(closed) => {
                    report.verdict = Some(closed.outcome);
                    report.tool_failed = closed.tool_failed;
                    // Format 1.0 held the whole of it as JSON in the one text.
                    let old = serde_json::from_str::<Conclusion>(&closed.conclusion);
                    report.conclude(old.unwrap_or_else(|_| Conclusion {
                        faults: closed.faults.clone(),
                        text: closed.conclusion.clone(),
                        next: closed.next.clone(),
                    }));
                }
                RunEvent::RunInterrupted(interrupted) => report.interrupted = Some(interrupted.reason.clone()),
                _ => {}
            }
        }
        report.gather_findings();
        Ok(report)
    }

    /// Takes the conclusion over.
    pub fn conclude(&mut self, conclusion: Conclusion) {
        self.conclusion = conclusion.text;
        self.next = conclusion.next;
        self.faults = conclusion.faults;
    }

    /// Gathers the findings of the procedures, each once, in the order they came.
    pub fn gather_findings(&mut self) {
        self.findings.clear();
        for finding in self.procedures.iter().flat_map(|p| &p.findings) {
            if !self.findings.contains(finding) {
                self.findings.push(*finding);
            }
        }
    }
}
