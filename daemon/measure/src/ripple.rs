//! Ripple of a supply rail: its periodic parts, told from noise and from aliases of each other.
//!
//! A periodic part is a fundamental with its harmonics, fitted by least squares: any number of cycles will do, a drift is
//! fitted with it, and noise does not widen what it says. A line that is an alias moves when the sample rate does; so two
//! records at unlike rates say which lines are real. What stands in a record and is no part that was found is not lost: [`Left`], and
//! what goes on more slowly than either record is in `ripple/wander.rs`.

mod find;
mod left;
mod wander;

pub use left::Left;
pub use wander::{Wander, wander};

use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate};
use crate::sine::{Tone, ToneFit, fit_tones};
use crate::trace::{Conversion, Trace};
use find::{Found, find, spectrum_of};

/// Unrelated parts that are fitted between two frequencies at most; what is left besides is only bounded.
const PARTS: usize = 4;

/// Of the rate: below it lines are looked for.
const CLEAR_OF_IMAGE: f64 = 0.45;

/// Of a step of the converter: lines below it may be the steps' own.
const OF_A_STEP: f64 = 0.35;

/// Harmonics of a periodic part that are fitted, the fundamental counted.
pub const HARMONICS: usize = 6;

/// A line must stand so many times above the median of the spectrum.
const CLEAR: f64 = 6.0;

/// Steps at which one period of a part is looked at for its extremes.
const LOOKS: usize = 720;

/// Share of the strongest line of the record below which there are its skirts.
const SKIRT: f64 = 2e-3;

/// A fitted part must stand so many of its standard errors clear.
const SURE: f64 = 4.0;

/// A harmonic must stand so many of its standard errors clear to count.
const HARMONIC: f64 = 3.5;

/// A line is real when the other record shows it with at least this share of its amplitude.
const SAME: f64 = 0.5;

/// How much a converter's frequency moves from record to record, as a share: it runs free.
const MOVES: f64 = 1e-3;

/// By how much an alias upon a tone draws a part's frequency, in cycles over the record (standard uncertainty: half a line's width
/// is the most that a fit keeps to).
const DRAWN: f64 = 0.25;

/// One periodic part.
#[derive(Debug, Clone)]
pub struct Part {
    /// Its fundamental in hertz.
    pub hz: Estimate,
    /// Greatest less least over a period, in volts.
    pub peak_to_peak_v: Estimate,
    /// Root mean square, in volts.
    pub rms_v: Estimate,
    /// Fundamental and harmonics as fitted.
    pub tones: Vec<Tone>,
    /// Peak to peak in volts by which the other record shows more or less of it: what of it may be an alias.
    pub unlike_v: f64,
}

/// What a record shows beside its periodic part.
#[derive(Debug, Clone)]
pub struct Ripple {
    /// Direct voltage.
    pub mean_v: Estimate,
    /// The unrelated periodic parts between the frequencies looked at, as found, largest line first; empty: none stands clear.
    pub parts: Vec<Part>,
    /// Amplitude that a line would have needed to stand clear, in volts.
    pub least_v: f64,
    /// What stands in either record beside the parts.
    pub left: [Left; 2],
}

/// Looks for the ripple between two frequencies in two records of like length and unlike rate. `timebase_u` is
/// the time base's relative standard uncertainty.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooSlow`], [`MeasureError::TooShort`] where the records hold fewer than three
/// cycles of the lowest frequency, [`MeasureError::BadParameter`].
pub fn ripple(
    first: &Trace,
    second: &Trace,
    (from_hz, to_hz): (f64, f64),
    timebase_u: f64,
) -> Result<Ripple, MeasureError> {
    positive("lowest frequency", from_hz)?;
    for trace in [first, second] {
        trace.conversion().demand_unclipped("supply")?;
        at_least("samples of a supply", trace.volts().len(), 200)?;
        let rate_hz = 1.0 / trace.dt_s();
        if to_hz > CLEAR_OF_IMAGE * rate_hz {
            return Err(MeasureError::TooSlow { what: "ripple", rate_hz, needed_hz: to_hz / CLEAR_OF_IMAGE });
        }
        if trace.span_s() * from_hz < 3.0 {
            return Err(MeasureError::TooShort {
                what: "cycles of ripple",
                given: trace.span_s() * from_hz,
                needed: 3.0,
            });
        }
    }
    let conversion = *first.conversion();
    let floor = spectrum_of(first)?.floor(from_hz, to_hz);
    let mut least_v = (CLEAR * floor).max(OF_A_STEP * conversion.step_v);
    let Found { records: [here, there], unsure } = find(first, second, (from_hz, to_hz))?;
    let largest = here.parts.first().map(|(fit, _)| fit).or(unsure.as_ref());
    if let Some(fit) = largest {
        least_v = least_v.max(SURE * fit.tones[0].error);
    }
    let nothing = fit_tones(first, &[], true)?;
    let mean_v = mean(largest.unwrap_or(&nothing), first, second)?;
    let both = here.parts.iter().zip(&there.parts);
    let parts = both
        .map(|((fit, hz_error), (again, _))| {
            let unlike_v = unlike_v(fit, again, conversion.step_v);
            // An alias that no other record is without draws the frequency, too.
            let drawn_hz = if unlike_v > 0.0 { DRAWN / first.span_s() } else { 0.0 };
            part(fit, [*hz_error, drawn_hz], unlike_v, &conversion, timebase_u)
        })
        .collect::<Result<_, _>>()?;
    let left = [left::left(first, here.beside_parts()?)?, left::left(second, there.beside_parts()?)?];
    Ok(Ripple { mean_v, parts, least_v, left })
}

/// Peak to peak by which the tones of a part, as they stand to its fundamental, differ from one record to the other: all of them where
/// one does by more than chance. An alias that lies upon one does so at one rate only, and what a fit leaves of it gets into the others.
fn unlike_v(fit: &ToneFit, again: &ToneFit, step_v: f64) -> f64 {
    // Amplitude, and phase and error as of a record that begins with the fundamental's top.
    let standing = |fit: &ToneFit, k: usize| {
        let (base, tone) = (&fit.tones[0], &fit.tones[k]);
        let (times, amplitude) = (k as f64 + 1.0, tone.amplitude());
        let turn = tone.phase_rad() - times * base.phase_rad();
        let by_base = if k == 0 { 0.0 } else { times * amplitude * base.phase_error_rad() };
        (amplitude, turn, tone.error.hypot(by_base))
    };
    let differences = || {
        (0..fit.tones.len().min(again.tones.len())).map(|k| {
            let ((a, turn_a, error_a), (b, turn_b, error_b)) = (standing(fit, k), standing(again, k));
            let away = (a * a + b * b - 2.0 * a * b * (turn_a - turn_b).cos()).max(0.0).sqrt();
            (away, SURE * error_a.hypot(error_b) + OF_A_STEP * step_v)
        })
    };
    let by_chance = differences().all(|(away, chance)| away <= chance);
    if by_chance { 0.0 } else { differences().map(|(away, _)| 2.0 * away).sum() }
}

/// The fundamental, and those harmonics that stand clear of their own error.
fn clear(fit: &ToneFit) -> impl Iterator<Item = (usize, &Tone)> {
    fit.tones.iter().enumerate().filter(|(k, tone)| *k == 0 || tone.amplitude() > HARMONIC * tone.error)
}

/// What the scope's gain adds to a voltage.
fn gain(conversion: &Conversion, volts: f64) -> Contribution {
    let share = conversion.gain_share();
    let standard_uncertainty = share.standard_uncertainty * volts.abs();
    Contribution { name: "gain of the scope", standard_uncertainty, ..share }
}

fn mean(fit: &ToneFit, first: &Trace, second: &Trace) -> Result<Estimate, MeasureError> {
    let c = first.conversion();
    let other = second.volts().iter().map(|v| f64::from(*v)).sum::<f64>() / second.volts().len() as f64;
    Estimate::combined(
        fit.offset,
        vec![
            Contribution::type_a(
                "noise",
                fit.offset_error.max((fit.offset - other).abs() / 2.0),
                fit.degrees_of_freedom,
            ),
            Contribution::rectangular("steps of the converter", 0.5 * c.step_v),
            gain(c, fit.offset),
            Contribution::type_b("offset of the scope", c.offset_uncertainty_v),
        ],
    )
}

fn part(
    fit: &ToneFit,
    [hz_error, drawn_hz]: [f64; 2],
    unlike_v: f64,
    conversion: &Conversion,
    timebase_u: f64,
) -> Result<Part, MeasureError> {
    // The others would only widen the extremes.
    let tones: Vec<_> = clear(fit).collect();
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for n in 0..LOOKS {
        let turn = core::f64::consts::TAU * n as f64 / LOOKS as f64;
        let base = fit.tones[0].phase_rad();
        let v: f64 = tones
            .iter()
            .map(|(k, tone)| {
                let times = *k as f64 + 1.0;
                tone.amplitude() * (times * (turn - base) + tone.phase_rad()).cos()
            })
            .sum();
        (low, high) = (low.min(v), high.max(v));
    }
    let rms = (0.5 * tones.iter().map(|(_, tone)| tone.amplitude().powi(2)).sum::<f64>()).sqrt();
    let error = fit.tones[0].error;
    let left_out = (fit.tones.len() - tones.len()) as f64;
    let steps = conversion.step_v / 12.0_f64.sqrt();
    let dof = fit.degrees_of_freedom;
    Ok(Part {
        hz: Estimate::combined(
            fit.tones[0].hz,
            vec![
                Contribution::type_a("noise", hz_error, dof),
                Contribution::type_b("alias upon it", drawn_hz),
                Contribution::type_b("time base of the scope", timebase_u * fit.tones[0].hz),
            ],
        )?,
        peak_to_peak_v: Estimate::combined(
            high - low,
            vec![
                // Each end is the sum of the tones there.
                Contribution::type_a("noise", error * (2.0 * tones.len() as f64).sqrt(), dof),
                Contribution::type_b("harmonics in the noise", error * left_out.sqrt() * 1.4),
                Contribution::type_b("steps of the converter", steps),
                gain(conversion, high - low),
            ],
        )?,
        rms_v: Estimate::combined(
            rms,
            vec![
                Contribution::type_a("noise", error * core::f64::consts::FRAC_1_SQRT_2, dof),
                Contribution::type_b("steps of the converter", 0.5 * steps),
                gain(conversion, rms),
            ],
        )?,
        tones: fit.tones.clone(),
        unlike_v,
    })
}

#[cfg(test)]
mod tests;
