//! What is asked of a scope, in terms of signals. The same meaning as `request` of the contract
//! with procedures (`plugins/wit/procedure.wit`).

use serde::{Deserialize, Serialize};
use tapewright_formats::Signal;

/// Edge direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Slope {
    /// Upwards through the level.
    Rising,
    /// Downwards through the level.
    Falling,
}

/// How points are made of what the converter sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Detection {
    /// One sample a point.
    Sample,
    /// Pairs of least and greatest.
    Peak,
}

/// An edge to trigger on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Edge {
    /// Any signal that is hooked up, also on a trigger-only input.
    pub signal: Signal,
    /// Direction.
    pub slope: Slope,
    /// Volts at the test point; none: the middle of what the hookup expects.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub level_v: Option<f64>,
}

/// What starts an acquisition.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trigger {
    /// At once, whatever the signals do.
    Free,
    /// An edge.
    Edge(Edge),
    /// Field of the composite video: 1, 2, or 0 for either.
    Field(u32),
    /// Line of the composite video, from 1.
    Line(u32),
}

/// A request for captures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct CaptureRequest {
    /// Signals to sample, each on its own channel.
    pub signals: Vec<Signal>,
    /// Length of the record.
    pub span_s: f64,
    /// How much of the span lies before the trigger.
    pub before_s: f64,
    /// Least number of points a trace (of a pair, two). 0: as the scope likes.
    pub least_points: u32,
    /// Least sample rate; with peak detection, of pairs. 0: as the scope likes.
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

impl CaptureRequest {
    /// One free-running capture of so many seconds; a start for building others.
    #[must_use]
    pub fn free(signals: impl Into<Vec<Signal>>, span_s: f64) -> Self {
        Self {
            signals: signals.into(),
            span_s,
            before_s: 0.0,
            least_points: 0,
            least_rate_hz: 0.0,
            trigger: Trigger::Free,
            detection: Detection::Sample,
            count: 1,
            deadline_s: 2.0,
        }
    }
}
