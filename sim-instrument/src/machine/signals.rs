//! The seam to the scope: one answer for every test point, by samples, extremes and crossings.
//!
//! Extremes are those of every sample where that is cheap (few samples a bin, or few in the whole
//! record; of RF they are searched for, see `search`) and drawn from their distribution otherwise. Which of the
//! two it is follows from the question alone, so the same question still gets the same answer.

use super::Machine;
use super::config::VideoConfig;
use super::extremes::{self, Drawer};
use super::pulses::{Edge, Train};
use super::random::{NOISE_GRID_S, Noise, hash, log_upper_tail, mix, uniform};
use super::replay::Picture;
use super::rf::{Cell, RfReader};
use super::search;
use crate::source::{Bins, Point, Slope, Source};
use tapewright_formats::{Signal, SignalForm};

/// A bin of at most so many underlying samples is computed one by one.
const FEW: f64 = 64.0;

/// So is a whole record of at most so many.
const RECORD_SAMPLES: f64 = 4e6;

/// Most instants at which a slow signal is looked at in one bin.
const SLOW_LOOKS: f64 = 256.0;

/// Noise streams, one for each signal.
#[derive(Debug, Clone)]
pub(crate) struct Streams {
    seed: u64,
}

impl Streams {
    pub(crate) fn new(seed: u64) -> Self {
        Self { seed: mix(seed ^ 0x5EED) }
    }

    fn of(&self, signal: Signal) -> Noise {
        Noise::new(hash(self.seed, signal as i64))
    }

    /// Bits for a drawn bin: by signal, place in time (to 0.1 ns) and length.
    fn bits(&self, signal: Signal, t_s: f64, dt_s: f64, end: i64) -> u64 {
        let place = (t_s * 1e10).round() as i64;
        mix(hash(hash(self.seed ^ 0xB1, signal as i64), place) ^ hash((dt_s * 1e10).round().to_bits(), end))
    }
}

/// Share of a carrier's amplitude that a scope of this bandwidth shows: two poles, maximally flat.
fn passes(frequency_hz: f64, bandwidth_hz: f64) -> f64 {
    1.0 / (1.0 + (frequency_hz / bandwidth_hz).powi(4)).sqrt()
}

/// Share of white noise (RMS) that a bandwidth passes of the grid's own.
fn passes_noise(bandwidth_hz: f64) -> f64 {
    (2.0 * bandwidth_hz * NOISE_GRID_S).min(1.0).sqrt()
}

impl Machine {
    fn rf_gain(&self, bandwidth_hz: f64) -> f64 {
        passes(self.format.fm_sync_hz.value, bandwidth_hz)
    }

    fn rf_samples(&self, t0_s: f64, dt_s: f64, bandwidth_hz: f64, out: &mut [f64]) {
        let (gain, noise_gain) = (self.rf_gain(bandwidth_hz), passes_noise(bandwidth_hz));
        let mut noise = self.streams.of(Signal::Rf);
        let mut reader = RfReader::new(&self.timeline, self.seed, t0_s);
        let mut i = 0;
        while i < out.len() {
            let mut piece = reader.piece(t0_s + i as f64 * dt_s);
            let noise_v = piece.noise_at_point_v() * noise_gain;
            while i < out.len() {
                let t = t0_s + i as f64 * dt_s;
                if t >= piece.end_s || t < piece.start_s {
                    break;
                }
                out[i] = gain * piece.bare_v(t) + noise_v * noise.at(t);
                i += 1;
            }
        }
    }

    /// Extremes of a bin by every sample in it.
    pub(crate) fn brute(
        &mut self,
        point: Point,
        t0_s: f64,
        dt_s: f64,
        underlying_s: f64,
        bandwidth_hz: f64,
        out: &mut [(f64, f64)],
    ) {
        let mut buffer = Vec::new();
        for (i, pair) in out.iter_mut().enumerate() {
            let from_s = t0_s + i as f64 * dt_s;
            buffer.resize(((dt_s / underlying_s).round() as usize).max(1), 0.0);
            self.samples(point, from_s, underlying_s, bandwidth_hz, &mut buffer);
            *pair = least_greatest(&buffer);
        }
    }

    pub(crate) fn rf_drawn(&self, bins: &Bins, bandwidth_hz: f64, out: &mut [(f64, f64)]) {
        let &Bins { t0_s, dt_s, underlying_s, first, noise_v: front_v, .. } = bins;
        let (gain, noise_gain) = (self.rf_gain(bandwidth_hz), passes_noise(bandwidth_hz));
        let start_s = t0_s + first as f64 * dt_s;
        let mut reader = RfReader::new(&self.timeline, self.seed, start_s);
        let mut drawer = Drawer::default();
        let mut cells: Vec<Cell> = Vec::new();
        let mut next = reader.piece(start_s);
        for (i, pair) in (first..).zip(out.iter_mut()) {
            let (from_s, to_s) = (t0_s + i as f64 * dt_s, t0_s + (i + 1) as f64 * dt_s);
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            cells.clear();
            let (mut noise_v, mut best_v): (f64, f64) = (0.0, 0.0);
            let mut t = from_s;
            while t < to_s {
                if t >= next.end_s || t < next.start_s {
                    next = reader.piece(t);
                }
                let end_s = next.end_s.min(to_s);
                let reach_v = extremes::REACH * next.noise_at_point_v() + 1e-3 * best_v;
                next.cells(t, end_s, reach_v, &mut best_v, &mut cells);
                // A transient stands at a known place and is added as it is.
                if next.edge_s() >= t && next.edge_s() < end_s {
                    let volts = next.transient_v();
                    (low, high) = (low.min(volts), high.max(volts));
                }
                noise_v = noise_v.max(next.noise_at_point_v());
                t = if end_s > t { end_s } else { t + 1e-9 };
            }
            let bits = [0, 1].map(|end| self.streams.bits(Signal::Rf, from_s, dt_s, end));
            let (least, greatest) = drawer.draw(&cells, (noise_v * noise_gain).hypot(front_v), underlying_s, bits);
            *pair = (low.min(gain * least), high.max(gain * greatest));
        }
    }

    fn video_samples(&self, t0_s: f64, dt_s: f64, out: &mut [f64]) {
        let mut noise = self.streams.of(Signal::Video);
        let mut i = 0;
        while i < out.len() {
            let t = t0_s + i as f64 * dt_s;
            let stretch = self.timeline.stretch(t, self.seed);
            let (picture, until_s) = self.picture(&stretch, t);
            while i < out.len() {
                let t = t0_s + i as f64 * dt_s;
                if t >= until_s {
                    break;
                }
                out[i] = self.video_v(&stretch, &picture, t, &mut noise);
                i += 1;
            }
        }
    }

    /// Extremes of video: from the frame's segments, noise drawn.
    fn video_extremes(&self, t0_s: f64, dt_s: f64, out: &mut [(f64, f64)]) {
        for (i, pair) in out.iter_mut().enumerate() {
            let (from_s, to_s) = (t0_s + i as f64 * dt_s, t0_s + (i + 1) as f64 * dt_s);
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            let mut noise_v: f64 = 0.0;
            let mut t = from_s;
            while t < to_s {
                let stretch = self.timeline.stretch(t, self.seed);
                let (picture, until_s) = self.picture(&stretch, t);
                let end_s = until_s.min(to_s);
                let video = &stretch.conditions.video;
                let mut stage = |table: &super::video::FrameTable, from_s: f64, to_s: f64| {
                    let beside = self.beside_video_v(video, t);
                    let (least, greatest) = reach(table, video, from_s, to_s);
                    (low, high) = (low.min(least + beside), high.max(greatest + beside));
                };
                match picture {
                    Picture::Tape { table, clock, noise_v: n } => {
                        noise_v = noise_v.max(video.gain * n);
                        let late_s = self.late_s(video, &table, clock.at(t), t);
                        stage(&table, clock.at(t) - late_s, clock.at(end_s) - late_s);
                    }
                    Picture::Own { table, clock } => stage(&table, clock.at(t), clock.at(end_s)),
                    Picture::Snow => {
                        noise_v = noise_v.max(super::replay::SNOW_V);
                        (low, high) = (low.min(0.0), high.max(0.0));
                    }
                    Picture::Nothing => (low, high) = (low.min(0.0), high.max(0.0)),
                }
                t = if end_s > t { end_s } else { t + 1e-9 };
            }
            let reach = noise_v * noise_reach(dt_s, self.streams.bits(Signal::Video, from_s, dt_s, 2));
            let below = noise_v * noise_reach(dt_s, self.streams.bits(Signal::Video, from_s, dt_s, 3));
            *pair = (low - below, high + reach);
        }
    }

    fn train_samples(&self, signal: Signal, train: Train, t0_s: f64, dt_s: f64, bandwidth_hz: f64, out: &mut [f64]) {
        let mut noise = self.streams.of(signal);
        let to_s = t0_s + out.len() as f64 * dt_s;
        let spike = train == Train::Control && self.config.control.form == SignalForm::Spike;
        let margin_s = if spike { 0.05 } else { 1e-4 };
        let edges = self.edges(train, t0_s - margin_s, to_s + margin_s);
        let (_, _, own_rise_s, _) = self.train_levels(train, t0_s);
        let rise_s = own_rise_s.hypot(0.35 / bandwidth_hz);
        let mut high = self.train_high(train, t0_s - margin_s);
        let mut next = 0;
        let noise_gain = passes_noise(bandwidth_hz);
        for (i, volts) in out.iter_mut().enumerate() {
            let t = t0_s + i as f64 * dt_s;
            let (low_v, high_v, _, noise_v) = self.train_levels(train, t);
            let bare = if spike {
                self.spikes_v(&edges, t)
            } else {
                while next < edges.len() && edges[next].at_s + rise_s / 2.0 <= t {
                    high = edges[next].rising;
                    next += 1;
                }
                let mut share = f64::from(u8::from(high));
                if let Some(edge) = edges.get(next).filter(|edge| edge.at_s - rise_s / 2.0 < t) {
                    let way = (t - edge.at_s) / rise_s + 0.5;
                    let to = f64::from(u8::from(edge.rising));
                    share += (to - share) * way;
                }
                low_v + share * (high_v - low_v)
            };
            *volts = bare + noise_gain * noise_v * noise.at(t);
        }
    }

    /// Extremes of a train: its states and edges in the bin, noise drawn.
    fn train_extremes(&self, signal: Signal, train: Train, t0_s: f64, dt_s: f64, out: &mut [(f64, f64)]) {
        let to_s = t0_s + out.len() as f64 * dt_s;
        let spike = train == Train::Control && self.config.control.form == SignalForm::Spike;
        let edges = self.edges(train, t0_s - 0.05, to_s + 0.05);
        let before = edges.partition_point(|edge| edge.at_s < t0_s);
        let mut high = if before > 0 { edges[before - 1].rising } else { self.train_high(train, t0_s) };
        let mut next = before;
        for (i, pair) in out.iter_mut().enumerate() {
            let (from_s, to_s) = (t0_s + i as f64 * dt_s, t0_s + (i + 1) as f64 * dt_s);
            let (low_v, high_v, _, noise_v) = self.train_levels(train, from_s);
            let level = |high: bool| if high { high_v } else { low_v };
            let (mut least, mut greatest) = (level(high), level(high));
            if spike {
                let (a, b) = (self.spikes_v(&edges, from_s), self.spikes_v(&edges, to_s));
                (least, greatest) = (a.min(b), a.max(b));
            }
            while next < edges.len() && edges[next].at_s < to_s {
                high = edges[next].rising;
                let volts = if spike { self.spikes_v(&edges, edges[next].at_s) } else { level(high) };
                (least, greatest) = (least.min(volts), greatest.max(volts));
                next += 1;
            }
            let reach = |end| noise_v * noise_reach(dt_s, self.streams.bits(signal, from_s, dt_s, end));
            *pair = (least - reach(2), greatest + reach(3));
        }
    }

    fn formula_extremes(&self, signal: Signal, t0_s: f64, dt_s: f64, underlying_s: f64, out: &mut [(f64, f64)]) {
        let mut noise = self.streams.of(signal);
        let looks = (dt_s / underlying_s).clamp(1.0, SLOW_LOOKS).round() as usize;
        for (i, pair) in out.iter_mut().enumerate() {
            let from_s = t0_s + i as f64 * dt_s;
            let volts: Vec<f64> = (0..looks)
                .map(|k| self.formula_v(signal, from_s + k as f64 * dt_s / looks as f64, &mut noise))
                .collect();
            *pair = least_greatest(&volts);
        }
    }
}

fn least_greatest(volts: &[f64]) -> (f64, f64) {
    volts.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(*v), high.max(*v)))
}

/// How far noise reaches in a time, in standard deviations: drawn from the greatest of its up-crossings.
fn noise_reach(span_s: f64, bits: u64) -> f64 {
    let count = (span_s / NOISE_GRID_S).max(1.0);
    let target = (-uniform(bits).ln() / count).max(1e-300).ln();
    let (mut low, mut high) = (-3.0, 9.0);
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if log_upper_tail(middle) > target { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// All that a frame reaches between two table times behind the output stage.
fn reach(table: &super::video::FrameTable, out: &VideoConfig, from_s: f64, to_s: f64) -> (f64, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut at_s = from_s;
    while at_s < to_s {
        let (frames, rest) = table.split(at_s);
        let place = table.place(rest);
        let segment = &table.segments()[place];
        let end_rest = table.end_s(place).min(to_s - frames * table.frame_s);
        let colour = out.gain * out.burst_ratio * table.burst_v * segment.colour;
        for t in [rest, end_rest] {
            let volts = out.through(segment.luma_v + segment.luma_v_s * (t - segment.start_s), segment.picture);
            (low, high) = (low.min(volts - colour), high.max(volts + colour));
        }
        at_s = (frames * table.frame_s + end_rest).max(at_s + 1e-10);
    }
    (low, high)
}

/// Whether a record's extremes are those of every sample.
fn every_sample(bins: &Bins, signal: Signal) -> bool {
    let per_bin = bins.dt_s / bins.underlying_s;
    let few = per_bin * bins.total as f64 <= RECORD_SAMPLES;
    per_bin <= FEW || (few && matches!(signal, Signal::Rf | Signal::Video))
}

impl Source for Machine {
    fn samples(&mut self, point: Point, t0_s: f64, dt_s: f64, bandwidth_hz: f64, out: &mut [f64]) {
        // The scope's own output and an open probe are the scope's to answer.
        let Point::Signal(signal) = point else { return out.fill(0.0) };
        match signal {
            Signal::Rf => self.rf_samples(t0_s, dt_s, bandwidth_hz, out),
            Signal::Video => self.video_samples(t0_s, dt_s, out),
            other => match Self::train(other) {
                Some(train) => self.train_samples(other, train, t0_s, dt_s, bandwidth_hz, out),
                None => {
                    let mut noise = self.streams.of(other);
                    for (i, volts) in out.iter_mut().enumerate() {
                        *volts = self.formula_v(other, t0_s + i as f64 * dt_s, &mut noise);
                    }
                }
            },
        }
    }

    fn extremes(
        &mut self,
        point: Point,
        t0_s: f64,
        dt_s: f64,
        underlying_s: f64,
        bandwidth_hz: f64,
        out: &mut [(f64, f64)],
    ) {
        let Point::Signal(signal) = point else { return out.fill((0.0, 0.0)) };
        let bins = Bins { t0_s, dt_s, underlying_s, total: out.len(), first: 0, noise_v: 0.0 };
        if self.some_extremes(point, &bins, bandwidth_hz, out) {
            return;
        }
        if every_sample(&bins, signal) {
            return self.brute(point, t0_s, dt_s, underlying_s, bandwidth_hz, out);
        }
        match signal {
            Signal::Rf => {
                let looks_s = dt_s / SLOW_LOOKS;
                self.brute(point, t0_s, dt_s, looks_s.max(underlying_s), bandwidth_hz, out);
            }
            Signal::Video => self.video_extremes(t0_s, dt_s, out),
            other => match Self::train(other) {
                Some(train) => self.train_extremes(other, train, t0_s, dt_s, out),
                None => self.formula_extremes(other, t0_s, dt_s, underlying_s, out),
            },
        }
    }

    fn some_extremes(&mut self, point: Point, bins: &Bins, bandwidth_hz: f64, out: &mut [(f64, f64)]) -> bool {
        if point != Point::Signal(Signal::Rf) || self.config.rf.form != SignalForm::Raw {
            return false;
        }
        if !every_sample(bins, Signal::Rf) {
            self.rf_drawn(bins, bandwidth_hz, out);
        } else if search::pays(bins.underlying_s) {
            let gains = (self.rf_gain(bandwidth_hz), passes_noise(bandwidth_hz));
            self.rf_searched(bins, gains, self.streams.of(Signal::Rf), out);
        } else {
            return false;
        }
        true
    }

    fn next_crossing(&mut self, point: Point, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        let Point::Signal(signal) = point else { return None };
        self.crossing(signal, level_v, slope, after_s, until_s)
    }

    fn next_video(
        &mut self,
        point: Point,
        field: Option<u8>,
        line: Option<u32>,
        after_s: f64,
        until_s: f64,
    ) -> Option<f64> {
        (point == Point::Signal(Signal::Video)).then(|| self.next_video_start(field, line, after_s, until_s)).flatten()
    }
}

/// Whether an edge goes the asked way.
pub(crate) fn fits(edge: &Edge, slope: Slope) -> bool {
    edge.rising == (slope == Slope::Rising)
}
