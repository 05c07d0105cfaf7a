//! A piece of RF as a handful of steady tones: what it can reach is told without computing it.
//!
//! Between two changes of any track's picture every part of the point is a tone of steady frequency, and its
//! amplitude is a straight line. A sweep from one brightness to the next is a tone of unknown phase.

use super::{Piece, TRANSIENT_S};

/// How long a transient counts, in its decays (see `bare_v`).
pub(super) const TRANSIENT_DECAYS: f64 = 20.0;

/// One tone of a run.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Tone {
    /// Greatest amplitude in the run.
    pub(crate) amplitude_v: f64,
    /// Phase at the start of the run, in cycles from the nearest crest.
    pub(crate) phase: f64,
    /// Frequency; none: a sweep, of which the amplitude alone is known.
    pub(crate) hz: Option<f64>,
}

/// A run of steady tones.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Run {
    /// Where it ends; may lie at its start where rounding leaves nothing.
    pub(crate) end_s: f64,
    /// A transient decays in it, so that its tones are not all.
    pub(crate) transient: bool,
}

/// Cycles from the nearest whole number.
pub(crate) fn turned(cycles: f64) -> f64 {
    // Adding and taking off 1.5 * 2^52 rounds to the nearest integer without a library call.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    cycles - ((cycles + ROUND) - ROUND)
}

impl Piece {
    /// The run of an instant of the piece, and its tones.
    pub(crate) fn run(&mut self, t_s: f64, tones: &mut Vec<Tone>) -> Run {
        tones.clear();
        let fades_s = self.edge_s + TRANSIENT_DECAYS * TRANSIENT_S;
        let transient = self.transient_v != 0.0 && t_s < fades_s;
        let mut end_s = if transient { self.end_s.min(fades_s) } else { self.end_s };
        let (Some(table), Some(head)) = (self.table.as_deref(), self.head.as_ref()) else {
            return Run { end_s, transient };
        };
        for voice in self.voices[..self.count].iter_mut().flatten() {
            let (segment, within, _) = voice.seek(table, t_s);
            let left = table.end_s(voice.place) - segment.start_s - within;
            end_s = end_s.min(t_s + left / voice.clock.rate);
        }
        let (from, to) = (t_s - self.start_s, end_s - self.start_s);
        let mut add = |amplitude_v: f64, cycles: f64, hz: Option<f64>| {
            if amplitude_v > 0.0 {
                tones.push(Tone { amplitude_v: amplitude_v * self.agc, phase: turned(cycles), hz });
            }
        };
        for voice in self.voices[..self.count].iter_mut().flatten() {
            let (segment, within, cycles) = voice.seek(table, t_s);
            let greatest =
                |start_v: f64, slope_v_s: f64| (start_v + slope_v_s * from).abs().max((start_v + slope_v_s * to).abs());
            let carrier_v = greatest(voice.part.carrier_v, voice.carrier_v_s);
            let rate = voice.clock.rate;
            let above = |t: f64| segment.above_hz + segment.sweep_hz_s * t;
            if segment.sweep_hz_s == 0.0 {
                let hz = (table.sync_hz + segment.above_hz + voice.offset_hz) * rate;
                add(carrier_v * head.gain(segment.above_hz).abs(), cycles, Some(hz));
            } else {
                // A parabola leaves its chord by half of its second difference.
                let all = within..within + (end_s - t_s) * rate;
                let [a, b, c] = [all.start, 0.5 * (all.start + all.end), all.end].map(|t| head.gain(above(t)));
                add(carrier_v * (a.abs().max(c.abs()) + 0.5 * (a - 2.0 * b + c).abs()), 0.0, None);
            }
            if voice.pilot_hz > 0.0 {
                let cycles = voice.pilot_hz * voice.clock.at(t_s) + voice.colour_phase;
                add(greatest(voice.part.pilot_v, voice.pilot_v_s), cycles, Some(voice.pilot_hz * rate));
            }
            if segment.colour > 0.0 {
                let amplitude_v = greatest(voice.part.colour_v, voice.colour_v_s) * segment.colour;
                add(amplitude_v, voice.colour_cycles(table, segment, t_s), Some(table.under_hz * rate));
            }
        }
        Run { end_s, transient }
    }
}
