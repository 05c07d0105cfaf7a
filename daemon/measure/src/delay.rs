//! Delay from a pulse to the head switch, and how well the pulses keep their place to it.

use crate::error::{MeasureError, at_least, finite, positive};
use crate::estimate::{Contribution, Estimate, Spread};
use crate::statistics::{effective_count, moments_of_finite};

/// Delay of each pulse to the next head-switch edge that selects head A, in `0..frame_s`. Edges
/// that were not sampled are continued by whole frames from the nearest one, so a single edge (the
/// trigger, at time 0) is enough.
///
/// # Errors
/// [`MeasureError::TooShort`] without an edge, [`MeasureError::BadParameter`].
pub fn delays_to_switch(pulse_times_s: &[f64], switch_times_s: &[f64], frame_s: f64) -> Result<Vec<f64>, MeasureError> {
    positive("frame period", frame_s)?;
    at_least("head-switch edges", switch_times_s.len(), 1)?;
    finite("times of pulses", pulse_times_s)?;
    finite("times of head-switch edges", switch_times_s)?;
    Ok(pulse_times_s
        .iter()
        .map(|p| {
            let nearest = switch_times_s
                .iter()
                .fold(switch_times_s[0], |n, s| if (s - p).abs() < (n - p).abs() { *s } else { n });
            (nearest - p).rem_euclid(frame_s)
        })
        .collect())
}

/// Mean delay, in seconds, modulo the frame: averaged about its circular mean, so that delays near 0
/// and near a frame do not cancel. `time_u_s`: common uncertainty of one delay from sampling (both
/// edges), which repeats where the sampling follows the signal and so is not averaged.
///
/// # Errors
/// [`MeasureError::TooShort`] below two delays, [`MeasureError::NotSteady`] where the pulses do not keep
/// their place at all, [`MeasureError::BadParameter`].
pub fn mean_delay(delays_s: &[f64], frame_s: f64, time_u_s: f64) -> Result<Estimate, MeasureError> {
    let (centre, away) = circular(delays_s, frame_s)?;
    let m = moments_of_finite(away.iter().copied());
    if m.standard_deviation > 0.2 * frame_s {
        return Err(MeasureError::NotSteady {
            what: "delay from pulse to head switch",
            detail: format!("it scatters by {:.1} ms; the pulses do not keep their place", m.standard_deviation * 1e3),
        });
    }
    let n = effective_count(&away)?;
    Estimate::combined(
        (centre + m.mean).rem_euclid(frame_s),
        vec![
            Contribution::type_a("scatter over frames", m.standard_deviation / n.sqrt(), (n - 1.0).max(1.0)),
            Contribution::type_b("sampling", time_u_s.abs()).spread(Spread::Rectangular),
        ],
    )
}

fn circular(delays_s: &[f64], frame_s: f64) -> Result<(f64, Vec<f64>), MeasureError> {
    positive("frame period", frame_s)?;
    at_least("delays", delays_s.len(), 2)?;
    finite("delays", delays_s)?;
    let turn = core::f64::consts::TAU / frame_s;
    let (s, c) = delays_s.iter().fold((0.0, 0.0), |(s, c), d| (s + (d * turn).sin(), c + (d * turn).cos()));
    let centre = s.atan2(c) / turn;
    let away = delays_s.iter().map(|d| (d - centre + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s).collect();
    Ok((centre, away))
}
