//! A capture as bytes: what the store keeps by content, and what a run is judged again from.
//!
//! A first line `tapewright-capture 1`, a second line of JSON (everything but the codes), then the codes
//! of all traces in order, each two bytes, low byte first. Equal captures have equal bytes.

use crate::types::{Capture, TraceData, TraceInfo};
use serde::{Deserialize, Serialize};

const MAGIC: &[u8] = b"tapewright-capture 1\n";

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Header {
    trigger_s: f64,
    trigger_uncertainty_s: f64,
    timebase_uncertainty: f64,
    triggered: bool,
    traces: Vec<TraceHeader>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TraceHeader {
    codes: usize,
    info: TraceInfo,
}

/// Why bytes are no capture.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The first line is another one.
    #[error("the first line is not `tapewright-capture 1`: these bytes are no capture, or one of a newer format")]
    Magic,
    /// The header has no end: the bytes were cut.
    #[error("the header does not end: the capture was cut")]
    Cut,
    /// The header is missing or wrong.
    #[error("the header cannot be read")]
    Header(#[source] serde_json::Error),
    /// The codes do not fit the header.
    #[error("the header says {said} bytes of codes, there are {there}")]
    Length {
        /// By the header.
        said: usize,
        /// In truth.
        there: usize,
    },
    /// A number that no capture may have.
    #[error("{0}")]
    Value(String),
}

impl Capture {
    /// As bytes, for the store.
    ///
    /// # Errors
    /// [`CaptureError::Value`] if [`Self::check`] refuses it.
    pub fn to_bytes(&self) -> Result<Vec<u8>, CaptureError> {
        self.check()?;
        let header = Header {
            trigger_s: self.trigger_s,
            trigger_uncertainty_s: self.trigger_uncertainty_s,
            timebase_uncertainty: self.timebase_uncertainty,
            triggered: self.triggered,
            traces: self.traces.iter().map(|t| TraceHeader { codes: t.codes.len(), info: t.info.clone() }).collect(),
        };
        let mut bytes = MAGIC.to_vec();
        serde_json::to_writer(&mut bytes, &header).map_err(CaptureError::Header)?;
        bytes.push(b'\n');
        for trace in &self.traces {
            bytes.extend(trace.codes.iter().flat_map(|code| code.to_le_bytes()));
        }
        Ok(bytes)
    }

    /// From the store's bytes.
    ///
    /// # Errors
    /// If they are not a capture's.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, CaptureError> {
        let rest = bytes.strip_prefix(MAGIC).ok_or(CaptureError::Magic)?;
        let end = rest.iter().position(|&byte| byte == b'\n').ok_or(CaptureError::Cut)?;
        let header: Header = serde_json::from_slice(&rest[..end]).map_err(CaptureError::Header)?;
        let body = rest.get(end + 1..).unwrap_or_default();
        let said = header.traces.iter().fold(0_usize, |sum, trace| sum.saturating_add(trace.codes.saturating_mul(2)));
        if said != body.len() {
            return Err(CaptureError::Length { said, there: body.len() });
        }
        let mut codes = body.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]]));
        let capture = Self {
            trigger_s: header.trigger_s,
            trigger_uncertainty_s: header.trigger_uncertainty_s,
            timebase_uncertainty: header.timebase_uncertainty,
            triggered: header.triggered,
            traces: header
                .traces
                .into_iter()
                .map(|trace| TraceData { codes: codes.by_ref().take(trace.codes).collect(), info: trace.info })
                .collect(),
        };
        capture.check()?;
        Ok(capture)
    }

    /// Whether every number makes sense: finite, uncertainties not negative, time going on, pairs whole,
    /// codes between the converter's ends.
    ///
    /// # Errors
    /// [`CaptureError::Value`] names the first that does not.
    pub fn check(&self) -> Result<(), CaptureError> {
        let refuse = |text: String| Err(CaptureError::Value(text));
        let not_negative = |x: f64| x.is_finite() && x >= 0.0;
        if !self.trigger_s.is_finite()
            || !not_negative(self.trigger_uncertainty_s)
            || !not_negative(self.timebase_uncertainty)
        {
            return refuse(format!(
                "time of the trigger {} s, its uncertainty {} s, or that of the time base {} is no number that it may be",
                self.trigger_s, self.trigger_uncertainty_s, self.timebase_uncertainty
            ));
        }
        for TraceData { info, codes } in &self.traces {
            let signal = info.signal;
            let positive = |x: f64| x.is_finite() && x > 0.0;
            if !info.t0_s.is_finite() || !positive(info.dt_s) || !positive(info.bandwidth_hz) {
                return refuse(format!(
                    "trace of {signal}: t0 {} s, dt {} s or bandwidth {} Hz is no number that it may be",
                    info.t0_s, info.dt_s, info.bandwidth_hz
                ));
            }
            if !info.gain_v.is_finite() || info.gain_v == 0.0 || !info.offset_v.is_finite() {
                return refuse(format!(
                    "trace of {signal}: gain {} V or offset {} V does not make volts",
                    info.gain_v, info.offset_v
                ));
            }
            if !not_negative(info.gain_uncertainty) || !not_negative(info.offset_uncertainty_v) {
                return refuse(format!(
                    "trace of {signal}: uncertainty of the gain {} or of the offset {} V is no number that it may be",
                    info.gain_uncertainty, info.offset_uncertainty_v
                ));
            }
            if info.pairs && codes.len() % 2 != 0 {
                return refuse(format!("trace of {signal}: {} codes do not make pairs", codes.len()));
            }
            if let Some(code) = codes.iter().find(|&&code| !(info.code_low..=info.code_high).contains(&i32::from(code)))
            {
                return refuse(format!(
                    "trace of {signal}: code {code} lies beyond the converter's ends {} and {}",
                    info.code_low, info.code_high
                ));
            }
        }
        Ok(())
    }
}
