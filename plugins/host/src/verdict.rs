//! A verdict, as the host puts it together from what a procedure reported.

use crate::limits::Limits;
use serde::{Deserialize, Serialize};
use tapewright_formats::{Finding, Interval, Outcome, UnableCode, Unit};

/// How a component's run came to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ended {
    /// It returned, and its verdict holds together.
    Finished,
    /// It trapped, hit a limit, or contradicted itself: nothing that it reported counts, all of it is
    /// kept to be looked at.
    Fault,
    /// The run was cancelled.
    Cancelled,
}

/// Where an uncertainty's share comes from (JCGM 100).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Evaluation {
    /// Statistics of repeated observations.
    A,
    /// Other means.
    B,
}

/// One share of a measurement's uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Contribution {
    /// What it comes from.
    pub name: String,
    /// How it was evaluated.
    pub evaluation: Evaluation,
    /// Standard uncertainty, in the measurement's unit.
    pub standard_uncertainty: f64,
    /// None: a great many.
    pub degrees_of_freedom: Option<f64>,
}

/// One measurement, judged by the host.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measurement {
    /// E.g. `head-a.flatness`.
    pub name: String,
    /// Unit of every number here but coverage and degrees of freedom.
    pub unit: Unit,
    /// The value.
    pub value: f64,
    /// The coverage interval about it.
    pub interval: Interval,
    /// None: a great many.
    pub degrees_of_freedom: Option<f64>,
    /// None: for information only, not judged.
    pub limits: Option<tapewright_formats::Limits>,
    /// What the decision rule says; none if it is not judged.
    pub outcome: Option<Outcome>,
    /// What makes up the uncertainty.
    pub contributions: Vec<Contribution>,
}

/// One line of a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Series {
    /// What it shows.
    pub name: String,
    /// Values at equal steps of x.
    pub values: Vec<f64>,
    /// Standard error of each value; empty: not stated.
    pub standard_errors: Vec<f64>,
}

/// A curve to draw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Figure {
    /// What it shows.
    pub name: String,
    /// What runs along x, with its unit.
    pub x_label: String,
    /// x of the first value.
    pub x_low: f64,
    /// x of the last value.
    pub x_high: f64,
    /// Unit of the values.
    pub unit: Unit,
    /// The lines.
    pub series: Vec<Series>,
}

/// A finding, and what it was seen on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Found {
    /// The fact.
    pub finding: Finding,
    /// What it was seen on.
    pub seen: String,
}

/// Something that could not be measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NotMeasured {
    /// What was to be measured.
    pub what: String,
    /// Why, in a word.
    pub code: UnableCode,
    /// Why, in a sentence.
    pub why: String,
}

/// By what a verdict was made, besides its evidence: the same of all of these and the same evidence give
/// the same verdict bit for bit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MadeBy {
    /// Name of the procedure.
    pub procedure: String,
    /// Version of the procedure.
    pub version: String,
    /// SHA-256 of the component.
    pub component: String,
    /// Version of the contract that it was built for.
    pub contract: String,
    /// Version of the wasm runtime.
    pub wasmtime: String,
    /// Switches of the runtime that may change a result.
    pub switches: String,
    /// Processor family.
    pub architecture: String,
}

/// A verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Verdict {
    /// The worst of all judged measurements and unables; after a fault or a cancel `unable`.
    pub outcome: Outcome,
    /// How the run came to its end.
    pub ended: Ended,
    /// What was measured.
    pub measurements: Vec<Measurement>,
    /// Curves to draw.
    pub figures: Vec<Figure>,
    /// Facts about the machine.
    pub findings: Vec<Found>,
    /// What could not be measured; after a fault or a cancel the last says why.
    pub unables: Vec<NotMeasured>,
    /// What to do next.
    pub advice: Vec<String>,
    /// Remarks, also a component's last words.
    pub notes: Vec<String>,
    /// Calls of the host that were made.
    pub calls: u32,
    /// Fuel that was used.
    pub fuel: u64,
    /// The limits in force.
    pub limits: Limits,
    /// By what it was made.
    pub made_by: MadeBy,
}
