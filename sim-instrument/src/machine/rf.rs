//! The RF test point: FM carriers of every track that is read, colour-under, transient, noise.

use super::conditions::HeadState;
use super::random::{cos_cycles, gauss, hash, uniform};
use super::reading::{MOST, Part, Reading};
use super::replay::TrackClock;
use super::scan::Stretch;
use super::timeline::Timeline;
use super::video::{FrameTable, Segment};
use std::sync::Arc;
use tapewright_formats::pilots::pilots_hz;
use tapewright_formats::{ProbePlace, SignalForm};

pub(crate) mod tones;

/// Pieces of a scan in which amplitudes go linearly.
const PIECES: f64 = 256.0;

/// Recorders' modulators differ a little from track to track, so that neighbours beat (RMS, from memory).
const CARRIER_SPREAD_HZ: f64 = 6000.0;

/// Decay of the transient at a switching.
const TRANSIENT_S: f64 = 1.5e-6;

/// Greatest amplitude of colour in a picture, in bursts (75 per cent bars have 2.2).
const MOST_COLOUR: f64 = 2.5;

/// Most gain of the automatic gain control (ratio; common practice, no source).
const AGC_MOST: f64 = 10.0;

/// One track, ready to be sampled in a piece.
#[derive(Debug, Clone, Copy)]
struct Voice {
    part: Part,
    /// Change of the amplitudes in a second.
    carrier_v_s: f64,
    colour_v_s: f64,
    pilot_v_s: f64,
    /// Its pilot tone; 0: the format has none.
    pilot_hz: f64,
    clock: TrackClock,
    /// Phase at the start of its track, carrier and colour-under, in cycles.
    phase: f64,
    colour_phase: f64,
    /// Carrier's own offset.
    offset_hz: f64,
    /// Sense of the quarter turns from line to line.
    turn: f64,
    frames: f64,
    place: usize,
}

/// A piece of a stretch in which amplitudes are straight lines.
pub(crate) struct Piece {
    pub(crate) start_s: f64,
    pub(crate) end_s: f64,
    voices: [Option<Voice>; 2 * MOST],
    count: usize,
    table: Option<Arc<FrameTable>>,
    head: Option<HeadState>,
    agc: f64,
    form: SignalForm,
    /// Last switching edge and the height of its transient.
    edge_s: f64,
    transient_v: f64,
    pub(crate) noise_v: f64,
}

/// Runs through time for the RF test point.
#[derive(Debug)]
pub(crate) struct RfReader<'a> {
    timeline: &'a Timeline,
    seed: u64,
    stretch: Stretch,
}

impl<'a> RfReader<'a> {
    pub(crate) fn new(timeline: &'a Timeline, seed: u64, t_s: f64) -> Self {
        Self { timeline, seed, stretch: timeline.stretch(t_s, seed) }
    }

    /// The stretch of an instant.
    pub(crate) fn stretch(&mut self, t_s: f64) -> &Stretch {
        if !(t_s >= self.stretch.start_s && t_s < self.stretch.end_s) {
            self.stretch = self.timeline.stretch(t_s, self.seed);
        }
        &self.stretch
    }

    /// The piece of an instant. Pieces lie on a fixed grid of each scan, so that answers do not depend on the question.
    pub(crate) fn piece(&mut self, t_s: f64) -> Piece {
        let seed = self.seed;
        let stretch = self.stretch(t_s);
        let config = &stretch.conditions.config;
        let mut piece = Piece {
            start_s: stretch.start_s,
            end_s: stretch.end_s,
            voices: [None; 2 * MOST],
            count: 0,
            table: None,
            head: None,
            agc: 1.0,
            form: config.rf.form,
            edge_s: stretch.edge_s,
            transient_v: 0.0,
            noise_v: stretch.conditions.noise_v,
        };
        let (Some(head), true) = (stretch.selected(), stretch.contact) else { return piece };
        let step = (stretch.x(t_s) * PIECES).floor();
        let at_x = |x: f64| stretch.edge_s + x / PIECES / stretch.rate_hz;
        piece.start_s = at_x(step).max(stretch.start_s);
        piece.end_s = at_x(step + 1.0).min(stretch.end_s).max(t_s + 1e-12).max(t_s.next_up());
        let (contact, from_s, to_s) = stretch.dropout_at(t_s);
        (piece.start_s, piece.end_s) = (piece.start_s.max(from_s), piece.end_s.min(to_s).max(t_s.next_up()));
        let sign = if hash(seed, stretch.scan.unwrap_or(0)) & 1 == 0 { 1.0 } else { -1.0 };
        piece.transient_v = sign * config.rf.transient_v;
        let Some(tape) = stretch.conditions.tracks() else { return piece };
        piece.table = Some(Arc::clone(&tape.table));
        piece.head = Some(stretch.conditions.heads[head.index()].clone());
        let (mut first, mut last) = (stretch.read(piece.start_s), stretch.read(piece.end_s));
        if let Some((track, keeps)) = contact {
            first.weaken(track, keeps);
            last.weaken(track, keeps);
        }
        if config.rf.place == ProbePlace::AfterAgc {
            let level = stretch.read(0.5 * (piece.start_s + piece.end_s)).level_v();
            piece.agc = (config.rf.level_v / level.max(1e-9)).clamp(0.3, AGC_MOST);
        }
        let span = (piece.end_s - piece.start_s).max(1e-12);
        let find = |reading: &Reading, track: i64| reading.parts().iter().find(|part| part.track == track).copied();
        for part in first.parts().iter().chain(last.parts().iter().filter(|part| find(&first, part.track).is_none())) {
            let track = part.track;
            let nothing = Part { track, ..Part::default() };
            let from = find(&first, track).unwrap_or(nothing);
            let to = find(&last, track).unwrap_or(nothing);
            let Some(clock) = stretch.clock(track) else { continue };
            let own = |k: i64| hash(tape.seed ^ hash(k.cast_unsigned(), 5), track);
            let (frames, rest) = tape.table.split(clock.at(piece.start_s));
            piece.voices[piece.count] = Some(Voice {
                part: from,
                carrier_v_s: (to.carrier_v - from.carrier_v) / span,
                colour_v_s: (to.colour_v - from.colour_v) / span,
                pilot_v_s: (to.pilot_v - from.pilot_v) / span,
                pilot_hz: if from.pilot_v.max(to.pilot_v) > 0.0 {
                    pilots_hz(stretch.conditions.format.lines)[track.rem_euclid(4) as usize]
                } else {
                    0.0
                },
                clock,
                phase: uniform(own(1)),
                colour_phase: uniform(own(2)),
                offset_hz: CARRIER_SPREAD_HZ * gauss(own(3)),
                turn: if track.rem_euclid(2) == 0 { 0.25 } else { -0.25 },
                frames,
                place: tape.table.place(rest),
            });
            piece.count += 1;
        }
        piece
    }
}

/// What the extremes need to know of a piece: one homogeneous span.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cell {
    /// Carrier amplitude.
    pub(crate) carrier_v: f64,
    /// Colour-under amplitude.
    pub(crate) colour_v: f64,
    /// Carrier frequency.
    pub(crate) hz: f64,
    /// Duration.
    pub(crate) span_s: f64,
}

impl Piece {
    /// Volts at an instant of the piece, without noise.
    pub(crate) fn bare_v(&mut self, t_s: f64) -> f64 {
        let since_edge_s = t_s - self.edge_s;
        let transient = if since_edge_s < tones::TRANSIENT_DECAYS * TRANSIENT_S {
            self.transient_v * (-since_edge_s / TRANSIENT_S).exp()
        } else {
            0.0
        };
        let (Some(table), Some(head)) = (self.table.as_deref(), self.head.as_ref()) else { return transient };
        let d = t_s - self.start_s;
        let detected = self.form == SignalForm::Detected;
        let mut sum = 0.0;
        for voice in self.voices[..self.count].iter_mut().flatten() {
            let (segment, rest, cycles) = voice.seek(table, t_s);
            let above = segment.above_hz + segment.sweep_hz_s * rest;
            let carrier = (voice.part.carrier_v + voice.carrier_v_s * d) * head.gain(above);
            if detected {
                sum += carrier * carrier;
                continue;
            }
            sum += carrier * cos_cycles(cycles);
            if voice.pilot_hz > 0.0 {
                let pilot = voice.part.pilot_v + voice.pilot_v_s * d;
                sum += pilot * cos_cycles(voice.pilot_hz * voice.clock.at(t_s) + voice.colour_phase);
            }
            if segment.colour > 0.0 {
                sum += (voice.part.colour_v + voice.colour_v_s * d)
                    * segment.colour
                    * cos_cycles(voice.colour_cycles(table, segment, t_s));
            }
        }
        (if detected { sum.sqrt() } else { sum }) * self.agc + transient
    }

    /// Noise at the point, RMS.
    pub(crate) fn noise_at_point_v(&self) -> f64 {
        self.noise_v * self.agc
    }

    /// Last switching edge.
    pub(crate) fn edge_s(&self) -> f64 {
        self.edge_s
    }

    /// Height of the transient at that edge.
    pub(crate) fn transient_v(&self) -> f64 {
        self.transient_v
    }

    /// An upper bound of what the piece can reach without noise.
    pub(crate) fn bound_v(&self) -> f64 {
        let d = self.end_s - self.start_s;
        let sum: f64 = self.voices[..self.count]
            .iter()
            .flatten()
            .map(|v| {
                v.part.carrier_v.max(v.part.carrier_v + v.carrier_v_s * d)
                    + v.part.pilot_v.max(v.part.pilot_v + v.pilot_v_s * d)
                    + MOST_COLOUR * v.part.colour_v.max(v.part.colour_v + v.colour_v_s * d)
            })
            .sum();
        sum * 1.05 * self.agc + self.transient_v.abs()
    }

    /// Cuts a span of the piece into cells of one carrier frequency and one colour; leaves out those
    /// that cannot come within `reach_v` of the highest, whose height it keeps in `best_v`.
    ///
    /// The strongest track's frame gives the cells; the others add to its carrier by their phases at the cell's start.
    pub(crate) fn cells(&mut self, from_s: f64, to_s: f64, reach_v: f64, best_v: &mut f64, out: &mut Vec<Cell>) {
        let empty = Cell { carrier_v: 0.0, colour_v: 0.0, hz: 0.0, span_s: to_s - from_s };
        let (Some(table), Some(head)) = (self.table.clone(), self.head.clone()) else { return out.push(empty) };
        let start_s = self.start_s;
        let strength = |v: &Voice| v.part.carrier_v + 0.5 * v.carrier_v_s * (self.end_s - start_s);
        let main = (0..self.count).max_by(|a, b| {
            let of = |i: usize| self.voices[i].as_ref().map_or(0.0, strength);
            of(*a).total_cmp(&of(*b))
        });
        let Some(main) = main else { return out.push(empty) };
        let others: f64 =
            (0..self.count).filter(|i| *i != main).filter_map(|i| self.voices[i].as_ref()).map(strength).sum();
        let crowd = others > 0.02 * self.noise_v;
        let other_colours: f64 = (0..self.count)
            .filter(|i| *i != main)
            .filter_map(|i| self.voices[i].as_ref())
            .map(|v| v.part.colour_v.max(v.part.colour_v + v.colour_v_s * (self.end_s - start_s)))
            .sum();
        let many_colours = other_colours > 0.02 * self.noise_v;
        let (mut ratio, mut ratio_until_s) = (1.0, f64::NEG_INFINITY);
        let mut t = from_s;
        while t < to_s {
            let Some(voice) = self.voices[main].as_mut() else { return };
            let (segment, mut rest, _) = voice.seek(&table, t);
            let (rate, frames) = (voice.clock.rate, voice.frames);
            let (mut place, mut segment) = (voice.place, *segment);
            let voice = *voice;
            // Along the frame's segments without asking where we are, until its end.
            loop {
                let left_s = (table.end_s(place) - segment.start_s - rest) / rate;
                let end_s = (t + left_s.max(1e-10)).max(t.next_up()).min(to_s);
                let d = 0.5 * (t + end_s) - start_s;
                let above = segment.above_hz + segment.sweep_hz_s * (rest + 0.5 * (end_s - t) * rate);
                let gain = head.gain(above) * self.agc;
                let own = voice.part.carrier_v + voice.carrier_v_s * d;
                let own_colour = voice.part.colour_v + voice.colour_v_s * d;
                // A pilot stands beside the carrier as colour does: a slow tone of any phase.
                let pilot = (voice.part.pilot_v + voice.pilot_v_s * d) * self.agc;
                let mut colour_v = own_colour * segment.colour * self.agc + pilot;
                // Neighbours lie in line or half a line apart, so their colour may be another one: MOST_COLOUR bounds it.
                let more_v = if many_colours { other_colours * MOST_COLOUR * self.agc } else { 0.0 };
                if (own + others) * gain + colour_v + more_v > *best_v - reach_v {
                    // The other tracks turn against the strongest one within tens of microseconds.
                    if crowd && t >= ratio_until_s {
                        ratio = self.with_others(main, own, d, &table, t) / own.max(1e-12);
                        ratio_until_s = t + 6e-6;
                    }
                    let carrier_v = own * ratio * gain;
                    if many_colours {
                        let main_cycles = voice.colour_cycles(&table, &segment, t);
                        colour_v = self.all_colours(main, own_colour * segment.colour, main_cycles, d, &table, t)
                            * self.agc
                            + pilot;
                    }
                    *best_v = best_v.max(carrier_v + colour_v);
                    out.push(Cell { carrier_v, colour_v, hz: (table.sync_hz + above) * rate, span_s: end_s - t });
                }
                t = end_s;
                place += 1;
                if t >= to_s || place >= table.segments().len() {
                    break;
                }
                segment = table.segments()[place];
                rest = (voice.clock.at(t) - frames * table.frame_s - segment.start_s).max(0.0);
            }
        }
    }

    /// Length of the sum of all colour-under signals at an instant. They have one frequency, so their phases stand to each other.
    fn all_colours(&mut self, main: usize, own: f64, main_cycles: f64, d: f64, table: &FrameTable, t_s: f64) -> f64 {
        let (mut real, mut imaginary) = (own, 0.0);
        for (i, other) in self.voices[..self.count].iter_mut().enumerate() {
            let Some(other) = other.as_mut().filter(|_| i != main) else { continue };
            let segment = *other.seek(table, t_s).0;
            if segment.colour > 0.0 {
                let amplitude = (other.part.colour_v + other.colour_v_s * d) * segment.colour;
                let apart = other.colour_cycles(table, &segment, t_s) - main_cycles;
                real += amplitude * cos_cycles(apart);
                imaginary += amplitude * cos_cycles(apart - 0.25);
            }
        }
        real.hypot(imaginary)
    }

    /// Length of the sum of all carriers at an instant, by their phases against the strongest one's.
    fn with_others(&mut self, main: usize, own: f64, d: f64, table: &FrameTable, t_s: f64) -> f64 {
        let cycles = self.voices[main].as_mut().map_or(0.0, |voice| voice.seek(table, t_s).2);
        let (mut real, mut imaginary) = (own, 0.0);
        for (i, other) in self.voices[..self.count].iter_mut().enumerate() {
            let Some(other) = other.as_mut().filter(|_| i != main) else { continue };
            let amplitude = other.part.carrier_v + other.carrier_v_s * d;
            let apart = other.seek(table, t_s).2 - cycles;
            real += amplitude * cos_cycles(apart);
            imaginary += amplitude * cos_cycles(apart - 0.25);
        }
        real.hypot(imaginary)
    }
}

impl Voice {
    /// Segment of an instant, time within it, and the carrier's cycles.
    fn seek<'t>(&mut self, table: &'t FrameTable, t_s: f64) -> (&'t Segment, f64, f64) {
        let table_s = self.clock.at(t_s);
        let mut rest = table_s - self.frames * table.frame_s;
        if !(0.0..table.frame_s).contains(&rest) {
            (self.frames, rest) = table.split(table_s);
            self.place = table.place(rest);
        }
        let segments = table.segments();
        let start_s = segments[self.place].start_s;
        if rest < start_s || rest >= start_s + table.line_s {
            self.place = table.place(rest);
        }
        while self.place + 1 < segments.len() && segments[self.place + 1].start_s <= rest {
            self.place += 1;
        }
        let segment = &segments[self.place];
        let within = rest - segment.start_s;
        let cycles = segment.phase
            + within * (table.sync_hz + segment.above_hz + 0.5 * segment.sweep_hz_s * within)
            + self.frames * table.cycles
            + self.phase
            + self.offset_hz * table_s;
        (segment, within, cycles)
    }

    fn colour_cycles(&self, table: &FrameTable, segment: &Segment, t_s: f64) -> f64 {
        table.under_hz * self.clock.at(t_s) + segment.hue + self.turn * f64::from(segment.line) + self.colour_phase
    }
}
