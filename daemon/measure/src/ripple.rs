//! Ripple of a supply rail: its periodic parts, told from noise and from aliases of each other.
//!
//! A periodic part is a fundamental with its harmonics, fitted by least squares: any number of cycles will do, a drift is
//! fitted with it, and noise does not widen what it says. A line that is an alias moves when the sample rate does; so two
//! records at unlike rates say which lines are real.

use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate};
use crate::sine::{Tone, ToneFit, fit_near, fit_periodic, fit_tones};
use crate::spectrum::Spectrum;
use crate::trace::{Conversion, Trace};

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
}

/// What a record shows beside its periodic part.
#[derive(Debug, Clone)]
pub struct Ripple {
    /// Direct voltage.
    pub mean_v: Estimate,
    /// The largest periodic part between the frequencies looked at; none stands clear.
    pub part: Option<Part>,
    /// Amplitude that a line would have needed to stand clear, in volts.
    pub least_v: f64,
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
        if to_hz > 0.45 * rate_hz {
            return Err(MeasureError::TooSlow { what: "ripple", rate_hz, needed_hz: to_hz / 0.45 });
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
    let spectrum = spectrum_of(first)?;
    let floor = spectrum.floor(from_hz, to_hz);
    let least_v = (CLEAR * floor).max(0.35 * conversion.step_v);
    let guess = fundamental(&spectrum, &spectrum_of(second)?, from_hz, to_hz);
    // A line that no sine fits best is noise that looked like one.
    let (fit, hz_error) = match guess.map(|hz| periodic(first, hz)) {
        Some(Ok(found)) => found,
        None | Some(Err(MeasureError::InNoise { .. })) => (fit_tones(first, &[], true)?, 0.0),
        Some(Err(error)) => return Err(error),
    };
    let mean_v = mean(&fit, first, second)?;
    // What the residual of everything else hides is no part.
    let sure = |fit: &ToneFit| fit.tones.first().is_some_and(|tone| tone.amplitude() > SURE * tone.error);
    let part = if sure(&fit) { Some(part(&fit, hz_error, &conversion, timebase_u)?) } else { None };
    let least_v = least_v.max(fit.tones.first().map_or(0.0, |tone| SURE * tone.error));
    Ok(Ripple { mean_v, part, least_v })
}

/// Fundamental and harmonics near a guess, and the standard error of the frequency in hertz.
fn periodic(trace: &Trace, guess_hz: f64) -> Result<(ToneFit, f64), MeasureError> {
    let all =
        |hz: f64| -> Vec<f64> { (1..=HARMONICS).map(|k| k as f64 * hz).filter(|f| *f < 0.45 / trace.dt_s()).collect() };
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
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rail(rate: f64, count: usize, mains_v: f64, switching_v: f64) -> Trace {
        let volts = (0..count).map(|i| {
            let t = i as f64 / rate;
            let wave = |hz: f64| {
                let x = core::f64::consts::TAU * hz * t;
                (x + 0.3).cos() + 0.3 * (2.0 * x).cos()
            };
            let noise = (((i * 7919) % 1009) as f64 / 1009.0 - 0.5) * 2e-3;
            (12.0 + 0.1 * t + mains_v * wave(120.3) + switching_v * wave(71_900.0) + noise) as f32
        });
        Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
    }

    #[test]
    fn the_part_is_found_with_its_size_whatever_the_cycles() {
        let (first, second) = (rail(12_500.0, 2500, 0.05, 0.0), rail(10_700.0, 2300, 0.05, 0.0));
        let found = ripple(&first, &second, (30.0, 2000.0), 5e-5).unwrap();
        let part = found.part.unwrap();
        assert!((part.hz.value - 120.3).abs() < 0.1, "{part:?}");
        let shape = |x: f64| (x + 0.3_f64).cos() + 0.3 * (2.0 * x).cos();
        let looks = (0..5000).map(|k| shape(core::f64::consts::TAU * f64::from(k) / 5000.0));
        let (low, high) = looks.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        assert!((part.peak_to_peak_v.value / (0.05 * (high - low)) - 1.0).abs() < 0.02, "{part:?}");
        assert!((part.rms_v.value / (0.05 * (0.5 * 1.09_f64).sqrt()) - 1.0).abs() < 0.02, "{part:?}");
        assert!((found.mean_v.value - 12.01).abs() < 2e-3, "{:?}", found.mean_v);
    }

    /// The second harmonic draws the frequency of a sine fitted alone to either side, by its phase.
    #[test]
    fn the_frequency_of_a_wave_with_harmonics_is_held() {
        let (rate, hz, noise_v) = (10e3, 60.0, 1e-3);
        let mut noise = crate::extremes::Noise::new(31);
        let mut record = |start: f64, count: u32| {
            let volts = (0..count).map(|i| {
                let x = core::f64::consts::TAU * hz * f64::from(i) / rate + start;
                (9.0 + 0.1 * x.cos() + 0.03 * (2.0 * x + 0.2).cos() + noise_v * noise.normal()) as f32
            });
            Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
        };
        let trials = 100;
        let covered = (0..trials)
            .filter(|k| {
                let start = core::f64::consts::TAU * f64::from(*k) / f64::from(trials);
                let hz_seen = periodic(&record(start, 2000), hz + 1.0).and_then(|(fit, error)| {
                    let noise = Contribution::type_a("noise", error, fit.degrees_of_freedom);
                    Estimate::combined(fit.tones[0].hz, vec![noise])
                });
                let hz_seen = hz_seen.unwrap();
                assert!(hz_seen.standard_uncertainty < 2e-3, "{hz_seen:?}");
                (hz_seen.interval.low..=hz_seen.interval.high).contains(&hz)
            })
            .count();
        assert!((90..=99).contains(&covered), "{covered} of {trials}");
    }

    #[test]
    fn an_alias_of_the_switching_is_not_taken_for_mains() {
        let (first, second) = (rail(12_500.0, 2500, 0.0, 0.05), rail(10_700.0, 2300, 0.0, 0.05));
        let found = ripple(&first, &second, (30.0, 2000.0), 5e-5).unwrap();
        assert!(found.part.is_none(), "{found:?}");
        let (first, second) = (rail(2e6, 2500, 0.0, 0.05), rail(1.7e6, 2300, 0.0, 0.05));
        let fast = ripple(&first, &second, (5000.0, 500e3), 5e-5).unwrap().part.unwrap();
        assert!((fast.hz.value - 71_900.0).abs() < 20.0, "{fast:?}");
        let (first, second) = (rail(12_500.0, 2500, 0.0, 0.0), rail(10_700.0, 2300, 0.0, 0.0));
        assert!(ripple(&first, &second, (30.0, 2000.0), 5e-5).unwrap().part.is_none());
        assert!(ripple(&first, &second, (30.0, 6000.0), 5e-5).is_err());
        assert!(ripple(&first, &second, (1.0, 2000.0), 5e-5).is_err());
    }
}
