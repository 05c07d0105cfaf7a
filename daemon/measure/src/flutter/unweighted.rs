//! The tone's mean frequency and the lines of the unweighted spectrum.

use super::{SpeedError, cut};
use crate::demodulate::PASS_RIPPLE;
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use crate::sine::fit_values;
use crate::spectrum::Spectrum;

/// A flutter line must stand so many times above the median of the spectrum.
const CLEAR: f64 = 5.0;

/// What lines that were not fitted pull the frequency of one that was, in cycles over the record (standard uncertainty, from trials).
const PULLED: f64 = 0.002;

/// Lowest frequency that a line may have, in cycles over the record.
const LEAST_CYCLES: f64 = 2.0;

/// What the settling at both ends of a record leaves in the tone's phase, in cycles (a guess, no source).
const ENDS_CYCLES: f64 = 0.02;

/// Share of what a line's broken turn leaves in the mean that stays when the fitted line is taken off (a guess, no source).
const LEFT_OF_TURN: f64 = 0.1;

/// One flutter line.
#[derive(Debug, Clone)]
pub struct FlutterLine {
    /// Its frequency in hertz.
    pub hz: Estimate,
    /// Its peak in per cent.
    pub percent: Estimate,
}

/// A tone's speed as its mean and what swings about it.
#[derive(Debug, Clone)]
pub struct Unweighted {
    /// Frequency of the tone without the flutter's lines, in hertz.
    pub tone_hz: Estimate,
    /// The largest lines of the unweighted spectrum that stand clear, largest first.
    pub lines: Vec<FlutterLine>,
}

impl SpeedError {
    /// The tone's mean frequency and the largest lines of the unweighted spectrum, at most `count`. `timebase_u`: relative
    /// standard uncertainty of the scope's time base.
    ///
    /// A part that goes round a broken number of times leaves up to its peak over pi times that number in the plain
    /// mean: the lines are fitted together with the mean, so that they leave little.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`], [`MeasureError::NotFinite`].
    pub fn unweighted(&self, count: usize, timebase_u: f64) -> Result<Unweighted, MeasureError> {
        let spectrum = Spectrum::of(&self.error, self.dt_s)?;
        let span_s = self.error.len() as f64 * self.dt_s;
        let (from, to) = (LEAST_CYCLES / span_s, self.highest_hz);
        // Noise on the phase rises with frequency: each line is held against its own neighbourhood.
        let local = |hz: f64| {
            let beside = (8.0 * spectrum.resolution_hz).max(0.3 * hz);
            let (low, high) = ((hz - beside).max(from), (hz + beside).min(to));
            (spectrum.floor(low, high), 0.5 * (low + high))
        };
        let mut peaks = spectrum.peaks(from, to, 12);
        peaks.retain(|peak| peak.amplitude > CLEAR * local(peak.hz).0);
        let hz: Vec<f64> = peaks.iter().map(|peak| peak.hz).collect();
        let fit = fit_values(&self.error, self.dt_s, &hz)?;
        // Lines of the same frequencies in what the filter cuts.
        let again = fit_values(&cut::less(&self.error, &self.cut), self.dt_s, &hz)?;
        let (mut lines, mut left) = (Vec::new(), 0.0_f64);
        for ((tone, again), peak) in fit.tones.iter().zip(&again.tones).zip(&peaks) {
            let undo = self.undo(tone.hz);
            // The median of a Rayleigh amplitude is 1.18 of each part's deviation; the window's noise bandwidth is 1.5.
            let (floor, middle_hz) = local(peak.hz);
            let error = floor * peak.hz / middle_hz / 1.177 / 1.5_f64.sqrt();
            let amplitude = tone.amplitude();
            left = left.hypot(amplitude / (core::f64::consts::PI * tone.hz * span_s).max(1.0));
            let percent = Estimate::combined(
                100.0 * undo * amplitude,
                vec![
                    Contribution::type_a("noise about the line", 100.0 * undo * error, 20.0),
                    Contribution::rectangular("ripple of the filter", 100.0 * undo * PASS_RIPPLE * amplitude),
                ],
            )?;
            let percent = cut::or_cut(percent, 100.0 * undo * cut::AGAIN * (amplitude - again.amplitude()))?;
            let hz = Estimate::combined(
                tone.hz,
                vec![
                    // The lower bound of a sine's frequency, times 1.53 for a peak under Hann's window (computed).
                    Contribution::type_a("noise about the line", 0.84 * error / amplitude / span_s, 20.0),
                    Contribution::type_b("other lines beside it", PULLED / span_s),
                    Contribution::type_b("time base of the scope", timebase_u * tone.hz),
                ],
            )?;
            lines.push(FlutterLine { hz, percent });
        }
        lines.sort_by(|a, b| b.percent.value.total_cmp(&a.percent.value));
        lines.truncate(count);
        let tone_hz = Estimate::combined(
            self.tone_hz * (1.0 + fit.offset),
            vec![
                Contribution::type_a("noise on the tone", self.tone_hz * fit.offset_error, fit.degrees_of_freedom),
                Contribution::type_b("flutter that the record cuts off", LEFT_OF_TURN * self.tone_hz * left),
                Contribution::type_b("time base of the scope", timebase_u * self.tone_hz),
                Contribution::type_b("ends of the record", ENDS_CYCLES / self.observed_s),
            ],
        )?;
        Ok(Unweighted { tone_hz, lines })
    }

    /// Amplitudes of the unweighted spectrum in per cent, to be drawn: hertz of the first and the last, and the values.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`].
    pub fn drawn(&self, places: usize) -> Result<(f64, f64, Vec<f64>), MeasureError> {
        let spectrum = Spectrum::of(&self.error, self.dt_s)?;
        let step = self.highest_hz / places.max(1) as f64;
        let at = |hz: f64| ((hz / spectrum.step_hz) as usize).min(spectrum.amplitude.len());
        let values = (0..places)
            .map(|k| {
                let (a, b) = (at(k as f64 * step), at((k + 1) as f64 * step));
                100.0
                    * spectrum.amplitude[a..b.max(a + 1).min(spectrum.amplitude.len())]
                        .iter()
                        .fold(0.0, |m: f64, v| m.max(*v))
            })
            .collect();
        Ok((0.5 * step, self.highest_hz - 0.5 * step, values))
    }
}
