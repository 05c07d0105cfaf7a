//! Sine fits by least squares: one tone or several at known frequencies (three-parameter fit of IEEE 1057), or with the
//! frequency found as well (four-parameter fit).
//!
//! Any number of samples and any part of a cycle will do: nothing here needs whole cycles. The frequency may lie above
//! half the sample rate where it is known well enough to say which alias is seen.

use crate::error::{MeasureError, at_least, positive};
use crate::linear::Normal;
use crate::spectrum::Spectrum;
use crate::trace::Trace;
use crate::turning::Turning;

/// One tone of a fit: `cosine cos(2 pi f t) + sine sin(2 pi f t)`, `t` from the trigger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Frequency.
    pub hz: f64,
    /// Part in phase with the cosine.
    pub cosine: f64,
    /// Part in phase with the sine.
    pub sine: f64,
    /// Standard error of either part.
    pub error: f64,
}

impl Tone {
    /// Amplitude (the peak of the sine).
    #[must_use]
    pub fn amplitude(&self) -> f64 {
        self.cosine.hypot(self.sine)
    }

    /// `p` of `amplitude cos(2 pi f t + p)`, in radians.
    #[must_use]
    pub fn phase_rad(&self) -> f64 {
        (-self.sine).atan2(self.cosine)
    }

    /// Standard error of the phase, in radians.
    #[must_use]
    pub fn phase_error_rad(&self) -> f64 {
        self.error / self.amplitude().max(f64::MIN_POSITIVE)
    }
}

/// A fit of one tone or several.
#[derive(Debug, Clone, PartialEq)]
pub struct ToneFit {
    /// The tones, in the order that they were asked for.
    pub tones: Vec<Tone>,
    /// Constant part.
    pub offset: f64,
    /// Standard error of that.
    pub offset_error: f64,
    /// Root mean square of the residuals, over their degrees of freedom.
    pub residual: f64,
    /// Degrees of freedom of the residuals: fewer than samples where they remember each other.
    pub degrees_of_freedom: f64,
}

/// Greatest number of rounds of the four-parameter fit.
const ROUNDS: usize = 40;

/// The fit, and by how many times the variance of what is fitted is greater because the residuals remember each other.
fn fit_with_memory(
    t0_s: f64,
    dt_s: f64,
    volts: &[f32],
    hz: &[f64],
    drift: bool,
) -> Result<(ToneFit, f64), MeasureError> {
    let size = 2 * hz.len() + 1 + usize::from(drift);
    at_least("samples of a sine fit", volts.len(), size + 2)?;
    positive("time from sample to sample", dt_s)?;
    for f in hz {
        positive("frequency of a sine fit", *f)?;
    }
    // Time from the middle keeps a straight line at right angles to the constant.
    let middle = 0.5 * (volts.len() as f64 - 1.0);
    let half = middle.max(1.0);
    let turnings = || -> Vec<Turning> {
        let of = |f: &f64| {
            let step = core::f64::consts::TAU * f * dt_s;
            Turning::new(-middle * step, step)
        };
        hz.iter().map(of).collect()
    };
    let row = |i: usize, turnings: &mut [Turning], row: &mut Vec<f64>| {
        row.clear();
        for turning in turnings {
            let (c, s) = turning.next();
            row.extend([c, s]);
        }
        row.push(1.0);
        if drift {
            row.push((i as f64 - middle) / half);
        }
    };
    let (mut normal, mut work, mut turning) = (Normal::new(size), Vec::with_capacity(size), turnings());
    for (i, v) in volts.iter().enumerate() {
        row(i, &mut turning, &mut work);
        normal.add(&work, f64::from(*v));
    }
    let solved = normal.solve().ok_or(MeasureError::TooShort {
        what: "samples that tell the tones of a sine fit apart",
        given: volts.len() as f64,
        needed: 2.0 * volts.len() as f64,
    })?;
    let (mut squares, mut products, mut before) = (0.0, 0.0, 0.0);
    turning = turnings();
    for (i, v) in volts.iter().enumerate() {
        row(i, &mut turning, &mut work);
        let left = f64::from(*v) - work.iter().zip(&solved.coefficients).map(|(a, b)| a * b).sum::<f64>();
        squares += left * left;
        products += left * before;
        before = left;
    }
    let n = volts.len() as f64;
    let dof = n - size as f64;
    let residual = (squares / dof).sqrt();
    // Residuals that remember the one before are worth fewer (first order; what alternates is not counted as more).
    let memory = if squares > 0.0 { (products / squares).clamp(0.0, 0.98) } else { 0.0 };
    let fewer = if memory > 2.0 / n.sqrt() { (1.0 + memory) / (1.0 - memory) } else { 1.0 };
    let error = |k: usize| residual * (solved.inverse[k * size + k] * fewer).sqrt();
    let middle_s = t0_s + middle * dt_s;
    let tones = hz
        .iter()
        .enumerate()
        .map(|(k, &f)| {
            // Phases counted from the middle are turned back to the trigger.
            let (s, c) = (core::f64::consts::TAU * (f * middle_s).fract()).sin_cos();
            let (a, b) = (solved.coefficients[2 * k], solved.coefficients[2 * k + 1]);
            Tone { hz: f, cosine: a * c - b * s, sine: a * s + b * c, error: error(2 * k).max(error(2 * k + 1)) }
        })
        .collect();
    let at = 2 * hz.len();
    let fit = ToneFit {
        tones,
        offset: solved.coefficients[at],
        offset_error: error(at),
        residual,
        degrees_of_freedom: (dof / fewer).max(1.0),
    };
    Ok((fit, fewer))
}

fn fit(t0_s: f64, dt_s: f64, volts: &[f32], hz: &[f64], drift: bool) -> Result<ToneFit, MeasureError> {
    fit_with_memory(t0_s, dt_s, volts, hz, drift).map(|(fit, _)| fit)
}

/// Tones at known frequencies on a constant, with `drift` on a straight line.
///
/// # Errors
/// [`MeasureError::TooShort`] where the samples do not tell the tones apart, [`MeasureError::BadParameter`].
pub fn fit_tones(trace: &Trace, hz: &[f64], drift: bool) -> Result<ToneFit, MeasureError> {
    fit(trace.t0_s(), trace.dt_s(), trace.volts(), hz, drift)
}

/// [`fit_tones`] of values that are no trace.
pub(crate) fn fit_values(values: &[f64], dt_s: f64, hz: &[f64]) -> Result<ToneFit, MeasureError> {
    let narrow: Vec<f32> = values.iter().map(|v| *v as f32).collect();
    fit(0.0, dt_s, &narrow, hz, false)
}

/// One tone whose frequency is known about, to within a fraction of a cycle over the record: the frequency too is
/// fitted, by Gauss and Newton. The second value is the standard error of the frequency in hertz.
///
/// # Errors
/// As [`fit_tones`]; [`MeasureError::InNoise`] where no frequency near the guess fits best.
pub fn fit_near(trace: &Trace, guess_hz: f64) -> Result<(ToneFit, f64), MeasureError> {
    fit_periodic(trace, guess_hz, &[1.0], false)
}

/// [`fit_near`] of a wave of several harmonics (`orders`, the fundamental first), with `drift` on a straight line: the
/// frequency of all of them together. A harmonic that is there and is not fitted draws the frequency to one side, by its
/// phase, and that is no noise: the residual does not say how far.
///
/// # Errors
/// As [`fit_near`].
pub fn fit_periodic(trace: &Trace, guess_hz: f64, orders: &[f64], drift: bool) -> Result<(ToneFit, f64), MeasureError> {
    let (dt, volts) = (trace.dt_s(), trace.volts());
    let span_s = trace.span_s();
    let mut hz = positive("frequency of a sine fit", guess_hz)?;
    let mut variance = f64::INFINITY;
    let tones_at = |hz: f64| orders.iter().map(|order| order * hz).collect::<Vec<_>>();
    // Two columns a tone, the constant, the straight line, and last the slope with the frequency.
    let last = 2 * orders.len() + 1 + usize::from(drift);
    let mut row = Vec::with_capacity(last + 1);
    for _ in 0..ROUNDS {
        let (now, fewer) = fit_with_memory(0.0, dt, volts, &tones_at(hz), drift)?;
        let mut normal = Normal::new(last + 1);
        let mut turnings: Vec<Turning> =
            now.tones.iter().map(|tone| Turning::new(0.0, core::f64::consts::TAU * tone.hz * dt)).collect();
        for (i, v) in volts.iter().enumerate() {
            let t = i as f64 * dt;
            let (mut left, mut slope) = (f64::from(*v) - now.offset, 0.0);
            row.clear();
            for ((tone, order), turning) in now.tones.iter().zip(orders).zip(&mut turnings) {
                let (c, s) = turning.next();
                left -= tone.cosine * c + tone.sine * s;
                // In cycles of the fundamental over the record.
                slope += order * core::f64::consts::TAU * t / span_s * (tone.sine * c - tone.cosine * s);
                row.extend([c, s]);
            }
            row.push(1.0);
            if drift {
                row.push(t / span_s - 0.5);
            }
            row.push(slope);
            normal.add(&row, left);
        }
        let Some(solved) = normal.solve() else { break };
        let step = solved.coefficients[last] / span_s;
        variance = solved.inverse[last * (last + 1) + last] * now.residual.powi(2) * fewer / span_s.powi(2);
        hz += step;
        if !(hz.is_finite() && hz > 0.0 && (hz - guess_hz).abs() * span_s < 2.0) {
            break;
        }
        if step.abs() <= 1e-13 * hz {
            break;
        }
    }
    if !(variance.is_finite() && hz > 0.0 && (hz - guess_hz).abs() * span_s < 2.0) {
        let detail = format!("no sine near {guess_hz} Hz fits best");
        return Err(MeasureError::InNoise { what: "frequency of a tone", detail });
    }
    Ok((fit_tones(trace, &tones_at(hz), drift)?, variance.sqrt()))
}

/// How far beside the bounds of a search the noise is looked for, in widths of a line.
const BESIDE: f64 = 10.0;

/// The strongest tone between two frequencies below half the sample rate, fitted with its frequency. It must stand
/// `clear` times above the median of the spectrum there and ten widths of a line beside it.
///
/// # Errors
/// [`MeasureError::InNoise`], [`MeasureError::TooSlow`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn strongest_tone(trace: &Trace, from_hz: f64, to_hz: f64, clear: f64) -> Result<(ToneFit, f64), MeasureError> {
    let rate_hz = 1.0 / trace.dt_s();
    if to_hz >= 0.5 * rate_hz {
        return Err(MeasureError::TooSlow { what: "search for a tone", rate_hz, needed_hz: 2.0 * to_hz });
    }
    let values: Vec<f64> = trace.volts().iter().map(|v| f64::from(*v)).collect();
    let spectrum = Spectrum::of(&values, trace.dt_s())?;
    // Between narrow bounds the line itself would be most of the spectrum, and its own median.
    let beside_hz = BESIDE * spectrum.resolution_hz;
    let floor = spectrum.floor((from_hz - beside_hz).max(0.0), to_hz + beside_hz);
    let peak = spectrum.peaks(from_hz, to_hz, 1).into_iter().find(|peak| peak.amplitude > clear * floor);
    let Some(peak) = peak else {
        let detail =
            format!("no line between {from_hz:.0} Hz and {to_hz:.0} Hz above {clear} times the median, {floor:.2e} V");
        return Err(MeasureError::InNoise { what: "search for a tone", detail });
    };
    fit_near(trace, peak.hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace(values: impl Iterator<Item = f64>) -> Trace {
        Trace::from_volts(0.0, 1.0, values.map(|v| v as f32).collect()).unwrap()
    }

    #[track_caller]
    fn near(what: &str, got: f64, want: f64, within: f64) {
        assert!((got - want).abs() <= within, "{what}: {got}, expected {want} within {within}");
    }

    /// Vectors computed from the definition of the three-parameter fit (IEEE 1057).
    #[test]
    fn three_parameter_vectors() {
        let exact = trace((0..16).map(|i| {
            let x = core::f64::consts::TAU * 3.0 / 16.0 * f64::from(i);
            0.75 * x.cos() - 0.5 * x.sin() + 0.125
        }));
        let fit = fit_tones(&exact, &[3.0 / 16.0], false).unwrap();
        // Samples are single precision.
        near("A", fit.tones[0].cosine, 0.75, 1e-7);
        near("B", fit.tones[0].sine, -0.5, 1e-7);
        near("C", fit.offset, 0.125, 1e-7);
        near("amplitude", fit.tones[0].amplitude(), 0.901_388, 1e-6);
        near("residual", fit.residual, 0.0, 1e-7);
        let rounded = trace(
            [
                1.16, 0.94, 0.58, 0.15, -0.27, -0.6, -0.78, -0.77, -0.58, -0.24, 0.19, 0.61, 0.96, 1.16, 1.18, 1.02,
                0.69, 0.28, -0.15, -0.52,
            ]
            .into_iter(),
        );
        let fit = fit_tones(&rounded, &[0.07], false).unwrap();
        near("A", fit.tones[0].cosine, 0.954_686, 1e-6);
        near("B", fit.tones[0].sine, -0.294_672, 1e-6);
        near("C", fit.offset, 0.199_853, 1e-6);
        near("amplitude", fit.tones[0].amplitude(), 0.999_128, 1e-6);
        near("phase", fit.tones[0].phase_rad(), 0.299_381, 1e-6);
        // The vector's root mean square is over all 20 samples.
        near("rms residual", fit.residual * (17.0_f64 / 20.0).sqrt(), 0.002_816, 1e-6);
    }

    #[test]
    fn two_tones_on_a_drift_are_told_apart() {
        let dt = 2e-5;
        let volts = (0..2500).map(|i| {
            let t = 0.3 + f64::from(i) * dt;
            let tone = |f: f64, a: f64, p: f64| a * (core::f64::consts::TAU * f * t + p).cos();
            (tone(1003.7, 0.3, 0.5) + tone(6022.2, 0.1, -1.2) + 0.2 + 3.0 * t) as f32
        });
        let trace = Trace::from_volts(0.3, dt, volts.collect()).unwrap();
        let fit = fit_tones(&trace, &[1003.7, 6022.2], true).unwrap();
        near("first", fit.tones[0].amplitude(), 0.3, 1e-6);
        near("its phase", fit.tones[0].phase_rad(), 0.5, 1e-5);
        near("second", fit.tones[1].amplitude(), 0.1, 1e-6);
        near("its phase", fit.tones[1].phase_rad(), -1.2, 1e-5);
    }

    /// The frequency's scatter keeps to the lower bound `24 s^2 / (A^2 N (N^2 - 1))` in square radians a sample (from memory).
    #[test]
    fn the_frequency_is_found_as_well_as_it_can_be() {
        let (n, a, s, hz) = (400, 1.0, 0.05, 0.123_4);
        let mut noise = crate::extremes::Noise::new(1);
        let (mut squares, mut stated) = (0.0, 0.0);
        let rounds = 200;
        for _ in 0..rounds {
            let noisy = trace(
                (0..n).map(|i| a * (core::f64::consts::TAU * hz * f64::from(i) + 1.0).cos() + s * noise.normal()),
            );
            let (_, error) = {
                let (fit, error) = fit_near(&noisy, 0.123).unwrap();
                squares += (fit.tones[0].hz - hz).powi(2);
                (fit, error)
            };
            stated += error;
        }
        let found = core::f64::consts::TAU * (squares / f64::from(rounds)).sqrt();
        let n = f64::from(n);
        let bound = (24.0 * s * s / (a * a * n * (n * n - 1.0))).sqrt();
        assert!((0.85..1.2).contains(&(found / bound)), "{found} against {bound}");
        let stated = core::f64::consts::TAU * stated / f64::from(rounds);
        assert!((0.9..1.1).contains(&(stated / bound)), "{stated} against {bound}");
    }

    /// Noise that remembers the sample before moves the frequency more than its residual says: the error is that of so many
    /// fewer samples, as the parts' own is.
    #[test]
    fn the_frequency_of_a_tone_in_slow_noise_has_a_greater_error() {
        let (n, a, s, hz, keeps, rounds) = (2000, 1.0, 0.02, 0.012_34, 0.8_f64, 100);
        let mut noise = crate::extremes::Noise::new(9);
        let (mut squares, mut stated) = (0.0, 0.0);
        for _ in 0..rounds {
            let mut slow = 0.0;
            let noisy = trace((0..n).map(|i| {
                slow = keeps * slow + (1.0 - keeps * keeps).sqrt() * noise.normal();
                a * (core::f64::consts::TAU * hz * f64::from(i) + 1.0).cos() + s * slow
            }));
            let (fit, error) = fit_near(&noisy, hz).unwrap();
            squares += (fit.tones[0].hz - hz).powi(2);
            stated += error * error;
        }
        let share = (squares / stated).sqrt();
        assert!((0.7..1.25).contains(&share), "found {share} of what is stated");
    }

    #[test]
    fn the_weaker_of_two_tones_is_found_in_eight_bits() {
        let dt = 1.0 / 48_000.0;
        let volts = (0..2500).map(|i| {
            let t = f64::from(i) * dt;
            let tone = |f: f64, a: f64, p: f64| a * (core::f64::consts::TAU * f * t + p).cos();
            (((tone(1000.2, 0.42, 0.5) + tone(6001.3, 0.21, -1.2)) / 0.02).round() * 0.02) as f32
        });
        let trace = Trace::from_volts(0.3, dt, volts.collect()).unwrap();
        let (fit, error) = strongest_tone(&trace, 5760.0, 6240.0, 3.0).unwrap();
        near("frequency", fit.tones[0].hz, 6001.3, 0.1);
        near("amplitude", fit.tones[0].amplitude(), 0.21, 2e-3);
        // The other tone is left over, and counts as noise that remembers.
        assert!((0.1..5.0).contains(&error), "{error}");
    }

    #[test]
    fn what_is_no_tone_is_refused() {
        let quiet = trace((0..400).map(|i| f64::from((i * 7919) % 101) * 1e-3));
        assert!(matches!(strongest_tone(&quiet, 0.01, 0.3, 30.0), Err(MeasureError::InNoise { .. })));
        assert!(matches!(strongest_tone(&quiet, 0.01, 0.6, 5.0), Err(MeasureError::TooSlow { .. })));
        assert!(fit_tones(&quiet, &[f64::NAN], false).is_err());
        assert!(fit_tones(&trace((0..4).map(f64::from)), &[0.1], false).is_err());
        assert!(fit_tones(&quiet, &[0.1, 0.1], false).is_err(), "one tone asked for twice");
    }
}
