//! What a rail does more slowly than its ripple is looked for: within records, and from one to the next.
//!
//! A straight line is fitted beside the parts of each record, and each has a mean of its own: a ripple of a few hertz goes into
//! these and is seen in no part. So the course of all records together is held against their noise.

use super::find::spectrum_of;
use super::{CLEAR_OF_IMAGE, MOVES, Part, SURE};
use crate::demodulate::alias_of;
use crate::error::{MeasureError, at_least};
use crate::trace::Trace;

/// Length of the window that the course is a mean over (Hann's): ripple from 24 Hz on keeps less than a thirtieth in it.
const WINDOW_S: f64 = 0.1;

/// From window to window, in windows.
const HOP: f64 = 0.25;

/// Equivalent noise bandwidth of Hann's window, in bins.
const NOISE_BINS: f64 = 1.5;

/// A sine of 5 Hz keeps 0.849 of its amplitude in the window; from there on a record of 0.2 s shows it as a line.
const KEPT: f64 = 0.849;

/// Share of a course from which on it may be an alias.
const MOST: f64 = 0.5;

/// Aliases below this are in the course.
const NEAR_HZ: f64 = 2.0 / WINDOW_S;

/// The slow course of records of one rail.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Greatest less least of it, in volts; 0 where noise and steps of the converter explain as much.
    pub peak_to_peak_v: f64,
    /// Aliases of tones that fast records show may be most of it.
    pub aliased: bool,
}

/// Peak to peak of the tones of faster records that may have their alias in the course of a record.
fn aliases_v(record: &Trace, fast: &[Part]) -> f64 {
    let rate_hz = 1.0 / record.dt_s();
    let tones = fast.iter().flat_map(|part| {
        let share = 4.0 * part.hz.standard_uncertainty / part.hz.value + MOVES;
        part.tones.iter().filter(move |tone| alias_of(tone.hz, rate_hz).0 < NEAR_HZ + share * tone.hz)
    });
    tones.map(|tone| 2.0 * (tone.amplitude() + 3.0 * tone.error)).sum::<f64>() + 0.0
}

/// Means of a record over its windows, and the standard error of one by noise.
fn course(record: &Trace) -> Result<(Vec<f64>, f64), MeasureError> {
    let volts = record.volts();
    let length = (WINDOW_S / record.dt_s()).round().max(1.0) as usize;
    at_least("samples of a rail's course", volts.len(), length.max(16))?;
    let turn = core::f64::consts::TAU / length as f64;
    let window: Vec<f64> = (0..length).map(|i| 0.5 - 0.5 * ((i as f64 + 0.5) * turn).cos()).collect();
    let sum: f64 = window.iter().sum();
    let hop = ((HOP * length as f64) as usize).max(1);
    let mean = |part: &[f32]| part.iter().zip(&window).map(|(v, w)| f64::from(*v) * w).sum::<f64>() / sum;
    let means = volts.windows(length).step_by(hop).map(mean).collect();
    // Half of the noise's amplitudes lie below the floor, whatever lines stand in the record: Rayleigh's distribution.
    let rate_hz = 1.0 / record.dt_s();
    let floor = spectrum_of(record)?.floor(NEAR_HZ.min(0.1 * rate_hz), CLEAR_OF_IMAGE * rate_hz);
    let noise = floor * (volts.len() as f64 / (4.0 * NOISE_BINS * core::f64::consts::LN_2)).sqrt();
    Ok((means, noise * (NOISE_BINS / length as f64).sqrt()))
}

/// The course of a long record, and of others of the same setting beside it. An other in whose course an alias may stand is left
/// out, and so is one of another step, whose gain may be off by another error.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] where a record is shorter than a window.
pub fn wander(long: &Trace, others: &[Trace], fast: &[Part]) -> Result<Wander, MeasureError> {
    let step_v = long.conversion().step_v;
    let beside = others.iter().filter(|other| other.conversion().step_v == step_v && aliases_v(other, fast) == 0.0);
    let (mut low, mut high, mut error_v) = (f64::INFINITY, f64::NEG_INFINITY, 0.0_f64);
    for record in core::iter::once(long).chain(beside) {
        record.conversion().demand_unclipped("supply")?;
        let (means, error) = course(record)?;
        (low, high) = means.iter().fold((low, high), |(low, high), mean| (low.min(*mean), high.max(*mean)));
        error_v = error_v.max(error);
    }
    let by_chance_v = 2.0 * SURE * error_v + step_v;
    let seen_v = high - low;
    let peak_to_peak_v = if seen_v > by_chance_v { seen_v / KEPT } else { 0.0 };
    Ok(Wander { peak_to_peak_v, aliased: aliases_v(long, fast) > MOST * peak_to_peak_v })
}
