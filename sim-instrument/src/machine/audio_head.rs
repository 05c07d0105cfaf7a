//! Where the stationary audio and control head stands across the tape: height and tilt.
//!
//! A gap is as wide as its track, and its voltage is proportional to the width of recorded track that it reads. Sound lies at the
//! tape's upper edge, the control track at its lower one; beyond the edges is nothing, and in guard and video band there is
//! nothing at these frequencies. A tilted head lets the tape ride up and down, and keeps one edge of it away.

use super::Machine;
use super::conditions::TapeState;
use super::losses;
use super::random::{hash, irregular};
use super::timeline::Epoch;
use serde::Serialize;
use tapewright_formats::sound::LinearSound;

/// How far the tape rides up or down at the most, for each minute of arc of tilt (common practice, no source).
const RIDE_UM_A_MIN: f64 = 1.5;

/// About the period of that, a turn of a reel (common practice, no source).
const RIDE_PERIOD_S: f64 = 1.6;

/// The tension pulls the tape towards a tilted head: of the wedge between them so much is left (common practice, no source).
const WEDGE_LEFT: f64 = 0.005;

/// Width of a control track that the format's table does not know (common practice, no source).
const CONTROL_MM: f64 = 0.6;

/// A recorded stretch across the tape under a gap.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Piece {
    /// Its width over that of the gap's own track.
    pub(crate) share: f64,
    /// Its width.
    pub(crate) width_mm: f64,
    /// Its middle above that of the left gap (or the only one), on the head.
    pub(crate) above_mm: f64,
}

/// The truth about the place of the audio and control head.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AudioHeadTruth {
    /// Height error as it is set, micrometres.
    pub height_um: f64,
    /// Tilt, minutes of arc.
    pub tilt_min: f64,
    /// Share of its track's width that the left gap reads, mean over the span.
    pub left: f64,
    /// The same of the right gap.
    pub right: f64,
    /// The same of the control gap.
    pub control: f64,
    /// Standard deviation of the left channel's level over its mean, per cent.
    pub left_unsteady_percent: f64,
    /// The same of the right channel.
    pub right_unsteady_percent: f64,
}

impl Machine {
    /// Height error of the head as it is set, micrometres.
    pub(crate) fn audio_height_um(&self, epoch: &Epoch) -> f64 {
        epoch.conditions.faults.audio_height_um.unwrap_or(self.config.audio.height_um)
    }

    fn audio_tilt_min(&self, epoch: &Epoch) -> f64 {
        epoch.conditions.faults.audio_tilt_min.unwrap_or(self.config.audio.tilt_min)
    }

    /// By how much the gaps lie above the recorded tracks at an instant.
    fn gaps_above_mm(&self, epoch: &Epoch, tape: &TapeState, t_s: f64) -> f64 {
        let tilt_min = self.audio_tilt_min(epoch);
        let ride_um = if tilt_min == 0.0 {
            0.0
        } else {
            RIDE_UM_A_MIN * tilt_min * irregular(t_s, RIDE_PERIOD_S, hash(self.seed, 0xA3))
        };
        1e-3 * (self.audio_height_um(epoch) + ride_um - tape.sound_height_um)
    }

    /// Width of one gap and how far the right one lies above the left one; of a single one 0.
    fn gaps_mm(&self) -> (f64, f64) {
        match self.format.linear_sound() {
            LinearSound::Edge { stereo: Some(tracks), .. } if self.config.audio.stereo => {
                (tracks.width_mm.value, tracks.distance_mm.value)
            }
            LinearSound::Edge { mono_width_mm, .. } => (mono_width_mm.value, 0.0),
            LinearSound::None(_) => (0.0, 0.0),
        }
    }

    /// What a channel's gap reads at an instant.
    pub(crate) fn pieces(&self, epoch: &Epoch, tape: &TapeState, right: bool, t_s: f64) -> [Option<Piece>; 2] {
        let (width, distance) = self.gaps_mm();
        if width <= 0.0 {
            // Sound under the picture: no stationary head.
            return [Some(Piece { share: 1.0, width_mm: 0.0, above_mm: 0.0 }), None];
        }
        let above = self.gaps_above_mm(epoch, tape, t_s);
        let centre = if right { distance } else { 0.0 };
        let (low, high) = (centre - 0.5 * width, centre + 0.5 * width);
        // Recorded stretches, as the head sees them.
        let tracks = if distance > 0.0 && !tape.full_width_tone {
            [Some((-0.5 * width, 0.5 * width)), Some((distance - 0.5 * width, distance + 0.5 * width))]
        } else {
            [Some((-0.5 * width, distance + 0.5 * width)), None]
        };
        tracks.map(|track| {
            let (from, to) = track?;
            let (from, to) = (low.max(from - above), high.min(to - above));
            (to > from).then(|| Piece { share: (to - from) / width, width_mm: to - from, above_mm: 0.5 * (from + to) })
        })
    }

    /// What spacing by a tilted head leaves of a tone on a channel.
    pub(crate) fn nearness(&self, epoch: &Epoch, right: bool, hz: f64) -> f64 {
        let tilt_min = self.audio_tilt_min(epoch);
        let (width, distance) = self.gaps_mm();
        if tilt_min == 0.0 || width <= 0.0 {
            return 1.0;
        }
        let tape_mm = self.format.tape_width_mm().value;
        let from_top = 0.5 * width + if right { 0.0 } else { distance };
        // The edge that the head leans to lies on it.
        let from_edge = if tilt_min > 0.0 { tape_mm - from_top } else { from_top };
        let spacing_um = 1e3 * WEDGE_LEFT * from_edge * (tilt_min.abs() / 60.0).to_radians().tan();
        losses::spacing(spacing_um, hz, 1e-3 * self.format.tape_speed_mm_s.value)
    }

    /// Share of the control track's width that its gap reads at an instant.
    pub(crate) fn control_reads(&self, epoch: &Epoch, tape: &TapeState, t_s: f64) -> f64 {
        let width = self.format.control_track_width_mm().map_or(CONTROL_MM, |width| width.value);
        (1.0 - self.gaps_above_mm(epoch, tape, t_s).abs() / width).max(0.0)
    }

    /// The truth about the head's place over a span of play. Of a tape that does not play every share is 0.
    #[must_use]
    pub fn audio_head_truth(&self, from_s: f64, to_s: f64) -> AudioHeadTruth {
        const STEP_S: f64 = 0.01;
        let epoch = self.timeline.at(0.5 * (from_s + to_s));
        let steps = (((to_s - from_s) / STEP_S) as usize).clamp(64, 1_000_000);
        let times = || (0..steps).map(|i| from_s + (to_s - from_s) * (i as f64 + 0.5) / steps as f64);
        let over = |share: &dyn Fn(&Epoch, &TapeState, f64) -> f64| {
            let values: Vec<f64> = times()
                .map(|t| {
                    let epoch = self.timeline.at(t);
                    epoch.conditions.tracks().map_or(0.0, |tape| share(epoch, tape, t))
                })
                .collect();
            let mean = values.iter().sum::<f64>() / steps as f64;
            let square = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / steps as f64;
            (mean, if mean > 0.0 { 100.0 * square.sqrt() / mean } else { 0.0 })
        };
        let channel = |right: bool| {
            over(&|epoch, tape, t| self.pieces(epoch, tape, right, t).iter().flatten().map(|piece| piece.share).sum())
        };
        let (left, right) = (channel(false), channel(true));
        AudioHeadTruth {
            height_um: self.audio_height_um(epoch),
            tilt_min: self.audio_tilt_min(epoch),
            left: left.0,
            right: right.0,
            control: over(&|epoch, tape, t| self.control_reads(epoch, tape, t)).0,
            left_unsteady_percent: left.1,
            right_unsteady_percent: right.1,
        }
    }
}
