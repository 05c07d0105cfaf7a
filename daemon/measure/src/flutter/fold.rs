//! Lines of flutter faster than the long record shows, and where they fold to in it.
//!
//! The tone's alias lies midway between 0 and half the rate, so that a sideband beyond the band comes back into it from the
//! other end, as a line at another rate: flutter of 150 Hz at 22 Hz. In the phase and in the amplitude it stands by chance, so
//! that the amplitude does not tell it from flutter or from hum. The short fast records show it at its own rate; what the long one
//! shows where it folds to, and no larger than it may be there, is not told.

use super::unweighted::{CLEAR, CLEAR_IN_AMPLITUDE, FlutterLine, OF_AMPLITUDE, SKIRT, skirt};
use super::{HIGHEST_HZ, SpeedError};
use crate::demodulate::alias_of;
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use crate::spectrum::{Peak, Spectrum};
use crate::statistics::{median_in_place, moments};
use tapewright_formats::losses::sinc;

/// Lines that are looked for in each record.
const LINES: usize = 16;

/// Sidebands whose folds are looked at: farther ones beyond the band are those of slow, wide swings, and weak.
const SIDEBANDS: i32 = 3;

/// Slower flutter spreads a fold by twice its own swing and by some turns of what it comes from, in hertz (common practice, no
/// source: what turns faster swings little).
const SPREAD_HZ: f64 = 8.0;

/// Both sidebands of a line may fold to one place, and noise lies beside: a line that is so many times larger is no fold.
const NO_FOLD: f64 = 1.5;

/// How far between the places of a spectrum a top may be misjudged, over its resolution, and its height (from trials).
const TOP_ASIDE: f64 = 0.02;
const TOP_HEIGHT: f64 = 0.02;

/// Lines above the long record's band in one short record.
#[derive(Debug, Clone)]
pub(super) struct FastSeen {
    /// As relative speed errors.
    lines: Vec<Peak>,
    resolution_hz: f64,
}

impl FastSeen {
    /// From the spectra of phase and amplitude, both as speed errors.
    pub(super) fn of(phase: &Spectrum, amplitude: &Spectrum, dt_s: f64, from_hz: f64) -> Self {
        // Noise on the phase is even: as a speed error it rises with the frequency.
        let even = |of: &Spectrum| {
            let places = of.amplitude.iter().enumerate().map(|(place, a)| (place as f64 * of.step_hz, a));
            let within = places.filter(|(hz, _)| (from_hz..=HIGHEST_HZ).contains(hz));
            median_in_place(&mut within.map(|(hz, a)| a / hz).collect::<Vec<_>>())
        };
        let (floor, floor_beside) = (even(phase), even(amplitude));
        let beside = |hz: f64| {
            let (low, high) = (hz - phase.resolution_hz, hz + phase.resolution_hz);
            amplitude.peaks(low, high, 1).first().map_or(0.0, |peak| peak.amplitude)
        };
        let clear = |peak: &Peak| {
            let added = beside(peak.hz);
            let is_added = added > (OF_AMPLITUDE * peak.amplitude).max(CLEAR_IN_AMPLITUDE * floor_beside * peak.hz);
            peak.amplitude > CLEAR * floor * peak.hz && !is_added
        };
        // A strong line has skirts, on both sides of the band's end.
        let tops = phase.peaks(phase.resolution_hz, HIGHEST_HZ, LINES);
        let span_s = 2.0 / phase.resolution_hz;
        let stands = |peak: &Peak| {
            tops.iter().all(|of| peak.amplitude > SKIRT * skirt((peak.hz - of.hz) * span_s) * of.amplitude)
        };
        let all = tops.iter().filter(|peak| peak.hz >= from_hz && stands(peak) && clear(peak)).copied();
        let undone =
            |peak: Peak| Peak { amplitude: peak.amplitude / sinc(core::f64::consts::PI * peak.hz * dt_s), ..peak };
        Self { lines: all.map(undone).collect(), resolution_hz: phase.resolution_hz }
    }

    fn near(&self, hz: f64) -> Option<&Peak> {
        let near = |peak: &&Peak| (peak.hz - hz).abs() <= 0.5 * self.resolution_hz;
        self.lines.iter().filter(near).min_by(|a, b| (a.hz - hz).abs().total_cmp(&(b.hz - hz).abs()))
    }
}

impl SpeedError {
    /// Lines above the band that all short records show: what goes round is in each.
    pub(super) fn fast_lines(&self, timebase_u: f64) -> Result<Vec<FlutterLine>, MeasureError> {
        let Some((first, others)) = self.fast_seen.split_first() else { return Ok(Vec::new()) };
        let mut lines = Vec::new();
        for peak in &first.lines {
            let same = others.iter().filter_map(|seen| seen.near(peak.hz));
            let all: Vec<Peak> = core::iter::once(peak).chain(same).copied().collect();
            if all.len() <= others.len() {
                continue;
            }
            let of = |each: fn(&Peak) -> f64| -> Result<(f64, Contribution), MeasureError> {
                let m = moments(&all.iter().map(each).collect::<Vec<_>>())?;
                let n = all.len() as f64;
                let error = if n > 1.0 { m.standard_deviation / n.sqrt() } else { 0.0 };
                Ok((m.mean, Contribution::type_a("short records", error, (n - 1.0).max(1.0))))
            };
            let (hz, of_hz) = of(|peak| peak.hz)?;
            let (percent, of_percent) = of(|peak| 100.0 * peak.amplitude)?;
            lines.push(FlutterLine {
                hz: Estimate::combined(
                    hz,
                    vec![
                        of_hz,
                        Contribution::rectangular("top of a short record's spectrum", TOP_ASIDE * first.resolution_hz),
                        Contribution::type_b("time base of the scope", timebase_u * hz),
                    ],
                )?,
                percent: Estimate::combined(
                    percent,
                    vec![
                        of_percent,
                        Contribution::rectangular("top of a short record's spectrum", TOP_HEIGHT * percent),
                    ],
                )?,
            });
        }
        Ok(lines)
    }

    /// What folds into the record: the fast lines, and the sidebands of its own lines that lie beyond the band.
    pub(super) fn folding(&self, fast: &[FlutterLine], own: &[FlutterLine]) -> Folding {
        let source = |line: &FlutterLine, beyond_hz: f64| Source {
            hz: line.hz.value,
            index: 0.01 * line.percent.interval.high * self.tone_hz / line.hz.value,
            beyond_hz,
        };
        let swing = self.error.iter().fold(0.0_f64, |most, error| most.max(error.abs()));
        Folding {
            fast: fast.iter().map(|line| source(line, 0.0)).collect(),
            own: own.iter().map(|line| source(line, self.highest_hz)).collect(),
            tone_hz: self.tone_hz,
            rate_hz: self.rate_hz,
            spread_hz: SPREAD_HZ + 4.0 * swing * self.tone_hz,
        }
    }
}

/// A line whose sidebands beyond a distance from the tone fold.
#[derive(Debug, Clone, Copy)]
struct Source {
    hz: f64,
    /// Swing of the phase, in radians.
    index: f64,
    beyond_hz: f64,
}

/// Where lines fold to.
#[derive(Debug)]
pub(super) struct Folding {
    fast: Vec<Source>,
    own: Vec<Source>,
    tone_hz: f64,
    rate_hz: f64,
    spread_hz: f64,
}

impl Folding {
    /// Whether a line of the band may be a fold of another one.
    pub(super) fn holds(&self, line: &FlutterLine) -> bool {
        self.holds_of_size(line.hz.value, line.percent.value)
    }

    /// The same of what stands at a distance from the tone with so much of the phase.
    pub(super) fn holds_of_size(&self, hz: f64, percent: f64) -> bool {
        self.fast.iter().chain(&self.own).any(|source| source.hz != hz && self.may_be(source, hz, percent))
    }

    /// Whether what was taken for hum at a distance from the tone may be a fold of a fast line, whatever its size.
    pub(super) fn holds_hum(&self, hz: f64) -> bool {
        self.fast.iter().any(|source| self.may_be(source, hz, 0.0))
    }

    fn may_be(&self, source: &Source, hz: f64, percent: f64) -> bool {
        let alias_hz = alias_of(self.tone_hz, self.rate_hz).0;
        let mut sideband = 2.0;
        (1..=SIDEBANDS).any(|times| {
            // A sideband of a swing by `index` holds at most the first term of its series.
            sideband *= 0.5 * source.index / f64::from(times);
            let away_hz = f64::from(times) * source.hz;
            let folds_to = |side: f64| (alias_of(self.tone_hz + side * away_hz, self.rate_hz).0 - alias_hz).abs();
            away_hz > source.beyond_hz
                && percent <= NO_FOLD * 100.0 * sideband * hz / self.tone_hz
                && [-1.0, 1.0].iter().any(|side| (folds_to(*side) - hz).abs() <= self.spread_hz)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::Unweighted;
    use super::super::tests::tone;
    use super::*;

    /// Lines (hertz, per cent) as a long record at a rate and three short ones tell them.
    fn told(rate_hz: f64, lines: &[(f64, f64)]) -> Option<Unweighted> {
        let lines: Vec<(f64, f64)> = lines.iter().map(|(hz, percent)| (*hz, 31.5 * percent)).collect();
        let mut speed = SpeedError::of(&tone(rate_hz, 7.3, &lines, 0.002), 3150.0).ok()?;
        for (rate_hz, span_s) in [(5_000.0, 0.5), (4_500.0, 0.5), (5_600.0, 0.45)] {
            speed.with_fast(&tone(rate_hz, span_s, &lines, 0.002)).unwrap();
        }
        Some(speed.unweighted(3, 0.0).unwrap())
    }

    /// Whatever the rate of the flutter: it is told with that rate and size, and no line with one that nothing has.
    #[test]
    fn no_line_is_told_at_a_rate_that_nothing_has() {
        let mut refused = 0;
        for rate_hz in [206.557, 340.541, 1_000.0] {
            for hz in (0..=37).map(|step| 5.3 + 5.0 * f64::from(step)) {
                for percent in [0.3, 1.0] {
                    let lines = [(3.5, 0.12), (0.6, 0.05), (29.97, 0.02), (hz, percent)];
                    let Some(Unweighted { lines: found, .. }) = told(rate_hz, &lines) else {
                        refused += 1;
                        continue;
                    };
                    for line in &found {
                        // Smaller ones no reading turns on: the limits are 0.3 and 0.5 %.
                        let own = |(hz, _): &(f64, f64)| {
                            (line.hz.value - hz).abs() < 0.05 + 3.0 * line.hz.standard_uncertainty
                        };
                        let small = line.percent.value < 0.012;
                        assert!(small || lines.iter().any(own), "{rate_hz}, {hz} Hz, {percent} %: {line:?}");
                    }
                    let line = found.iter().find(|line| (line.hz.value - hz).abs() < 0.5);
                    let line = line.unwrap_or_else(|| panic!("{rate_hz}, {hz} Hz, {percent} %: {found:?}"));
                    let held = line.percent.interval;
                    assert!(
                        held.low <= 1.01 * percent && 0.99 * percent <= held.high,
                        "{rate_hz}, {hz} Hz, {percent} %: {line:?}"
                    );
                }
            }
        }
        assert!(refused < 12, "{refused} records refused");
    }
}
