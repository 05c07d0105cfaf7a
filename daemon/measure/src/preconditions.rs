//! What must hold before a level curve may be judged: it stands clear of the noise, the tape's speed
//! fits the recording. (Steadiness has a module of its own.)

use crate::curve::HeadCurve;
use crate::error::{MeasureError, positive};
use crate::estimate::Estimate;
use tapewright_formats::LineStandard;

/// Refuses a curve whose mean level is less than `times` the noise (as an amplitude, in the method's
/// band). 3 is common practice, no source.
///
/// # Errors
/// [`MeasureError::InNoise`].
pub fn demand_clear_of_noise(curve: &HeadCurve, times: f64) -> Result<(), MeasureError> {
    let level = curve.mean_v();
    // Levels in the noise are themselves uncertain by about their error: count that in.
    if level > times * curve.noise_v && level > times * curve.mean_error_v {
        return Ok(());
    }
    Err(MeasureError::InNoise {
        what: "level curve",
        detail: format!("level {level:.3e} V, noise {:.3e} V; at least {times} times are needed", curve.noise_v),
    })
}

/// What the rate of control pulses says about the tape's speed against its recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SpeedFit {
    /// Fits.
    Fits,
    /// The tape runs at this multiple of the recorded speed: 2, 3, 1/2, 1/3, 2/3, 3/2.
    Multiple(f64),
    /// Neither: the ratio.
    Off(f64),
}

/// Compares the control-pulse rate with one a frame. A tape recorded at another speed gives a simple
/// multiple (a head then crosses tracks within the scan, which looks like a sagging end).
///
/// # Errors
/// [`MeasureError::BadParameter`] for a rate that is none.
pub fn speed_fit(control_rate: &Estimate, lines: LineStandard) -> Result<SpeedFit, MeasureError> {
    let ratio = positive("control-pulse rate", control_rate.value)? / lines.frame_rate_hz();
    let near = |want: f64| (ratio / want - 1.0).abs() < 0.06;
    if near(1.0) {
        return Ok(SpeedFit::Fits);
    }
    let known = [2.0, 3.0, 0.5, 1.0 / 3.0, 2.0 / 3.0, 1.5];
    Ok(known.into_iter().find(|m| near(*m)).map_or(SpeedFit::Off(ratio), SpeedFit::Multiple))
}

/// Refuses a speed that does not fit.
///
/// # Errors
/// [`MeasureError::WrongSpeed`], and as [`speed_fit`].
pub fn demand_fitting_speed(control_rate: &Estimate, lines: LineStandard) -> Result<(), MeasureError> {
    let say = |detail: String| Err(MeasureError::WrongSpeed { what: "tape speed", detail });
    match speed_fit(control_rate, lines)? {
        SpeedFit::Fits => Ok(()),
        SpeedFit::Multiple(m) => say(format!(
            "control pulses come at {:.3} Hz, {m:.2} times one a frame: the tape was recorded at another speed",
            control_rate.value
        )),
        SpeedFit::Off(r) => {
            say(format!("control pulses come at {:.3} Hz, {r:.3} times one a frame", control_rate.value))
        }
    }
}

/// How often the level of a scan falls below half of its greatest and comes back: bars across the
/// scan. Healthy play has none; at `n` times the recorded speed there are about `|n - 1| / 2`.
#[must_use]
pub fn bars_in_scan(curve: &HeadCurve) -> usize {
    let greatest = curve.median_v.iter().fold(0.0_f64, |m, v| m.max(*v));
    let (mut bars, mut below) = (0, false);
    for v in curve.median_v {
        if v < 0.45 * greatest && !below {
            below = true;
            bars += 1;
        } else if v > 0.55 * greatest {
            below = false;
        }
    }
    bars
}
