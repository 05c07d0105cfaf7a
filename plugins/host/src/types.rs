//! What passes between a procedure and the bench, as the daemon and the journal see it.
//!
//! These mirror the records of the contract one for one; the words are of the house's closed lists.
//! Times in seconds, levels in volts at the test point.

use serde::{Deserialize, Serialize};
use std::sync::Arc;
use tapewright_formats::{ProbePlace, Signal, SignalForm, TapeKind, UnableCode};

/// Something that was asked could not be done. The procedure is told, and may go on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{code}: {text}")]
#[serde(deny_unknown_fields)]
pub struct Failure {
    /// Code of unable.
    pub code: UnableCode,
    /// What was tried on what, and what to do.
    pub text: String,
}

impl Failure {
    /// A failure with its code and text.
    pub fn new(code: UnableCode, text: impl Into<String>) -> Self {
        Self { code, text: text.into() }
    }
}

/// Which way an edge goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Slope {
    /// Upwards.
    Rising,
    /// Downwards.
    Falling,
}

/// How the scope makes a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Detection {
    /// One sample a point.
    Sample,
    /// Pairs of least and greatest.
    Peak,
}

/// What starts an acquisition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Trigger {
    /// At once, whatever the signals do.
    Free,
    /// An edge of any signal that is hooked up, also one on a trigger-only input.
    Edge {
        /// Signal whose edge it is.
        signal: Signal,
        /// Which way.
        slope: Slope,
        /// Volts at the test point; none: the middle of what the hookup expects.
        level_v: Option<f64>,
    },
    /// Field of the composite video: 1, 2, or 0 for either.
    Field(u32),
    /// Line of the composite video.
    Line(u32),
}

/// What to acquire.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Request {
    /// Signals to sample, each on its own channel.
    pub signals: Vec<Signal>,
    /// Length of the record.
    pub span_s: f64,
    /// How much of the span lies before the trigger.
    pub before_s: f64,
    /// Least number of points a trace (of a pair, two). 0: as the scope likes.
    pub least_points: u32,
    /// Least sample rate; 0: as the scope likes.
    pub least_rate_hz: f64,
    /// What starts it.
    pub trigger: Trigger,
    /// Samples or pairs.
    pub detection: Detection,
    /// How many acquisitions, one after the other.
    pub count: u32,
    /// How long to wait for each trigger.
    pub deadline_s: f64,
}

/// How the codes of one trace are read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TraceInfo {
    /// What it shows.
    pub signal: Signal,
    /// The channel it was taken on, by its label.
    pub channel: String,
    /// Time of the first point (of the first pair: of the middle of its bin) from the trigger.
    pub t0_s: f64,
    /// Time from point to point (of pairs: from pair to pair).
    pub dt_s: f64,
    /// Pairs: least, greatest, least, greatest...
    pub pairs: bool,
    /// Volts at the test point = `offset_v + code * gain_v`, the probe's factor included.
    pub gain_v: f64,
    /// See `gain_v`.
    pub offset_v: f64,
    /// The converter's lower end. A code at an end may be clipped.
    pub code_low: i32,
    /// The converter's upper end.
    pub code_high: i32,
    /// Relative standard uncertainty of the gain, common to all captures of this channel and range.
    pub gain_uncertainty: f64,
    /// Standard uncertainty of the offset.
    pub offset_uncertainty_v: f64,
    /// Analogue bandwidth of the channel.
    pub bandwidth_hz: f64,
}

/// One trace: how to read it, and its codes.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceData {
    /// How the codes are read.
    pub info: TraceInfo,
    /// The converter's codes; of pairs two a bin.
    pub codes: Arc<[i16]>,
}

/// One acquisition.
#[derive(Debug, Clone, PartialEq)]
pub struct Capture {
    /// When the trigger came, from the start of the run.
    pub trigger_s: f64,
    /// Standard uncertainty of that.
    pub trigger_uncertainty_s: f64,
    /// Relative standard uncertainty of the scope's time base.
    pub timebase_uncertainty: f64,
    /// Whether a trigger came (false only in free run).
    pub triggered: bool,
    /// One trace a signal that was asked for, in the order of the request.
    pub traces: Vec<TraceData>,
}

/// Which head a point carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Head {
    /// Both, switched.
    Both,
    /// Head A alone.
    A,
    /// Head B alone.
    B,
}

/// One hooked-up signal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Point {
    /// What it carries.
    pub signal: Signal,
    /// Label of the channel or input.
    pub channel: String,
    /// The input can only trigger: it gives no samples.
    pub trigger_only: bool,
    /// Before or after automatic gain.
    pub place: ProbePlace,
    /// What form the signal has there.
    pub form: SignalForm,
    /// Which head the point carries.
    pub head: Head,
    /// For a head switch: whether the high state means head A.
    pub high_is_a: bool,
    /// Volts peak to peak that are expected in play, if known.
    pub expected_v: Option<f64>,
}

/// What the scope can do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Abilities {
    /// Number of channels.
    pub channels: u32,
    /// Greatest number of points a trace.
    pub greatest_points: u32,
    /// Greatest sample rate.
    pub greatest_rate_hz: f64,
    /// Shortest pulse that peak detection catches; none: it has no peak detection.
    pub peak_pulse_s: Option<f64>,
    /// Whether it can trigger on composite video.
    pub video_trigger: bool,
    /// About how long one point takes over the link.
    pub seconds_a_point: f64,
}

/// What is on the bench, as the job says it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Subject {
    /// Format by name, e.g. `vhs-525-sp`.
    pub format: String,
    /// Kind of the tape that is being played.
    pub tape: TapeKind,
    /// The tape's label.
    pub tape_name: String,
    /// Known RF level (carrier amplitude) of this point with this tape, if any.
    pub known_level_v: Option<f64>,
    /// The tape's picture is the same from top to bottom (test pattern).
    pub even_picture: bool,
}

/// One number of an earlier run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EarlierMeasurement {
    /// The procedure that measured it.
    pub procedure: String,
    /// E.g. `head-a.flatness`.
    pub name: String,
    /// UCUM code.
    pub unit: String,
    /// Value, in the unit.
    pub value: f64,
    /// Lower end of the coverage interval.
    pub low: f64,
    /// Upper end of it.
    pub high: f64,
    /// Coverage probability.
    pub coverage: f64,
}

/// An earlier run that this one is held against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Earlier {
    /// Its name in the records.
    pub id: String,
    /// The machine's shelf mark.
    pub machine: String,
    /// The bench.
    pub bench: String,
    /// Kind of the tape that was played, by its word.
    pub tape: String,
    /// The tape's label.
    pub tape_name: String,
    /// What it measured.
    pub measurements: Vec<EarlierMeasurement>,
}

/// What the operator is asked to do, so that a page can show it and a script can do it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Action {
    /// Nothing but to answer.
    Answer,
    /// Move a probe.
    MoveProbe {
        /// Signal whose probe is moved.
        signal: Signal,
        /// Test point that it shall touch.
        to: String,
    },
    /// Put in another tape.
    ChangeTape(TapeKind),
    /// Turn or shift something.
    Adjust(String),
}

/// A question to the operator.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Prompt {
    /// Stable name of the question, e.g. `probe-proof`.
    pub id: String,
    /// The question.
    pub text: String,
    /// What is to be done before answering.
    pub action: Action,
    /// Answers to choose from; empty: free text.
    pub choices: Vec<String>,
    /// How long to wait for the answer.
    pub deadline_s: f64,
}
