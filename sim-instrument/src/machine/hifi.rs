//! Sound recorded below the picture by two heads of its own: two FM carriers, their heads' envelope.
//!
//! Its tracks lie on the centre lines of the video tracks and are about half as wide (a textbook); with 30 degrees of azimuth
//! the neighbours give nothing. The same guides bend its way, and the same tracking moves it aside.

use super::check::number;
use super::conditions::Head;
use super::random::{cos_cycles, hash, uniform};
use super::scan::Stretch;
use super::truth::{least_over_greatest, median};
use super::{Machine, MachineError};
use serde::{Deserialize, Serialize};
use tapewright_formats::definitions::sound::{AUDIO_FADE, audio_weight};
use tapewright_formats::definitions::{GUARD_LINES, SEGMENTS, segment_start};
use tapewright_formats::sound::FmSound;

/// Test point of the audio heads on the drum.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HifiConfig {
    /// Amplitude (peak) of each carrier from a perfect head.
    pub level_v: f64,
    /// Carrier of the left channel; none: the format's.
    pub left_hz: Option<f64>,
    /// Carrier of the right channel; none: the format's.
    pub right_hz: Option<f64>,
    /// Left carrier's level over its right one (ratio).
    pub left_gain: f64,
    /// Right carrier's level over its right one (ratio).
    pub right_gain: f64,
    /// Output of the head that goes with head A (ratio).
    pub head_a_gain: f64,
    /// Output of the head that goes with head B (ratio).
    pub head_b_gain: f64,
    /// Width of the heads over the pitch (ratio).
    pub head_width_pitch: f64,
    /// Width of the tracks over the pitch (ratio).
    pub track_width_pitch: f64,
    /// Peak deviation by a recorded tone.
    pub deviation_hz: f64,
    /// That tone.
    pub tone_hz: f64,
    /// Noise, RMS over 8 MHz.
    pub noise_v: f64,
}

impl Default for HifiConfig {
    fn default() -> Self {
        Self {
            level_v: 0.05,
            left_hz: None,
            right_hz: None,
            left_gain: 1.0,
            right_gain: 0.9,
            head_a_gain: 1.0,
            head_b_gain: 0.95,
            head_width_pitch: 0.6,
            track_width_pitch: 0.5,
            deviation_hz: 0.0,
            tone_hz: 1000.0,
            noise_v: 1e-3,
        }
    }
}

/// The truth about the depth-recorded sound over a span.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HifiTruth {
    /// Mean frequency of the left carrier.
    pub left_hz: f64,
    /// Mean frequency of the right carrier.
    pub right_hz: f64,
    /// RMS of the left carrier's amplitude, volts.
    pub left_v: f64,
    /// RMS of the right carrier's amplitude, volts.
    pub right_v: f64,
    /// Right over left, dB.
    pub balance_db: f64,
    /// Least over greatest level along the scans of head A's companion.
    pub flatness_a: f64,
    /// Least over greatest level along the scans of head B's companion.
    pub flatness_b: f64,
    /// Companion of B over that of A, dB.
    pub heads_db: f64,
}

pub(crate) fn check(hifi: &HifiConfig) -> Result<(), MachineError> {
    for hz in [hifi.left_hz, hifi.right_hz].into_iter().flatten() {
        number("hifi carrier", hz, 1e5, 1e7, "give 0.1 to 10 MHz")?;
    }
    let not_negative = "give 0 or a positive number";
    for (field, value) in [
        ("hifi level_v", hifi.level_v),
        ("left_gain", hifi.left_gain),
        ("right_gain", hifi.right_gain),
        ("head_a_gain", hifi.head_a_gain),
        ("head_b_gain", hifi.head_b_gain),
        ("hifi noise_v", hifi.noise_v),
    ] {
        number(field, value, 0.0, 100.0, not_negative)?;
    }
    number("head_width_pitch", hifi.head_width_pitch, 0.01, 3.0, "give 0.01 to 3 pitches")?;
    number("track_width_pitch", hifi.track_width_pitch, 0.01, 1.0, "give 0.01 to 1 pitch")?;
    number("deviation_hz", hifi.deviation_hz, 0.0, 5e5, "give 0 to 500 kHz")?;
    number("hifi tone_hz", hifi.tone_hz, 1.0, 20_000.0, "give 1 to 20000 Hz")
}

impl Machine {
    /// Carriers and what each has of its right level.
    fn hifi_carriers(&self, stretch: &Stretch) -> Option<[(f64, f64); 2]> {
        let FmSound::Depth { left_hz, right_hz } = self.format.fm_sound() else { return None };
        let (hifi, faults) = (&self.config.hifi_heads, &stretch.conditions.faults);
        let off = faults.hifi_off_hz.unwrap_or(0.0);
        Some([
            (hifi.left_hz.unwrap_or(left_hz.value) + off, faults.hifi_left.unwrap_or(hifi.left_gain)),
            (hifi.right_hz.unwrap_or(right_hz.value) + off, hifi.right_gain),
        ])
    }

    /// What an audio head gives at an instant, over a perfect one in the middle of its track.
    fn hifi_share(&self, stretch: &Stretch, t_s: f64) -> f64 {
        let (Some(tape), Some(head), true) = (stretch.conditions.tracks(), stretch.head(), stretch.contact) else {
            return 0.0;
        };
        let hifi = &self.config.hifi_heads;
        let gain = match head {
            Head::A => hifi.head_a_gain,
            Head::B => stretch.conditions.faults.hifi_head_b.unwrap_or(hifi.head_b_gain),
        };
        let y = stretch.y(t_s);
        let off = stretch.kappa(t_s) - stretch.scan.map_or(0.0, |scan| scan as f64);
        let aside = off - 2.0 * (off / 2.0).round()
            + (stretch.conditions.guides.at_um(y) - tape.recorded_on.at_um(y)) / tape.pitch_um;
        let (head, track) = (hifi.head_width_pitch, hifi.track_width_pitch);
        let overlap = (0.5 * (head + track) - aside.abs()).clamp(0.0, head.min(track));
        gain * tape.level * overlap / head.min(track)
    }

    /// Volts of the depth-recorded carriers without noise.
    pub(crate) fn hifi_v(&self, t_s: f64) -> f64 {
        if !self.config.hifi {
            return 0.0;
        }
        let stretch = self.timeline.stretch(t_s, self.seed);
        let share = self.hifi_share(&stretch, t_s);
        if share <= 0.0 {
            return 0.0;
        }
        let Some(carriers) = self.hifi_carriers(&stretch) else { return 0.0 };
        let hifi = &self.config.hifi_heads;
        // Time as it was when the track was recorded: a drum off its rate shifts the carriers.
        let recorded_s = stretch.x(t_s) / self.format.lines.field_rate_hz();
        let swing = if hifi.deviation_hz > 0.0 {
            hifi.deviation_hz / (core::f64::consts::TAU * hifi.tone_hz) * cos_cycles(hifi.tone_hz * t_s)
        } else {
            0.0
        };
        let scan = stretch.scan.unwrap_or(0);
        carriers
            .iter()
            .enumerate()
            .map(|(k, (hz, gain))| {
                let start = uniform(hash(self.seed ^ 0x41F1 ^ k as u64, scan));
                hifi.level_v * share * gain * cos_cycles(hz * recorded_s + swing + start)
            })
            .sum()
    }

    /// The truth about the depth-recorded sound over a span; none: there is none, or no whole scan of both heads.
    #[must_use]
    pub fn hifi_truth(&self, from_s: f64, to_s: f64) -> Option<HifiTruth> {
        const LOOKS: usize = 27;
        let first = self.timeline.stretch(from_s, self.seed);
        let [(left_hz, left), (right_hz, right)] = self.hifi_carriers(&first).filter(|_| self.config.hifi)?;
        let guard = GUARD_LINES / self.format.lines.lines_a_scan();
        let of_head = |head: Head| -> Option<(f64, f64, f64)> {
            let scans = self.scans(head, from_s, to_s);
            let (mut square, mut segments, mut mean) = (0.0, vec![Vec::new(); SEGMENTS], 0.0);
            for (start, end) in &scans {
                let stretch = self.timeline.stretch(start + 1e-9, self.seed);
                let at = |x: f64| self.hifi_share(&stretch, start + x * (end - start));
                let whole = |n: usize| (n as f64 + 0.5) / 400.0;
                square += (0..400).map(|n| at(whole(n)).powi(2)).sum::<f64>() / 400.0;
                for (k, levels) in segments.iter_mut().enumerate() {
                    let (a, b) = (segment_start(k, guard), segment_start(k + 1, guard));
                    let (mut sum, mut weights) = (0.0, 0.0);
                    for n in 0..LOOKS {
                        let place = (n as f64 + 0.5) / LOOKS as f64 * (1.0 + AUDIO_FADE) - 0.5 * AUDIO_FADE;
                        let weight = audio_weight(place);
                        sum += weight * at(a + (b - a) * place);
                        weights += weight;
                    }
                    let level = sum / weights;
                    levels.push(level);
                    mean += level / SEGMENTS as f64;
                }
            }
            let n = scans.len() as f64;
            let curve: Vec<f64> = segments.into_iter().map(median).collect();
            (!scans.is_empty()).then(|| (square / n, least_over_greatest(&curve), mean / n))
        };
        let ((square_a, flatness_a, mean_a), (square_b, flatness_b, mean_b)) = (of_head(Head::A)?, of_head(Head::B)?);
        let level_v = self.config.hifi_heads.level_v * (0.5 * (square_a + square_b)).sqrt();
        Some(HifiTruth {
            left_hz,
            right_hz,
            left_v: left * level_v,
            right_v: right * level_v,
            balance_db: 20.0 * (right / left).log10(),
            flatness_a,
            flatness_b,
            heads_db: 20.0 * (mean_b / mean_a).log10(),
        })
    }
}
