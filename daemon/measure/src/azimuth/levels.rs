//! What the levels of both tones say of an angle that their phases fit.
//!
//! A head that leans loses by `sin(x) / x`, `x = pi w tan(e) f / v`, more of the high tone than of the low one; in turn an angle says
//! what the head would give upright. An angle is ruled out where that cannot be. A weak high tone rules nothing out: dirt and a
//! worn gap may take any part of it.

use super::{Pair, Tracks, mean_lag, to_min};
use crate::error::{MeasureError, positive};
use crate::estimate::Estimate;
use crate::statistics::moments;
use core::f64::consts::PI;
use tapewright_formats::losses::sinc;

/// Shares of the track's width that a gap may read: pages disagree about the tracks' split by a seventh, and a head off its height
/// reads less. One farther off is to be set to its height first (common practice, no source).
const READS: (f64, f64) = (0.65, 1.05);

/// Widths that are looked at. The side lobes of the loss must not fall between two of them.
const WIDTHS: u32 = 64;

/// Angles that are looked at, within what the tape weaves.
const ANGLES: u32 = 5;

/// What is known of the levels that a head gives upright.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// Width of one track.
    pub width_mm: f64,
    /// Most by which the high tone may stand above the low one, in decibels.
    pub louder_db: f64,
    /// Most that left and right may give, in volts peak to peak; none: not known.
    pub most_v: [Option<f64>; 2],
    /// Both tones sound at once: what a channel gives is their sum.
    pub together: bool,
}

/// Captures of both channels of one tone.
#[derive(Debug, Clone, Copy)]
pub struct Taken<'a> {
    /// Phases.
    pub pairs: &'a [Pair],
    /// Amplitudes of left and right. Not those of the fits: a tape whose speed wavers bends the phase away from any one sine, of
    /// the high tone more than of the low one.
    pub amplitudes_v: &'a [[f64; 2]],
}

/// Amplitude of a tone on a channel: least and greatest that its captures allow.
fn amplitude(taken: &Taken<'_>, channel: usize) -> Result<(f64, f64), MeasureError> {
    let amplitudes: Vec<f64> = taken.amplitudes_v.iter().filter_map(|both| both.get(channel).copied()).collect();
    let m = moments(&amplitudes)?;
    let reach = 2.0 * m.standard_deviation / (m.count as f64).sqrt();
    Ok(((m.mean - reach).max(0.0), m.mean + reach))
}

/// So many values from one end to the other.
fn spread((from, to): (f64, f64), count: u32) -> impl Iterator<Item = f64> + Clone {
    (0..count).map(move |k| from + (to - from) * f64::from(k) / f64::from(count - 1))
}

impl Levels {
    /// Whether the head may lean by an angle (minutes of arc): whether on both channels the levels that it would then give upright
    /// can be.
    ///
    /// # Errors
    /// [`MeasureError::BadParameter`], [`MeasureError::TooShort`], [`MeasureError::NotFinite`].
    pub fn allow(
        &self,
        low: &Taken<'_>,
        high: &Taken<'_>,
        tracks: &Tracks,
        azimuth_min: &Estimate,
    ) -> Result<bool, MeasureError> {
        positive("width of a track", self.width_mm)?;
        positive("tape speed", tracks.speed_mm_s)?;
        let (low_lag, high_lag) = (mean_lag(low.pairs)?, mean_lag(high.pairs)?);
        // The levels are means over what the tape weaves.
        let woven = tracks.speed_mm_s / (super::TURN * high_lag.hz * tracks.distance_mm) * high_lag.deviation;
        let reach = 2.0 * to_min(woven).hypot(azimuth_min.standard_uncertainty);
        let angles = spread((azimuth_min.value - reach, azimuth_min.value + reach), ANGLES);
        let widths = spread((READS.0 * self.width_mm, READS.1 * self.width_mm), WIDTHS);
        let keeps = |hz: f64, width_mm: f64, min: f64| {
            sinc(PI * width_mm * (min / 60.0).to_radians().tan() * hz / tracks.speed_mm_s).abs().max(f64::EPSILON)
        };
        let most_ratio = 10_f64.powf(self.louder_db / 20.0);
        for (channel, most_v) in self.most_v.into_iter().enumerate() {
            let ((low_least, low_most), (high_least, _)) = (amplitude(low, channel)?, amplitude(high, channel)?);
            let possible = |width_mm: f64, min: f64| {
                let (of_low, of_high) = (keeps(low_lag.hz, width_mm, min), keeps(high_lag.hz, width_mm, min));
                let (low_v, high_v) = (2.0 * low_least / of_low, 2.0 * high_least / of_high);
                let all_v = if self.together { low_v + high_v } else { low_v.max(high_v) };
                high_least / of_high <= most_ratio * low_most / of_low && most_v.is_none_or(|most_v| all_v <= most_v)
            };
            if !widths.clone().any(|width_mm| angles.clone().any(|min| possible(width_mm, min))) {
                return Ok(false);
            }
        }
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::azimuth::{angles_min, one_track, phase_of};
    use crate::sine::Tone;

    fn rad(min: f64) -> f64 {
        (min / 60.0).to_radians()
    }

    /// Captures of two tracks 0.35 mm wide and 0.65 mm apart at a lean, upright of so many volts from peak to peak.
    fn captured(tracks: &Tracks, hz: f64, min: f64, upright_v: f64) -> Vec<Pair> {
        let keeps = sinc(PI * 0.35 * rad(min).tan() * hz / tracks.speed_mm_s);
        let amplitude = 0.5 * upright_v * keeps;
        let lag = phase_of(tracks, hz, rad(min));
        (0..6)
            .map(|n| {
                let tone = |phase: f64| Tone {
                    hz,
                    cosine: amplitude * phase.cos(),
                    sine: -amplitude * phase.sin(),
                    error: 1e-5,
                };
                let noise = 1e-4 * (f64::from(n) - 2.5);
                Pair { left: tone(0.7), right: tone(0.7 - lag - noise) }
            })
            .collect()
    }

    fn amplitudes(pairs: &[Pair]) -> Vec<[f64; 2]> {
        pairs.iter().map(|pair| [pair.left.amplitude(), pair.right.amplitude()]).collect()
    }

    /// Format; speed; lean; the high tone against the low one as recorded; the low one's volts; volts expected; the angles that are left.
    type Row = (&'static str, f64, f64, f64, f64, Option<f64>, &'static [f64]);

    /// At 1 and 6 kHz, up to 180 minutes of arc (the angles: computed apart from this).
    #[rustfmt::skip]
    const ROWS: [Row; 16] = [
        ("525 SP, little", 33.35, 3.0, -6.0, 0.85, None, &[3.0]),
        ("525 SP, much", 33.35, 14.0, -6.0, 0.85, None, &[14.0]),
        ("525 SP, half a low turn", 33.35, -90.0, -6.0, 0.85, Some(1.3), &[86.3, -90.0]),
        ("525 SP, a low turn", 33.35, 174.0, 0.0, 1.7, Some(1.3), &[-2.2, 174.0, -178.5]),
        ("625 SP, a low turn", 23.39, 122.0, 0.0, 1.7, Some(1.3), &[-1.7, 122.0, -125.3]),
        ("625 SP, little", 23.39, -3.0, -6.0, 0.85, Some(1.3), &[-3.0]),
        ("525 EP, beyond the null", 11.12, 40.0, -6.0, 0.85, Some(1.3), &[-18.8, 40.0, -77.6, 98.8]),
        ("525 EP, at the null", 11.12, 20.0, -6.0, 0.85, Some(1.3), &[20.0, -38.8, 78.8, -97.6]),
        ("525 EP, little", 11.12, 3.0, -6.0, 0.85, Some(1.3), &[3.0]),
        ("525 EP, little, levels not known", 11.12, 3.0, -6.0, 0.85, None, &[3.0, -114.6, 120.6, -173.3, 179.3]),
        ("625 LP, a low turn", 11.70, 61.0, 0.0, 1.7, Some(1.3), &[-0.9, 61.0, -62.7]),
        ("625 EP, a low turn", 7.80, 41.0, 0.0, 1.7, Some(1.3), &[-0.3, 41.0, -41.5]),
        ("625 SP, upright and dull", 23.39, 0.0, -30.0, 0.85, Some(1.3), &[0.0, -123.7, 123.7]),
        ("525 SP, too loud a high tone", 33.35, 0.0, 8.0, 0.85, Some(1.3), &[]),
        ("525 SP, too loud altogether", 33.35, 2.0, -6.0, 9.0, Some(1.3), &[]),
        ("525 SP, upright", 33.35, 0.0, 5.0, 0.85, Some(1.3), &[0.0]),
    ];

    #[track_caller]
    fn check((what, speed_mm_s, min, high_db, low_v, expected_v, want): Row) {
        let tracks = Tracks { distance_mm: 0.65, speed_mm_s };
        let high_v = low_v * 10_f64.powf(high_db / 20.0);
        let (low, high) = (captured(&tracks, 1000.0, min, low_v), captured(&tracks, 6000.0, min, high_v));
        let most_v = expected_v.map(|v| 3.0 * v);
        let (low_v, high_v) = (amplitudes(&low), amplitudes(&high));
        let taken = (Taken { pairs: &low, amplitudes_v: &low_v }, Taken { pairs: &high, amplitudes_v: &high_v });
        let levels = Levels { width_mm: 0.35, louder_db: 6.0, most_v: [most_v; 2], together: true };
        let fit = angles_min(&low, &high, &tracks, 180.0).unwrap();
        // The phases alone rule none out.
        assert!(fit.iter().any(|angle| (angle.value - min).abs() < 0.05), "{what}: {fit:?}");
        let left: Vec<f64> = fit
            .iter()
            .filter(|angle| levels.allow(&taken.0, &taken.1, &tracks, angle).unwrap())
            .map(|angle| angle.value)
            .collect();
        let same = left.len() == want.len() && left.iter().zip(want).all(|(got, want)| (got - want).abs() < 0.1);
        assert!(same, "{what}: {left:?}, expected {want:?}");
    }

    #[test]
    fn levels_rule_out_what_an_upright_head_cannot_give() {
        ROWS.into_iter().for_each(check);
    }

    /// A channel alone rules out what both phases fit; the dull other one does not bring it back.
    #[test]
    fn one_dull_channel_hides_nothing() {
        let tracks = Tracks { distance_mm: 0.65, speed_mm_s: 33.35 };
        let (low, mut high) = (captured(&tracks, 1000.0, 2.0, 0.8), captured(&tracks, 6000.0, 2.0, 0.4));
        for pair in &mut high {
            (pair.right.cosine, pair.right.sine) = (0.1 * pair.right.cosine, 0.1 * pair.right.sine);
        }
        let levels = Levels { width_mm: 0.35, louder_db: 6.0, most_v: [None; 2], together: true };
        let fit = angles_min(&low, &high, &tracks, 180.0).unwrap();
        let (low_v, high_v) = (amplitudes(&low), amplitudes(&high));
        let taken = (Taken { pairs: &low, amplitudes_v: &low_v }, Taken { pairs: &high, amplitudes_v: &high_v });
        let left = fit.iter().map(|angle| levels.allow(&taken.0, &taken.1, &tracks, angle).unwrap());
        let left: Vec<bool> = left.collect();
        assert_eq!((fit.len(), left), (3, vec![true, false, false]), "{fit:?}");
    }

    /// Lean, noise of a capture's phase in radians, and whether both channels are one track.
    #[test]
    fn channels_of_one_track_have_no_angle_and_no_weave() {
        let tracks = Tracks { distance_mm: 0.65, speed_mm_s: 33.35 };
        for (min, noise, want) in
            [(0.0, 1e-3, true), (0.0, 1e-5, true), (0.3, 1e-5, false), (0.0, 0.1, false), (29.4, 1e-5, false)]
        {
            let taken = |hz: f64| -> Vec<Pair> {
                let mut pairs = captured(&tracks, hz, min, 0.8);
                for (place, pair) in pairs.iter_mut().enumerate() {
                    let turn = pair.left.phase_rad() - phase_of(&tracks, hz, rad(min))
                        + noise * if place % 2 == 0 { 1.0 } else { -1.0 };
                    let amplitude = pair.right.amplitude();
                    (pair.right.cosine, pair.right.sine) = (amplitude * turn.cos(), -amplitude * turn.sin());
                }
                pairs
            };
            assert_eq!(one_track(&taken(1000.0), &taken(6000.0), &tracks).unwrap(), want, "{min}, {noise}");
        }
    }
}
