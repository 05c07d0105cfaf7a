//! The tone's mean frequency and the lines of the unweighted spectrum.

use super::{SpeedError, cut};
use crate::demodulate::PASS_RIPPLE;
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use crate::linear::Normal;
use crate::sine::fit_values;
use crate::spectrum::Spectrum;

/// A flutter line must stand so many times above the median of the spectrum.
pub(super) const CLEAR: f64 = 5.0;

/// What lines that were not fitted pull the frequency of one that was, in cycles over the record (standard uncertainty, from trials).
const PULLED: f64 = 0.002;

/// A line must stand so many times above the skirts of another.
pub(super) const SKIRT: f64 = 1.5;

/// Rounds of fits of the frequencies; each squares how far they are off.
const ROUNDS: usize = 4;

/// How far from the top of the spectrum the fit may take a frequency, in cycles over the record.
const ASIDE: f64 = 0.25;

/// A line that stands in the amplitude with more than this share of what it is in the phase is no flutter: one that is added to the
/// tone is as large in both, and its double half as large.
pub(super) const OF_AMPLITUDE: f64 = 0.4;

/// There it must stand so many times above the median of the spectrum.
pub(super) const CLEAR_IN_AMPLITUDE: f64 = 3.5;

/// Lowest frequency that a line may have, in cycles over the record.
const LEAST_CYCLES: f64 = 2.0;

/// What the settling at both ends of a record leaves in the tone's phase, in cycles (a guess, no source).
const ENDS_CYCLES: f64 = 0.02;

/// Share of what a line's broken turn leaves in the mean that stays when the fitted line is taken off (a guess, no source).
const LEFT_OF_TURN: f64 = 0.1;

/// About the band's end a line of the short records nearer than this to one of the long one is that one.
const ENDS_HZ: f64 = 1.0;

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
    /// The largest lines of the unweighted spectrum that stand clear, largest first; those of short fast records among them.
    pub lines: Vec<FlutterLine>,
    /// Frequencies in hertz of lines that stand in the tone's amplitude about as much, largest first: what is added to the tone (hum, another
    /// tone) turns both, flutter the phase alone.
    pub added_hz: Vec<f64>,
    /// Frequencies in hertz of what may be flutter faster than the record shows, folded into it: among neither of these.
    pub folded_hz: Vec<f64>,
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
        let in_amplitude = Spectrum::of(&self.beside, self.dt_s)?;
        // Noise on the phase rises with frequency: each line is held against its own neighbourhood.
        let local = |of: &Spectrum, hz: f64| {
            let beside = (8.0 * of.resolution_hz).max(0.3 * hz);
            let (low, high) = ((hz - beside).max(from), (hz + beside).min(to));
            (of.floor(low, high), 0.5 * (low + high))
        };
        let mut peaks = spectrum.peaks(from, to, 12);
        peaks.retain(|peak| peak.amplitude > CLEAR * local(&spectrum, peak.hz).0);
        let all = peaks.clone();
        peaks.retain(|peak| {
            all.iter().all(|other| peak.amplitude > SKIRT * skirt((peak.hz - other.hz) * span_s) * other.amplitude)
        });
        let tops: Vec<f64> = peaks.iter().map(|peak| peak.hz).collect();
        let hz = sharpened(&self.error, self.dt_s, &tops);
        let fit = fit_values(&self.error, self.dt_s, &hz)?;
        // Lines of the same frequencies in what the filter cuts.
        let again = fit_values(&cut::less(&self.error, &self.cut), self.dt_s, &hz)?;
        let beside = fit_values(&self.beside, self.dt_s, &hz)?;
        let beside = fit.tones.iter().zip(&again.tones).zip(&beside.tones);
        let (mut lines, mut beside_tone, mut left) = (Vec::new(), Vec::new(), 0.0_f64);
        for (((tone, again), added), peak) in beside.zip(&peaks) {
            let least = OF_AMPLITUDE * tone.amplitude();
            if added.amplitude() > least.max(CLEAR_IN_AMPLITUDE * local(&in_amplitude, tone.hz).0) {
                beside_tone.push((tone.hz, 100.0 * self.undo(tone.hz) * tone.amplitude()));
                continue;
            }
            let undo = self.undo(tone.hz);
            // The median of a Rayleigh amplitude is 1.18 of each part's deviation; the window's noise bandwidth is 1.5.
            let (floor, middle_hz) = local(&spectrum, peak.hz);
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
        let fast = self.fast_lines(timebase_u)?;
        let folding = self.folding(&fast, &lines);
        let mut folded_hz: Vec<f64> =
            lines.iter().filter(|line| folding.holds(line)).map(|line| line.hz.value).collect();
        folded_hz
            .extend(beside_tone.iter().filter(|(hz, percent)| folding.holds_of_size(*hz, *percent)).map(|(hz, _)| *hz));
        folded_hz.extend(self.hum_hz.iter().filter(|hz| folding.holds_hum(**hz)));
        lines.retain(|line| !folded_hz.contains(&line.hz.value));
        let mut added_hz: Vec<f64> = self.hum_hz.iter().copied().chain(beside_tone.iter().map(|(hz, _)| *hz)).collect();
        added_hz.retain(|hz| !folded_hz.contains(hz));
        // What lies at the band's very end both show.
        let unlike = |line: &FlutterLine| lines.iter().all(|of| (of.hz.value - line.hz.value).abs() > ENDS_HZ);
        lines.extend(fast.into_iter().filter(unlike).collect::<Vec<_>>());
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
        Ok(Unweighted { tone_hz, lines, added_hz, folded_hz })
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

/// Skirts of a line under Hann's window so many cycles over the record beside it, of its amplitude: their tops from the first on.
pub(super) fn skirt(cycles: f64) -> f64 {
    let away = cycles.abs();
    if away < 2.0 { 0.0 } else { 1.0 / (core::f64::consts::PI * away * (away * away - 1.0)) }
}

/// Frequencies of lines as a fit of all of them together has them, under the spectrum's window: of few cycles a line's own image, the
/// mean and its neighbours draw the top of the spectrum to one side. Where the fit does not hold, the tops.
fn sharpened(values: &[f64], dt_s: f64, tops: &[f64]) -> Vec<f64> {
    let n = values.len() as f64;
    let span_s = n * dt_s;
    // Cosine, sine and slope with the frequency of each, and the constant.
    let size = 3 * tops.len() + 1;
    let mut hz = tops.to_vec();
    // Of each line, as the round before left it: none yet.
    let mut parts = vec![(0.0, 0.0); hz.len()];
    let mut row = Vec::with_capacity(size);
    for round in 0..=ROUNDS {
        let mut normal = Normal::new(if round == 0 { size - tops.len() } else { size });
        for (i, value) in values.iter().enumerate() {
            // Hann's window, whose root each equation is weighted with.
            let place = (i as f64 + 0.5) / n;
            let weight = (core::f64::consts::PI * place).sin();
            let cycles = place - 0.5;
            row.clear();
            let mut left = *value;
            for (hz, (cosine, sine)) in hz.iter().zip(&parts) {
                let (s, c) = (core::f64::consts::TAU * hz * span_s * cycles).sin_cos();
                row.extend([weight * c, weight * s]);
                if round > 0 {
                    left -= cosine * c + sine * s;
                    let size = f64::hypot(*cosine, *sine).max(f64::MIN_POSITIVE);
                    row.push(weight * cycles * (sine * c - cosine * s) / size);
                }
            }
            row.push(weight);
            normal.add(&row, weight * left);
        }
        let Some(solved) = normal.solve() else { return tops.to_vec() };
        let each = solved.coefficients.chunks_exact(if round == 0 { 2 } else { 3 });
        for ((hz, part), found) in hz.iter_mut().zip(&mut parts).zip(each) {
            if let [.., turn] = found
                && round > 0
            {
                *hz += turn / (core::f64::consts::TAU * f64::hypot(part.0, part.1).max(f64::MIN_POSITIVE)) / span_s;
            }
            *part = (part.0 + found[0], part.1 + found[1]);
        }
    }
    hz.iter().zip(tops).map(|(hz, top)| if (hz - top).abs() * span_s < ASIDE { *hz } else { *top }).collect()
}

#[cfg(test)]
mod tests {
    use super::super::tests::tone;
    use super::*;
    use crate::trace::Trace;

    /// Two turns of a reel are enough for its rate, whatever part of a turn is cut off, and beside a greater line.
    #[test]
    fn the_rate_of_few_turns_is_held() {
        for (place, reel_hz) in [0.295, 0.307, 0.32, 0.35, 0.41, 0.5].into_iter().enumerate() {
            for capstan_hz in [2.1, 3.66, 7.9] {
                let lines = [(capstan_hz, 14.0), (reel_hz, 2.5), (29.97, 0.5)];
                let trace = tone(14_000.0, 7.5 + 0.07 * place as f64, &lines, 1e-3);
                let found = SpeedError::of(&trace, 3150.0).unwrap().unweighted(3, 0.0).unwrap().lines;
                for (line, (hz, dev)) in found.iter().zip(lines) {
                    let off = (line.hz.value - hz) / line.hz.standard_uncertainty;
                    assert!(off.abs() < 3.0, "{lines:?}: {line:?}, {off}");
                    assert!((line.percent.value * 31.5 / dev - 1.0).abs() < 0.02, "{lines:?}: {line:?}");
                }
            }
        }
    }

    /// Hum beside the tone is no flutter, also where a wide swing spreads it over many lines; flutter beside it is.
    #[test]
    fn hum_is_no_line() {
        for (rate_hz, hum_hz) in [(340.43, 120.0), (340.43, 100.0), (257.143, 60.0), (14_000.0, 3180.0)] {
            for swing in [1.0, 20.3] {
                let bare = tone(rate_hz, 9.0, &[(6.351, swing), (25.0, 0.5)], 0.001);
                let hum = |i: usize| 0.015 * (core::f64::consts::TAU * hum_hz * i as f64 / rate_hz).cos() as f32;
                let volts = bare.volts().iter().enumerate().map(|(i, v)| v + hum(i)).collect();
                let trace = Trace::from_volts(0.0, 1.0 / rate_hz, volts).unwrap();
                let found = SpeedError::of(&trace, 3150.0).unwrap().unweighted(3, 0.0).unwrap();
                let hz: Vec<f64> = found.lines.iter().map(|line| line.hz.value).collect();
                assert!(!found.added_hz.is_empty(), "{rate_hz}, {hum_hz}, {swing}: {hz:?}");
                let [a, b, ..] = hz.as_slice() else { panic!("{rate_hz}, {hum_hz}, {swing}: {hz:?}") };
                // The double of hum is small, and may be too weak to stand in the amplitude.
                assert!(found.lines.iter().skip(2).all(|line| line.percent.value < 2e-3), "{:?}", found.lines);
                assert!((a - 6.351).abs() < 0.02 && (b - 25.0).abs() < 0.05, "{rate_hz}, {hum_hz}, {swing}: {hz:?}");
            }
        }
    }
}
