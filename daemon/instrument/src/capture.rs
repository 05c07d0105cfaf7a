//! What a scope gave: codes with their scaling, so that volts of an old run never change.

use crate::request::{CaptureRequest, Detection};
use serde::{Deserialize, Serialize};
use tapewright_formats::Signal;

/// One trace of a capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Trace {
    /// What was sampled.
    pub signal: Signal,
    /// The channel it was taken on, by its label.
    pub channel: String,
    /// Time of the first point (of the first pair: of the middle of its bin) from the trigger.
    pub t0_s: f64,
    /// Time from point to point; of pairs, from pair to pair.
    pub dt_s: f64,
    /// Whether codes are pairs: least, greatest, least, greatest...
    pub pairs: bool,
    /// Volts at the test point = `offset_v + code * gain_v`, the probe's factor included.
    pub gain_v: f64,
    /// Volts at the test point of code 0.
    pub offset_v: f64,
    /// The converter's lower end. A code there may be clipped.
    pub code_low: i32,
    /// The converter's upper end.
    pub code_high: i32,
    /// Relative standard uncertainty of the gain, common to all captures of this channel and range.
    pub gain_uncertainty: f64,
    /// Standard uncertainty of the offset.
    pub offset_uncertainty_v: f64,
    /// Analogue bandwidth of the channel.
    pub bandwidth_hz: f64,
    /// Codes as the converter gave them; 16-bit ones are shifted to be signed.
    pub codes: Vec<i16>,
}

impl Trace {
    /// Volts at the test point of a code.
    #[must_use]
    pub fn volts(&self, code: i16) -> f64 {
        self.offset_v + f64::from(code) * self.gain_v
    }

    /// How many codes stand at an end of the converter.
    #[must_use]
    pub fn clipped(&self) -> usize {
        self.codes.iter().filter(|&&c| i32::from(c) <= self.code_low || i32::from(c) >= self.code_high).count()
    }

    /// Least and greatest code; none of an empty trace.
    #[must_use]
    pub fn code_range(&self) -> Option<(i16, i16)> {
        let first = *self.codes.first()?;
        Some(self.codes.iter().fold((first, first), |(low, high), &c| (low.min(c), high.max(c))))
    }

    /// Least and greatest volts at the test point; none of an empty trace.
    #[must_use]
    pub fn volt_range(&self) -> Option<(f64, f64)> {
        let (low, high) = self.code_range()?;
        let (a, b) = (self.volts(low), self.volts(high));
        Some((a.min(b), a.max(b)))
    }
}

/// How one channel was set, as read back from the instrument.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct ChannelSetup {
    /// What was on it.
    pub signal: Signal,
    /// Its label.
    pub channel: String,
    /// Factor of its probe.
    pub probe_factor: f64,
    /// Input coupling.
    pub coupling: crate::hookup::Coupling,
    /// Volts a step of the converter, at the test point.
    pub step_v: f64,
    /// Volts at the middle of the converter's range, at the test point.
    pub centre_v: f64,
}

/// The set-up that took a capture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Setup {
    /// The instrument, as its `*IDN?` says it.
    pub instrument: String,
    /// The dialect, by name.
    pub dialect: String,
    /// Channels, in the order of the traces.
    pub channels: Vec<ChannelSetup>,
    /// Length of the record as the instrument set it.
    pub span_s: f64,
    /// How much of it lies before the trigger.
    pub before_s: f64,
    /// Points a trace that the instrument took.
    pub points: u32,
    /// Samples or pairs.
    pub detection: Detection,
    /// What was asked.
    pub request: CaptureRequest,
}

/// One acquisition: one trace a signal, in the order asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Capture {
    /// When the trigger came, in seconds on the bench's clock.
    pub trigger_s: f64,
    /// Standard uncertainty of that (half the known interval over the root of 3: JCGM 100:2008, 4.3.7).
    pub trigger_uncertainty_s: f64,
    /// Relative standard uncertainty of the scope's time base.
    pub timebase_uncertainty: f64,
    /// Whether the trigger that was asked came; false in free run.
    pub triggered: bool,
    /// Traces.
    pub traces: Vec<Trace>,
    /// What took it.
    pub setup: Setup,
}
