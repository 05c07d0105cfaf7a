//! Looking at a bench before anything is judged: does the scope answer, is each point alive.

use tapewright_formats::Signal;
use tapewright_instrument::{CaptureRequest, Detection};

/// Share of the expected RF above which the transport counts as still running after a stop
/// (common practice, no source: noise and hum stay below).
pub const STILL_RUNNING_SHARE: f64 = 0.3;

/// A quick look at a signal in free run, two frames long.
#[must_use]
pub fn presence_request(signal: Signal) -> CaptureRequest {
    CaptureRequest { detection: Detection::Peak, ..CaptureRequest::free([signal], 0.08) }
}
