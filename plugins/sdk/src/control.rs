//! Control pulses as procedures need them that look at something else beside: over a stretch of time, from whichever capture
//! shows them.

use crate::bench::abilities;
use crate::captures::{Acquire, Capture};
use crate::unable::Result;
use tapewright_formats::{Signal, SignalForm, UnableCode};
use tapewright_measure::pulses::{Pulses, pulses_in, pulses_in_pairs};

/// Points of a capture of control pulses.
const POINTS: u32 = 2_500;

/// Longest step of samples in which spikes are sought that hardly stand out of the noise: several lie on each, a spike lasts half a
/// millisecond or so (common practice, no source).
const FAINT_STEP_S: f64 = 1e-4;

/// Most points of these: more take long on a slow link.
const FAINT_POINTS: u32 = 20_000;

/// The control pulses in a capture, of samples or of pairs.
///
/// # Errors
/// As of [`pulses_in`].
pub fn pulses_of(capture: &Capture, form: SignalForm) -> Result<Pulses> {
    let codes = capture.trace(Signal::ControlTrack)?;
    Ok(if codes.info.pairs { pulses_in_pairs(&codes.pairs()?, form)? } else { pulses_in(&codes.samples()?, form)? })
}

/// Control pulses over `span_s`, and the relative standard uncertainty of the scope's time base. (Permission `captures`.)
///
/// Spikes off a head are taken in pairs, which miss none. Where they hardly stand out of the noise, whose extremes pairs hold, they
/// are taken in close samples instead: over as much of the span as the scope's memory holds of these, which
/// [`Pulses::observed`] tells.
///
/// # Errors
/// `in-noise` where none stand out, and those of a capture.
pub fn control_pulses(form: SignalForm, span_s: f64) -> Result<(Pulses, f64)> {
    let can = abilities();
    let ask = Acquire::of(&[Signal::ControlTrack]).span_s(span_s).least_points(can.greatest_points.min(POINTS));
    let in_pairs = form == SignalForm::Spike && can.peak_pulse_s.is_some();
    let capture = if in_pairs { ask.peak() } else { ask }.take_one()?;
    match pulses_of(&capture, form) {
        Err(unable) if form == SignalForm::Spike && unable.code == UnableCode::InNoise => {}
        seen => return Ok((seen?, capture.info.timebase_uncertainty)),
    }
    let (span_s, points) = faint(span_s, can.greatest_points);
    let capture = Acquire::of(&[Signal::ControlTrack]).span_s(span_s).least_points(points).take_one()?;
    Ok((pulses_of(&capture, form)?, capture.info.timebase_uncertainty))
}

/// Span and points of a capture of faint spikes, of a scope that gives so many points.
fn faint(span_s: f64, greatest_points: u32) -> (f64, u32) {
    let points = greatest_points.min(FAINT_POINTS);
    let span_s = span_s.min(FAINT_STEP_S * f64::from(points));
    (span_s, points)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faint_spikes_keep_their_samples_whatever_the_scope_holds() {
        for (asked_s, greatest, want) in
            [(2.0, 2_500, (0.25, 2_500)), (2.0, 2_000_000, (2.0, 20_000)), (0.5, 20_000, (0.5, 20_000))]
        {
            assert_eq!(faint(asked_s, greatest), want, "{asked_s} s of {greatest} points");
        }
    }
}
