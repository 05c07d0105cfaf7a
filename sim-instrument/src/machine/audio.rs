//! The stationary audio head: tones off the tape, azimuth, flutter, hum.
//!
//! The tone follows the tape's place, so a wrong speed and a slip are in it. Flutter is the sum of sines of the
//! tape's speed, each with the rate of what turns: drum, capstan, reel. The right (outer) track is read late by
//! `d tan(e) / v`, and each track loses by `sin(x) / x`, `x = pi w tan(e) f / v`. Where the head stands across the tape is in
//! `audio_head`.

use super::Machine;
use super::check::number;
use super::random::{cos_cycles, hash, irregular, uniform};
use super::timeline::Epoch;
use super::{MachineError, conditions::TapeState};
use serde::{Deserialize, Serialize};
use tapewright_formats::definitions::sound::{TWO_SIGMA_SHARE, weighting};
use tapewright_formats::losses::sinc;
use tapewright_formats::{Mode, TapeKind};

/// Half width of what test tapes' azimuth is true to, in minutes of arc (the published figure for test tapes: 1').
const TEST_TAPE_MIN: f64 = 1.0;

/// The same for tapes recorded on other machines (common practice, no source).
const OTHER_TAPE_MIN: f64 = 3.0;

/// Audio outputs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AudioConfig {
    /// Recorded tone at nominal speed.
    pub tone_hz: f64,
    /// Another tone recorded with it; 0: none.
    pub second_tone_hz: f64,
    /// Level of the tone, RMS.
    pub level_v: f64,
    /// Level of the second tone over the first's (ratio).
    pub second_ratio: f64,
    /// Noise, RMS.
    pub noise_v: f64,
    /// Two tracks; otherwise one, and both outputs give it.
    pub stereo: bool,
    /// Azimuth error of the head, minutes of arc; positive: right is read late.
    pub azimuth_min: f64,
    /// Wander of the azimuth by the tape's weave, greatest (600 microradians peak to peak: abstract of a paper on weave).
    pub weave_min: f64,
    /// About the period of that.
    pub weave_period_s: f64,
    /// Height error of the audio and control head: so far its gaps lie above their tracks.
    pub height_um: f64,
    /// Tilt (zenith) of that head, minutes of arc; positive: its top leans away from the tape.
    pub tilt_min: f64,
    /// Level of the right channel over its right one (ratio).
    pub right_ratio: f64,
    /// Direct voltage on the outputs.
    pub offset_v: f64,
    /// Hum on the outputs, peak, at the frequency of the supply's ripple.
    pub hum_v: f64,
    /// Speed error (peak, per cent) that turns with the drum.
    pub drum_percent: f64,
    /// Speed error (peak, per cent) that turns with the capstan.
    pub capstan_percent: f64,
    /// Turns of the capstan a second.
    pub capstan_hz: f64,
    /// Speed error (peak, per cent) that turns with a reel.
    pub reel_percent: f64,
    /// Turns of that reel a second.
    pub reel_hz: f64,
}

impl Default for AudioConfig {
    fn default() -> Self {
        Self {
            tone_hz: 1000.0,
            second_tone_hz: 0.0,
            level_v: 0.3,
            second_ratio: 0.5,
            noise_v: 0.001,
            stereo: true,
            azimuth_min: 0.5,
            weave_min: 0.0,
            weave_period_s: 1.3,
            height_um: 0.0,
            tilt_min: 0.0,
            right_ratio: 1.0,
            offset_v: 0.0,
            hum_v: 0.0,
            drum_percent: 0.02,
            capstan_percent: 0.04,
            capstan_hz: 3.5,
            reel_percent: 0.05,
            reel_hz: 0.6,
        }
    }
}

/// One part of the tape's speed error.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FlutterPart {
    /// What turns: `drum`, `capstan` or `reel`.
    pub turns: &'static str,
    /// Its rate.
    pub hz: f64,
    /// Peak speed error, per cent.
    pub percent: f64,
}

/// The linear sound's truth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SoundTruth {
    /// Azimuth error of the head as it stands, minutes of arc.
    pub azimuth_min: f64,
    /// Weighted two-sigma speed error over the span, per cent.
    pub weighted_percent: f64,
    /// Parts of the speed error.
    pub parts: Vec<FlutterPart>,
}

pub(crate) fn check(audio: &AudioConfig) -> Result<(), MachineError> {
    let not_negative = "give 0 or a positive number";
    number("tone_hz", audio.tone_hz, 1.0, 20_000.0, "give 1 to 20000 Hz")?;
    number("second_tone_hz", audio.second_tone_hz, 0.0, 20_000.0, "give 0 to 20000 Hz")?;
    for (field, value) in
        [("audio level_v", audio.level_v), ("second_ratio", audio.second_ratio), ("hum_v", audio.hum_v)]
    {
        number(field, value, 0.0, 100.0, not_negative)?;
    }
    number("audio noise_v", audio.noise_v, 0.0, 10.0, not_negative)?;
    number("audio height_um", audio.height_um, -500.0, 500.0, "give -500 to 500 um")?;
    number("tilt_min", audio.tilt_min, -600.0, 600.0, "give -600 to 600 minutes of arc")?;
    number("right_ratio", audio.right_ratio, 0.0, 10.0, not_negative)?;
    number("offset_v", audio.offset_v, -100.0, 100.0, "give -100 to 100 V")?;
    number("azimuth_min", audio.azimuth_min, -600.0, 600.0, "give -600 to 600 minutes of arc")?;
    number("weave_min", audio.weave_min, 0.0, 60.0, "give 0 to 60 minutes of arc")?;
    number("weave_period_s", audio.weave_period_s, 0.05, 1e4, "give 0.05 s or more")?;
    for (field, value) in [
        ("drum_percent", audio.drum_percent),
        ("capstan_percent", audio.capstan_percent),
        ("reel_percent", audio.reel_percent),
    ] {
        number(field, value, 0.0, 20.0, "give 0 to 20 per cent")?;
    }
    number("capstan_hz", audio.capstan_hz, 0.05, 200.0, "give 0.05 to 200 Hz")?;
    number("reel_hz", audio.reel_hz, 0.01, 50.0, "give 0.01 to 50 Hz")
}

impl Machine {
    fn flutter_parts(&self, epoch: &Epoch) -> [FlutterPart; 3] {
        let (audio, faults) = (&self.config.audio, &epoch.conditions.faults);
        let drum_hz = self.format.lines.frame_rate_hz();
        [
            FlutterPart { turns: "drum", hz: drum_hz, percent: faults.flutter_drum.unwrap_or(audio.drum_percent) },
            FlutterPart {
                turns: "capstan",
                hz: audio.capstan_hz,
                percent: faults.flutter_capstan.unwrap_or(audio.capstan_percent),
            },
            FlutterPart {
                turns: "reel",
                hz: audio.reel_hz,
                percent: faults.flutter_reel.unwrap_or(audio.reel_percent),
            },
        ]
    }

    fn flutter_cycles(&self, place: i64, part: &FlutterPart, t_s: f64) -> f64 {
        part.hz * t_s + uniform(hash(self.seed ^ 0xF1, place))
    }

    /// By how much the tape is ahead of its even way, in seconds of tape.
    fn ahead_s(&self, epoch: &Epoch, t_s: f64) -> f64 {
        let parts = self.flutter_parts(epoch);
        parts
            .iter()
            .enumerate()
            .map(|(place, part)| {
                // The sine is a quarter of a cycle behind the cosine that the speed follows.
                let sine = cos_cycles(self.flutter_cycles(place as i64, part, t_s) - 0.25);
                part.percent * 1e-2 / (core::f64::consts::TAU * part.hz) * sine
            })
            .sum()
    }

    /// Azimuth of the recording, minutes of arc.
    fn recorded_min(&self, tape: &TapeState) -> f64 {
        let even = 2.0 * uniform(hash(tape.seed, 77)) - 1.0;
        match tape.kind {
            TapeKind::Alignment => TEST_TAPE_MIN * even,
            TapeKind::Own => self.config.audio.azimuth_min,
            TapeKind::Other | TapeKind::Unknown => OTHER_TAPE_MIN * even,
        }
    }

    /// Whether a tone comes off the tape.
    pub(crate) fn audio_plays(&self, t_s: f64) -> bool {
        let epoch = self.timeline.at(t_s);
        let playing = matches!(epoch.plan.mode, Mode::Play | Mode::Record) && epoch.plan.contact;
        playing && !epoch.conditions.faults.audio_dead && epoch.conditions.tracks().is_some()
    }

    /// Volts of an audio output without noise.
    pub(crate) fn audio_v(&self, right: bool, t_s: f64) -> f64 {
        let (audio, epoch) = (&self.config.audio, self.timeline.at(t_s));
        let hum_v = if audio.hum_v > 0.0 { audio.hum_v * cos_cycles(self.config.supply.ripple_hz * t_s) } else { 0.0 };
        let beside_v = audio.offset_v + hum_v;
        let Some(tape) = epoch.conditions.tracks().filter(|_| self.audio_plays(t_s)) else { return beside_v };
        let weave = if audio.weave_min > 0.0 {
            audio.weave_min * irregular(t_s, audio.weave_period_s, hash(self.seed, 0xA2))
        } else {
            0.0
        };
        let lean_min =
            epoch.conditions.faults.audio_azimuth_min.unwrap_or(audio.azimuth_min) + weave - self.recorded_min(tape);
        let lean = (lean_min / 60.0).to_radians().tan();
        let speed_mm_s = self.format.tape_speed_mm_s.value;
        // What is recorded at an even speed is read at the place where the tape is.
        let recorded_s = epoch.tape.at(t_s) / self.format.lines.field_rate_hz() + self.ahead_s(epoch, t_s);
        // A place of the tape with one tone has no other.
        let tones = match epoch.conditions.faults.audio_tone_hz {
            Some(hz) => [(hz, 1.0), (0.0, 0.0)],
            None => [(audio.tone_hz, 1.0), (audio.second_tone_hz, audio.second_ratio)],
        };
        let pieces = self.pieces(epoch, tape, right, t_s);
        let gain = if right { epoch.conditions.faults.audio_right.unwrap_or(audio.right_ratio) } else { 1.0 };
        tones
            .into_iter()
            .filter(|(hz, _)| *hz > 0.0)
            .map(|(hz, ratio)| {
                let near = self.nearness(epoch, right, hz);
                pieces
                    .iter()
                    .flatten()
                    .map(|piece| {
                        let keeps = piece.share * sinc(core::f64::consts::PI * piece.width_mm * lean * hz / speed_mm_s);
                        let read_s = recorded_s - piece.above_mm * lean / speed_mm_s;
                        core::f64::consts::SQRT_2
                            * audio.level_v
                            * gain
                            * ratio
                            * near
                            * keeps
                            * cos_cycles(hz * read_s)
                    })
                    .sum::<f64>()
            })
            .sum::<f64>()
            + beside_v
    }

    /// The truth about the linear sound over a span of play.
    #[must_use]
    pub fn sound_truth(&self, from_s: f64, to_s: f64) -> SoundTruth {
        const STEP_S: f64 = 2.5e-4;
        let epoch = self.timeline.at(0.5 * (from_s + to_s));
        let parts = self.flutter_parts(epoch);
        let steps = (((to_s - from_s) / STEP_S) as usize).clamp(1, 4_000_000);
        let mut sizes: Vec<f64> = (0..steps)
            .map(|k| {
                let t = from_s + k as f64 * STEP_S;
                let error: f64 = parts
                    .iter()
                    .enumerate()
                    .map(|(place, part)| {
                        weighting(part.hz) * part.percent * cos_cycles(self.flutter_cycles(place as i64, part, t))
                    })
                    .sum();
                error.abs()
            })
            .collect();
        sizes.sort_by(f64::total_cmp);
        SoundTruth {
            azimuth_min: epoch.conditions.faults.audio_azimuth_min.unwrap_or(self.config.audio.azimuth_min),
            weighted_percent: sizes[((TWO_SIGMA_SHARE * steps as f64) as usize).min(steps - 1)],
            parts: parts.to_vec(),
        }
    }
}
