//! Ripple of a supply rail: its periodic parts, told from noise and from aliases of each other.
//!
//! A periodic part is a fundamental with its harmonics, fitted by least squares: any number of cycles will do, a drift is
//! fitted with it, and noise does not widen what it says. A line that is an alias moves when the sample rate does; so two
//! records at unlike rates say which lines are real. What stands in a record and is no part that was found is not lost: [`Left`].

mod left;

pub use left::Left;

use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate};
use crate::sine::{Tone, ToneFit, fit_near, fit_periodic, fit_tones};
use crate::spectrum::Spectrum;
use crate::trace::{Conversion, Trace};

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

fn spectrum_of(trace: &Trace) -> Result<Spectrum, MeasureError> {
    let values: Vec<f64> = trace.volts().iter().map(|v| f64::from(*v)).collect();
    Spectrum::of(&values, trace.dt_s())
}

/// The fundamental of the largest real line: the lowest line of at least a fifth of its amplitude that it is a multiple of.
fn fundamental(first: &Spectrum, second: &Spectrum, from_hz: f64, to_hz: f64) -> Option<f64> {
    let floor = first.floor(from_hz, to_hz);
    // The skirts of a strong line, wherever it lies, are no lines.
    let strongest = first.peaks(0.0, f64::INFINITY, 1).first().map_or(0.0, |peak| peak.amplitude);
    let real: Vec<_> = first
        .peaks(from_hz, to_hz, 24)
        .into_iter()
        .take_while(|peak| peak.amplitude > (CLEAR * floor).max(SKIRT * strongest))
        // A line that moves with the sample rate is the alias of something faster.
        .filter(|peak| {
            let near = first.resolution_hz.max(second.resolution_hz);
            let there = second.peaks((peak.hz - near).max(0.0), peak.hz + near, 1);
            there.first().is_some_and(|other| other.amplitude > SAME * peak.amplitude)
        })
        .collect();
    let largest = real.first().copied()?;
    let whole = |low: f64| {
        let times = (largest.hz / low).round();
        times >= 1.0 && times <= HARMONICS as f64 && (largest.hz / times - low).abs() < 0.5 * first.resolution_hz
    };
    let lowest = real.iter().filter(|p| p.amplitude > 0.2 * largest.amplitude && whole(p.hz)).map(|p| p.hz);
    Some(lowest.fold(largest.hz, f64::min))
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
    // What the residual of everything else hides is no part.
    let sure = |fit: &ToneFit| fit.tones.first().is_some_and(|tone| tone.amplitude() > SURE * tone.error);
    let (mut found, mut there): (Vec<(ToneFit, f64)>, Vec<ToneFit>) = (Vec::new(), Vec::new());
    let mut nothing = fit_tones(first, &[], true)?;
    let (mut rest, mut other) = (first.clone(), second.clone());
    while found.len() < PARTS {
        let Some(hz) = fundamental(&spectrum_of(&rest)?, &spectrum_of(&other)?, from_hz, to_hz) else { break };
        // One more harmonic of a part, or what its fit left of it, is no other part.
        if found.iter().any(|(fit, _)| belongs(hz, fit, 2.0 / first.span_s())) {
            break;
        }
        // A line that no sine fits best is noise that looked like one.
        let (fit, hz_error) = match periodic(&rest, hz) {
            Ok(fit) => fit,
            Err(MeasureError::InNoise { .. }) => break,
            Err(error) => return Err(error),
        };
        if found.is_empty() {
            least_v = least_v.max(SURE * fit.tones[0].error);
        }
        if !sure(&fit) {
            if found.is_empty() {
                nothing = fit;
            }
            break;
        }
        // A converter that runs free has moved meanwhile.
        let again = match periodic(&other, fit.tones[0].hz) {
            Ok((again, _)) => again,
            Err(_) => fit_tones(&other, &below(fit.tones.iter().map(|tone| tone.hz), second.dt_s()), true)?,
        };
        (rest, other) = (without(&rest, &fit)?, without(&other, &again)?);
        there.push(again);
        found.push((fit, hz_error));
    }
    // Each once more beside the others: until now the later ones stood in the residual of the earlier ones.
    let beside_others = if found.len() > 1 { found.len() } else { 0 };
    for k in 0..beside_others {
        let mut others = found.iter().enumerate().filter(|(i, _)| *i != k);
        let alone = others.try_fold(first.clone(), |trace, (_, (fit, _))| without(&trace, fit))?;
        if let Ok(better) = periodic(&alone, found[k].0.tones[0].hz)
            && sure(&better.0)
        {
            found[k] = better;
        }
    }
    let mean_v = mean(found.first().map_or(&nothing, |(fit, _)| fit), first, second)?;
    let parts: Vec<Part> =
        found.iter().map(|(fit, e)| part(fit, *e, &conversion, timebase_u)).collect::<Result<_, _>>()?;
    let fits: Vec<ToneFit> = found.into_iter().map(|(fit, _)| fit).collect();
    let left = [left::left(first, &fits)?, left::left(second, &there)?];
    Ok(Ripple { mean_v, parts, least_v, left })
}

/// Whether a line is a multiple of a part's fundamental, or lies too near to one of its tones to be told from it.
fn belongs(hz: f64, fit: &ToneFit, resolution_hz: f64) -> bool {
    let base_hz = fit.tones[0].hz;
    let times = (hz / base_hz).round();
    (times >= 1.0 && (hz - times * base_hz).abs() < 0.5 * resolution_hz)
        || fit.tones.iter().any(|tone| (hz - tone.hz).abs() < resolution_hz)
}

fn below(hz: impl Iterator<Item = f64>, dt_s: f64) -> Vec<f64> {
    hz.filter(|hz| *hz < CLEAR_OF_IMAGE / dt_s).collect()
}

/// A record less the tones of a fit; constant and drift stay.
fn without(trace: &Trace, fit: &ToneFit) -> Result<Trace, MeasureError> {
    let volts = trace.volts().iter().enumerate().map(|(i, v)| {
        let t = trace.time_s(i);
        let tones: f64 = fit
            .tones
            .iter()
            .map(|tone| {
                let (s, c) = (core::f64::consts::TAU * (tone.hz * t).fract()).sin_cos();
                tone.cosine * c + tone.sine * s
            })
            .sum();
        (f64::from(*v) - tones) as f32
    });
    Trace::from_volts(trace.t0_s(), trace.dt_s(), volts.collect())
}

/// Fundamental and harmonics near a guess, and the standard error of the frequency in hertz.
fn periodic(trace: &Trace, guess_hz: f64) -> Result<(ToneFit, f64), MeasureError> {
    let all = |hz: f64| below((1..=HARMONICS).map(|k| k as f64 * hz), trace.dt_s());
    let (single, _) = fit_near(trace, guess_hz)?;
    let rough = fit_tones(trace, &all(single.tones[0].hz), true)?;
    // What is noise in a harmonic would be counted so many times over in the frequency.
    let orders: Vec<f64> = clear(&rough).map(|(k, _)| k as f64 + 1.0).collect();
    let (fine, hz_error) = fit_periodic(trace, single.tones[0].hz, &orders, true)?;
    Ok((fit_tones(trace, &all(fine.tones[0].hz), true)?, hz_error))
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

fn part(fit: &ToneFit, hz_error: f64, conversion: &Conversion, timebase_u: f64) -> Result<Part, MeasureError> {
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
    })
}

#[cfg(test)]
mod tests;
