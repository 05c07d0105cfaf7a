//! Levels of composite video: sync, burst, white and black of lines. Their times: [`crate::time_base`].
//!
//! Levels are taken line by line and each is the median over lines, so that a disturbed line does not count. Colour is
//! kept out of brightness by means over whole cycles of the subcarrier.

use crate::error::{MeasureError, at_least};
use crate::estimate::{Contribution, Estimate, Spread};
use crate::statistics::{left_of_rounding, median_efficiency_factor, median_in_place, moments_of_finite};
use crate::sync::{PulseKind, SyncPulse, Syncs};
use crate::trace::Trace;
use crate::turning::Turning;
use tapewright_formats::LineStandard;
use tapewright_formats::definitions::PATCH_US;

/// Levels of one line, in volts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineLevels {
    /// Blanking less sync tip.
    pub sync_v: f64,
    /// Burst, peak to peak; none: samples too far apart for the subcarrier.
    pub burst_v: Option<f64>,
    /// Greatest level above blanking that holds for a patch; none: the line does not end in the record.
    pub white_v: Option<f64>,
    /// Least such level.
    pub black_v: Option<f64>,
    /// Standard deviation of single samples.
    pub noise_v: f64,
}

/// Least samples a cycle of the subcarrier for its amplitude.
const CYCLE_SAMPLES: f64 = 2.8;
/// Amplitude of the most saturated colour of ordinary bars over the burst's (computed from 75 per cent bars).
const MOST_COLOUR: f64 = 2.2;
/// What of a colour's amplitude a patch that ends among it may show (computed for patches of two times two and of two times three
/// cycles, at any phase and as coarsely as the scopes sample, beside a patch of less brightness).
const CUT: f64 = 0.026;
/// A line whose picture stays under this share of sync holds none.
const PICTURE: f64 = 0.15;

struct Reader<'a> {
    trace: &'a Trace,
}

impl Reader<'_> {
    /// Samples from one time to another; none: not all of it is in the record.
    fn between(&self, from_s: f64, to_s: f64) -> Option<&[f32]> {
        let place = |s: f64| (s - self.trace.t0_s()) / self.trace.dt_s();
        let (from, to) = (place(from_s).ceil(), place(to_s).floor());
        (from >= 0.0 && to < self.trace.volts().len() as f64 && to > from)
            .then(|| &self.trace.volts()[from as usize..=to as usize])
    }

    fn mean(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let samples = self.between(from_s, to_s)?;
        Some(samples.iter().map(|v| f64::from(*v)).sum::<f64>() / samples.len() as f64)
    }

    /// Amplitude at a known frequency: three parameters by linear least squares (IEEE 1057).
    fn amplitude(&self, from_s: f64, to_s: f64, frequency_hz: f64) -> Option<f64> {
        let samples = self.between(from_s, to_s)?;
        let w = core::f64::consts::TAU * frequency_hz * self.trace.dt_s();
        // Normal equations of cosine, sine, one.
        let (mut m, mut r) = ([[0.0; 3]; 3], [0.0; 3]);
        let mut turning = Turning::new(0.0, w);
        for v in samples {
            let (c, s) = turning.next();
            let row = [c, s, 1.0];
            for a in 0..3 {
                for b in 0..3 {
                    m[a][b] += row[a] * row[b];
                }
                r[a] += row[a] * f64::from(*v);
            }
        }
        crate::solve::solve(m, r).map(|x| f64::hypot(x[0], x[1]))
    }
}

/// Levels of every line of a record that begins with a sync pulse of its own.
#[must_use]
pub fn line_levels(trace: &Trace, syncs: &Syncs, lines: LineStandard) -> Vec<LineLevels> {
    syncs
        .pulses
        .iter()
        .filter(|pulse| pulse.kind == PulseKind::Line)
        .filter_map(|pulse| one_line(trace, syncs, pulse, lines))
        .collect()
}

fn one_line(trace: &Trace, syncs: &Syncs, pulse: &SyncPulse, lines: LineStandard) -> Option<LineLevels> {
    let timing = lines.video();
    let us = 1e-6;
    let reader = Reader { trace };
    let lead = pulse.lead_s;
    let tip = reader.mean(lead + 0.9 * us, lead + pulse.width_s - 0.9 * us)?;
    let burst = (timing.burst_start_us.value * us, (timing.burst_start_us.value + timing.burst_us()) * us);
    let porch_end = (timing.h_blanking_us.value - timing.front_porch_us.value) * us;
    let blanking = reader.mean(lead + burst.1 + 0.25 * us, lead + porch_end - 0.25 * us)?;
    let samples_a_cycle = 1.0 / (timing.subcarrier_hz.value * trace.dt_s());
    let burst_v = (samples_a_cycle >= CYCLE_SAMPLES)
        .then(|| reader.amplitude(lead + burst.0 + 0.3 * us, lead + burst.1 - 0.3 * us, timing.subcarrier_hz.value))
        .flatten()
        .map(|amplitude| {
            // What noise alone would show adds as power: `2 sigma^2 / N` for each of two parameters.
            let n = ((burst.1 - burst.0 - 0.6 * us) / trace.dt_s()).max(3.0);
            2.0 * (amplitude * amplitude - 4.0 * syncs.noise_v.powi(2) / n).max(0.0).sqrt()
        });
    let (white_v, black_v) = match patches(
        trace,
        syncs.noise_v,
        lead + porch_end,
        lead + syncs.line_s - timing.front_porch_us.value * us,
        lines,
    ) {
        Some((white, black)) => (Some(white - blanking), Some(black - blanking)),
        None => (None, None),
    };
    Some(LineLevels { sync_v: blanking - tip, burst_v, white_v, black_v, noise_v: syncs.noise_v })
}

/// Greatest and least mean over a patch's time within the picture of a line.
fn patches(trace: &Trace, noise_v: f64, from_s: f64, to_s: f64, lines: LineStandard) -> Option<(f64, f64)> {
    // Whole cycles of the subcarrier keep colour out, and twice so where a patch ends among it.
    let (first, second) = halves(lines);
    let samples_of = |cycles: f64| (cycles / (lines.video().subcarrier_hz.value * trace.dt_s())).max(1.0);
    let (a, b) = (samples_of(first), samples_of(second));
    let n = a + b;
    let reader = Reader { trace };
    let samples = reader.between(from_s + 0.3e-6, to_s - 0.3e-6)?;
    if samples.len() < n as usize + 3 {
        return None;
    }
    let volts: Vec<f64> = samples.iter().map(|v| f64::from(*v)).collect();
    let means = sliding(&sliding(&volts, a), b);
    let (low, high) = means.iter().fold((f64::MAX, f64::MIN), |(low, high), mean| (low.min(*mean), high.max(*mean)));
    // Variance of a mean of means over `a` and over `b` samples, of which each lies in both: `(3 a b - b^2 + 1) / (3 a^2 b)`.
    let deviation = noise_v * ((3.0 * a * b - b * b + 1.0) / (3.0 * a * a * b)).sqrt();
    // The greatest of noisy means lies above what they scatter about, the more so the more there are that reach it: in deviations
    // of one by `ln(1 + 1.6 r)`, with `r` patches within two deviations (fitted to means of drawn noise, to within 0.1).
    let lift = |near: usize| deviation * (1.6 * near as f64 / n).ln_1p();
    let near_high = means.iter().filter(|mean| **mean > high - 2.0 * deviation).count();
    let near_low = means.iter().filter(|mean| **mean < low + 2.0 * deviation).count();
    Some((high - lift(near_high), low + lift(near_low)))
}

/// How many cycles of the subcarrier a patch of at least its least time is a mean over, and a mean of that again.
fn halves(lines: LineStandard) -> (f64, f64) {
    let cycles = (PATCH_US * 1e-6 * lines.video().subcarrier_hz.value).ceil();
    ((0.5 * cycles).ceil(), (0.5 * cycles).floor().max(1.0))
}

/// Means over so many neighbours, of the last one as much as is left of a whole number.
fn sliding(values: &[f64], count: f64) -> Vec<f64> {
    let (whole, part) = (count as usize, count.fract());
    let mut sum: f64 = values[..whole].iter().sum();
    let mut out = Vec::with_capacity(values.len() - whole);
    for (gone, come) in values.iter().zip(&values[whole..]) {
        out.push((sum + part * come) / count);
        sum += come - gone;
    }
    out
}

/// Median over lines, with what makes up its uncertainty.
///
/// `step_v`: a step of the converter, `noise_v`: standard deviation of single samples, `gain_u`: relative uncertainty of the
/// channel's gain.
///
/// # Errors
/// [`MeasureError::TooShort`] below three lines.
pub fn level_over_lines(values: &[f64], step_v: f64, noise_v: f64, gain_u: f64) -> Result<Estimate, MeasureError> {
    at_least("lines with a level", values.len(), 3)?;
    let m = moments_of_finite(values.iter().copied());
    let median = median_in_place(&mut values.to_vec());
    let n = m.count as f64;
    Estimate::combined(
        median,
        vec![
            Contribution::type_a(
                "scatter over lines",
                median_efficiency_factor(m.count) * m.standard_deviation / n.sqrt(),
                n - 1.0,
            ),
            // A difference of two means.
            Contribution::type_b("rounding", core::f64::consts::SQRT_2 * left_of_rounding(step_v, noise_v))
                .spread(Spread::AtEnds),
            Contribution::type_b("gain of the channel", (median * gain_u).abs()).spread(Spread::Rectangular),
        ],
    )
}

/// White or black over lines, as [`level_over_lines`], beside a burst of `burst_v` peak to peak: a patch that ends among colour
/// cuts one of its cycles, and the greatest and least are sought where that shows most.
///
/// # Errors
/// As [`level_over_lines`].
pub fn patch_over_lines(
    values: &[f64],
    (step_v, noise_v, gain_u): (f64, f64, f64),
    burst_v: f64,
) -> Result<Estimate, MeasureError> {
    let level = level_over_lines(values, step_v, noise_v, gain_u)?;
    let cut_v = 0.5 * MOST_COLOUR * burst_v * CUT;
    let mut contributions = level.contributions;
    contributions.push(Contribution::rectangular("colour that a patch's end cuts", cut_v));
    Estimate::combined(level.value, contributions)
}

/// Lines of a picture among those that were taken: whose greatest level stands clear of blanking.
#[must_use]
pub fn with_picture(lines: &[LineLevels]) -> Vec<(f64, f64)> {
    lines
        .iter()
        .filter_map(|line| line.white_v.zip(line.black_v).filter(|(white, _)| *white > PICTURE * line.sync_v))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// White beside a coloured patch, at any phase and any place of the samples: no more of colour than is stated.
    #[test]
    fn a_patch_that_ends_among_colour_hardly_shows_it() {
        for lines in [LineStandard::L525, LineStandard::L625] {
            let cycle_s = 1.0 / lines.video().subcarrier_hz.value;
            for dt_s in [24e-9, 61e-9, 80e-9] {
                for phase in (0..16).map(|i| f64::from(i) / 16.0) {
                    let level = |t: f64| match t {
                        t if t < 5e-6 => 0.75,
                        t if t < 9e-6 => 0.664 + 0.336 * (core::f64::consts::TAU * (t / cycle_s + phase)).cos(),
                        _ => 0.0,
                    };
                    let volts = (0..(12e-6 / dt_s) as usize).map(|i| level(i as f64 * dt_s) as f32).collect();
                    let trace = Trace::from_volts(0.0, dt_s, volts).unwrap();
                    let (white, black) = patches(&trace, 0.0, 0.0, 12e-6, lines).unwrap();
                    let over = (white - 0.75) / 0.336;
                    assert!((-1e-6..CUT).contains(&over) && black.abs() < 1e-6, "{dt_s} {phase}: {over}, {black}");
                }
            }
        }
    }

    #[test]
    fn two_lines_are_no_level() {
        assert!(level_over_lines(&[0.3, 0.3], 0.0, 0.0, 0.0).is_err());
    }

    fn reader(volts: &[f32]) -> Trace {
        Trace::from_volts(0.0, 1.0, volts.to_vec()).unwrap()
    }

    /// Three-parameter sine fits (IEEE 1057): vectors computed outside the project in double precision.
    #[test]
    fn sine_fits_of_three_parameters() {
        let turn = core::f64::consts::TAU * 3.0 / 16.0;
        let first: Vec<f32> = (0..16)
            .map(|i| (0.75 * (turn * f64::from(i)).cos() - 0.5 * (turn * f64::from(i)).sin() + 0.125) as f32)
            .collect();
        let second = [
            1.16, 0.94, 0.58, 0.15, -0.27, -0.6, -0.78, -0.77, -0.58, -0.24, 0.19, 0.61, 0.96, 1.16, 1.18, 1.02, 0.69,
            0.28, -0.15, -0.52,
        ];
        for (volts, frequency, amplitude) in [(&first[..], 3.0 / 16.0, 0.901_388), (&second[..], 0.07, 0.999_128)] {
            let trace = reader(volts);
            let got = Reader { trace: &trace }.amplitude(0.0, (volts.len() - 1) as f64, frequency).unwrap();
            assert!((got - amplitude).abs() < 2e-6, "{got}, {amplitude} expected");
        }
    }
}
