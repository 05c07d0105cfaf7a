//! Where in the recorded frame a head is, and the video output that follows from it.

use super::Machine;
use super::config::VideoConfig;
use super::random::{Noise, gauss, hash, irregular, uniform};
use super::scan::Stretch;
use super::video::FrameTable;
use std::sync::Arc;
use tapewright_formats::Mode;

/// Table time of one track within a stretch: a straight line in time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TrackClock {
    pub(crate) from_s: f64,
    pub(crate) table_s: f64,
    /// Table seconds a second: the ratio of line rates.
    pub(crate) rate: f64,
}

impl TrackClock {
    pub(crate) fn at(&self, t_s: f64) -> f64 {
        self.table_s + (t_s - self.from_s) * self.rate
    }

    /// The instant of a table time.
    pub(crate) fn when(&self, table_s: f64) -> f64 {
        self.from_s + (table_s - self.table_s) / self.rate
    }
}

impl Stretch {
    /// The clock of a track. Neighbours lie apart along the track (R6), so a head that drifts
    /// sideways reads lines faster or slower: that is the changed line rate of still and search.
    pub(crate) fn clock(&self, track: i64) -> Option<TrackClock> {
        let tape = self.conditions.tracks()?;
        let table = &tape.table;
        let field_s = table.frame_s / 2.0;
        let odd = if track.rem_euclid(2) == 1 { field_s } else { 0.0 };
        let aside = self.kappa(self.start_s) - track as f64;
        let along = self.y(self.start_s) - aside * tape.neighbour_shift;
        let table_s = table.origin_s - tape.switch_lines * table.line_s + odd + along * field_s;
        let rate = (self.drum_hz - (self.speed - self.drum_hz) * tape.neighbour_shift) * field_s;
        Some(TrackClock { from_s: self.start_s, table_s, rate })
    }
}

/// Where the video output comes from at some time.
#[derive(Debug, Clone)]
pub(crate) enum Picture {
    /// Off the tape, with this carrier over noise.
    Tape { table: Arc<FrameTable>, clock: TrackClock, noise_v: f64 },
    /// The machine's own clean video.
    Own { table: Arc<FrameTable>, clock: TrackClock },
    /// Noise.
    Snow,
    /// Nothing.
    Nothing,
}

/// Pieces of a scan in which one track is followed.
const PIECES: f64 = 64.0;

/// Carrier over noise (amplitude over RMS) below which a demodulator gives no usable picture
/// (common practice, no source).
const USABLE: f64 = 4.0;

/// Noise of the output without a carrier, RMS.
pub(crate) const SNOW_V: f64 = 0.25;

impl Machine {
    /// The video output at an instant of a stretch, and how long it stays the same picture.
    ///
    /// Whether the RF is usable is decided once a stretch, on three places of it; which track is
    /// followed, once in each piece of a fixed grid, so that answers do not depend on the question.
    pub(crate) fn picture(&self, stretch: &Stretch, t_s: f64) -> (Picture, f64) {
        let piece = (stretch.x(t_s) * PIECES).floor();
        let at = |piece: f64| stretch.edge_s + piece / PIECES / stretch.rate_hz;
        let (from_s, to_s) = (at(piece).max(stretch.start_s), at(piece + 1.0).min(stretch.end_s));
        let picture = self.picture_of(stretch, 0.5 * (from_s + to_s));
        let until_s = if matches!(picture, Picture::Tape { .. }) {
            to_s.max(t_s + 1e-12).max(t_s.next_up())
        } else {
            stretch.end_s
        };
        (picture, until_s)
    }

    fn picture_of(&self, stretch: &Stretch, t_s: f64) -> Picture {
        if stretch.conditions.faults.video_dead {
            return Picture::Nothing;
        }
        let config = &self.config;
        let mode = self.timeline.epoch(stretch.epoch).plan.mode;
        let own = || Picture::Own {
            table: Arc::clone(&self.own_video),
            clock: TrackClock {
                from_s: 0.0,
                table_s: self.own_video.frame_s * uniform(hash(self.seed, 71)),
                rate: 1.0,
            },
        };
        let span = stretch.end_s - stretch.start_s;
        let usable_v = USABLE * stretch.conditions.noise_v.max(1e-6);
        let level = |share: f64| stretch.read(stretch.start_s + share * span).level_v();
        let usable = stretch.contact && [0.15, 0.5, 0.85].iter().filter(|share| level(**share) > usable_v).count() >= 2;
        if usable && let Some(tape) = stretch.conditions.tracks() {
            // The demodulator follows the strongest track.
            let reading = stretch.read(t_s);
            let track = reading.strongest().map_or_else(|| stretch.kappa(t_s).round() as i64, |part| part.track);
            if let Some(clock) = stretch.clock(track) {
                let full = config.rf.level_v / reading.level_v().max(1e-9);
                let noise_v = (config.video.noise_v * full).min(SNOW_V);
                return Picture::Tape { table: Arc::clone(&tape.table), clock, noise_v };
            }
        }
        if config.video.mute {
            own()
        } else if mode == Mode::Stop {
            Picture::Nothing
        } else {
            Picture::Snow
        }
    }

    /// Volts of the video output at an instant, by the picture of its stretch.
    pub(crate) fn video_v(&self, stretch: &Stretch, picture: &Picture, t_s: f64, noise: &mut Noise) -> f64 {
        let out = &stretch.conditions.video;
        let stage = |(luma, colour, picture)| out.through(luma, picture) + out.gain * out.burst_ratio * colour;
        let beside = self.beside_video_v(out, t_s);
        match picture {
            Picture::Tape { table, clock, noise_v } => {
                let table_s = clock.at(t_s);
                let late_s = self.late_s(out, table, table_s, t_s);
                stage(table.parts_v(table_s - late_s)) + beside + out.gain * noise_v * noise.at(t_s)
            }
            Picture::Own { table, clock } => stage(table.parts_v(clock.at(t_s))) + beside,
            Picture::Snow => SNOW_V * noise.at(t_s),
            Picture::Nothing => 0.0,
        }
    }

    /// Direct voltage and hum of the output.
    pub(crate) fn beside_video_v(&self, out: &VideoConfig, t_s: f64) -> f64 {
        if out.hum_v == 0.0 {
            return out.offset_v;
        }
        let turn = core::f64::consts::TAU * self.config.supply.ripple_hz * t_s;
        out.offset_v + 0.5 * out.hum_v * turn.sin()
    }

    /// By how much the picture off the tape comes late: slow time-base error, and each line's own.
    pub(crate) fn late_s(&self, out: &VideoConfig, table: &FrameTable, table_s: f64, t_s: f64) -> f64 {
        let slow_s = if out.time_base_s == 0.0 {
            0.0
        } else {
            out.time_base_s * irregular(t_s, out.time_base_period_s, hash(self.seed, 81))
        };
        if out.line_jitter_s == 0.0 {
            return slow_s;
        }
        // A line changes its place in its front porch, well before the leading edge of its sync.
        let line = ((table_s - table.origin_s) / table.line_s + 0.012).floor();
        // Another one in each frame that is played: the time in the table is that of one frame.
        let frame = ((t_s - table_s) / table.frame_s).round() as i64;
        let number = frame.wrapping_mul(1 << 12) + line as i64;
        slow_s + out.line_jitter_s * gauss(hash(self.seed ^ 0x11E, number)).clamp(-4.0, 4.0)
    }

    /// Next start of a field (1, 2, any) or a line of the video output strictly after an instant.
    pub(crate) fn next_video_start(
        &self,
        field: Option<u8>,
        line: Option<u32>,
        after_s: f64,
        until_s: f64,
    ) -> Option<f64> {
        let mut t = after_s;
        while t < until_s {
            let stretch = self.timeline.stretch(t, self.seed);
            let (picture, end_s) = self.picture(&stretch, t);
            let end_s = end_s.min(until_s);
            let off_tape = matches!(picture, Picture::Tape { .. });
            if let Picture::Tape { table, clock, .. } | Picture::Own { table, clock } = picture {
                let found = next_in_frame(&table, &clock, field, line, t.max(after_s), end_s)?;
                let late = |at_s: f64| {
                    let out = &stretch.conditions.video;
                    // The place in the table that is asked for is a whole line's start: its own displacement counts.
                    if off_tape { self.late_s(out, &table, clock.at(at_s) + 1e-9, at_s) / clock.rate } else { 0.0 }
                };
                let found = found.map(|at_s| at_s + late(at_s));
                if let Some(at_s) = found.filter(|at_s| *at_s > after_s && *at_s < end_s) {
                    return Some(at_s);
                }
            }
            t = if end_s > t { end_s } else { t + 1e-9 };
        }
        None
    }
}

/// The first asked start in a span of one clock. `None` outside: nothing can ever match; inside: not here.
#[expect(clippy::option_option, reason = "two different kinds of nothing: never, and not in this span")]
fn next_in_frame(
    table: &FrameTable,
    clock: &TrackClock,
    field: Option<u8>,
    line: Option<u32>,
    from_s: f64,
    to_s: f64,
) -> Option<Option<f64>> {
    let starts = match (line, field) {
        (Some(number), _) => vec![table.line_start_s(number)?],
        (None, Some(number @ (1 | 2))) => vec![table.field_start_s(number)],
        (None, None | Some(0)) => vec![table.field_start_s(1), table.field_start_s(2)],
        (None, Some(_)) => return None,
    };
    let first = starts
        .into_iter()
        .map(|start| {
            let frames = ((clock.at(from_s) - start) / table.frame_s).floor() + 1.0;
            clock.when(start + frames * table.frame_s)
        })
        .min_by(f64::total_cmp);
    Some(first.filter(|at_s| *at_s < to_s))
}
