//! When a signal next crosses a level: solved for squares, looked for and then halved down for the rest.

use super::Machine;
use super::pulses::Train;
use super::rf::RfReader;
use super::signals::fits;
use crate::source::{Point, Slope, Source};
use tapewright_formats::{Signal, SignalForm};

/// What bandwidth a trigger circuit sees.
const TRIGGER_HZ: f64 = 60e6;

/// Chunks in which edges are asked for.
const CHUNK_S: f64 = 0.5;

impl Machine {
    /// The first crossing of a level after an instant.
    pub(crate) fn crossing(
        &mut self,
        signal: Signal,
        level_v: f64,
        slope: Slope,
        after_s: f64,
        until_s: f64,
    ) -> Option<f64> {
        match (signal, Self::train(signal)) {
            (Signal::ControlTrack, _) if self.config.control.form == SignalForm::Spike => {
                self.spike_crossing(level_v, slope, after_s, until_s)
            }
            (_, Some(train)) => self.train_crossing(train, level_v, slope, after_s, until_s),
            (Signal::Rf, _) => self.rf_crossing(level_v, slope, after_s, until_s),
            (Signal::Video, _) => {
                if !(-1.2..1.5).contains(&level_v) {
                    return None;
                }
                self.search(signal, level_v, slope, after_s, until_s, 50e-9)
            }
            (Signal::Supply, _) => {
                let ripple = 0.6
                    * self
                        .config
                        .supply
                        .ripple_v
                        .max(self.timeline.at(after_s).conditions.faults.ripple_v.unwrap_or(0.0))
                    + 0.006
                    + self.config.supply.switching_v
                    + self.timeline.at(after_s).conditions.faults.switching_v.unwrap_or(0.0);
                let rail = self.supply_v(after_s);
                let span = rail - 2.0 * ripple..rail + 2.0 * ripple;
                (span.contains(&level_v) || self.timeline.index(after_s) != self.timeline.index(until_s))
                    .then(|| self.search(signal, level_v, slope, after_s, until_s, 20e-6))
                    .flatten()
            }
            _ => {
                let audio = &self.config.audio;
                let most_v = 1.5 * audio.level_v * (1.0 + audio.second_ratio)
                    + 10.0 * audio.noise_v
                    + audio.hum_v
                    + audio.offset_v.abs()
                    + 0.2;
                (level_v.abs() < most_v).then(|| self.search(signal, level_v, slope, after_s, until_s, 5e-6)).flatten()
            }
        }
    }

    fn train_crossing(&self, train: Train, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        let mut t = after_s;
        while t < until_s {
            let end_s = (t + CHUNK_S).min(until_s);
            for edge in self.edges(train, t - 2e-6, end_s) {
                let (low_v, high_v, own_rise_s, _) = self.train_levels(train, edge.at_s);
                if !(low_v < level_v && level_v < high_v && fits(&edge, slope)) {
                    continue;
                }
                // The edge is a straight line through the middle of its states.
                let rise_s = own_rise_s.hypot(0.35 / TRIGGER_HZ);
                let share = (level_v - low_v) / (high_v - low_v);
                let way = if edge.rising { share } else { 1.0 - share };
                let at_s = edge.at_s + (way - 0.5) * rise_s;
                if at_s > after_s && at_s < until_s {
                    return Some(at_s);
                }
            }
            t = end_s;
        }
        None
    }

    fn spike_crossing(&mut self, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        let mut t = after_s;
        while t < until_s {
            let end_s = (t + CHUNK_S).min(until_s);
            let edges = self.edges(Train::Control, t - 0.05, end_s + 0.05);
            for edge in &edges {
                // Look from well before to well after each spike; without noise, which is far below a trigger level.
                let (mut at_s, last_s) = ((edge.at_s - 5e-3).max(t), (edge.at_s + 5e-3).min(end_s));
                let mut before = self.spikes_v(&edges, at_s);
                while at_s < last_s {
                    let next_s = at_s + 20e-6;
                    let now = self.spikes_v(&edges, next_s);
                    let crosses = if slope == Slope::Rising {
                        before < level_v && now >= level_v
                    } else {
                        before > level_v && now <= level_v
                    };
                    if crosses {
                        let found = halve(at_s, next_s, |x| self.spikes_v(&edges, x) - level_v);
                        if found > after_s && found < until_s {
                            return Some(found);
                        }
                    }
                    (at_s, before) = (next_s, now);
                }
            }
            t = end_s;
        }
        None
    }

    fn rf_crossing(&mut self, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        let mut t = after_s;
        while t < until_s {
            let (end_s, can) = {
                let mut reader = RfReader::new(&self.timeline, self.seed, t);
                let piece = reader.piece(t);
                // Five sigma of noise: a level beyond that is not waited for.
                (piece.end_s.min(until_s), level_v.abs() <= piece.bound_v() + 5.0 * piece.noise_at_point_v())
            };
            // Noise alone has no pieces to end it: take it in short chunks.
            let end_s = end_s.min(t + 1e-3);
            if can && let Some(at_s) = self.search(Signal::Rf, level_v, slope, t, end_s, 8e-9) {
                return Some(at_s);
            }
            t = if end_s > t { end_s } else { t + 1e-9 };
        }
        None
    }

    /// Looks at a signal at even steps for a crossing, then halves the step down.
    fn search(
        &mut self,
        signal: Signal,
        level_v: f64,
        slope: Slope,
        after_s: f64,
        until_s: f64,
        step_s: f64,
    ) -> Option<f64> {
        let point = Point::Signal(signal);
        let mut volts = [0.0; 512];
        let mut t = after_s;
        while t < until_s {
            self.samples(point, t, step_s, TRIGGER_HZ, &mut volts);
            for (i, pair) in volts.windows(2).enumerate() {
                let crosses = match slope {
                    Slope::Rising => pair[0] < level_v && pair[1] >= level_v,
                    Slope::Falling => pair[0] > level_v && pair[1] <= level_v,
                };
                if crosses {
                    let at_s = t + i as f64 * step_s;
                    let found = halve(at_s, at_s + step_s, |x| {
                        let mut one = [0.0];
                        self.samples(point, x, step_s, TRIGGER_HZ, &mut one);
                        one[0] - level_v
                    });
                    return (found > after_s && found < until_s).then_some(found);
                }
            }
            t += (volts.len() - 1) as f64 * step_s;
        }
        None
    }
}

/// The instant between two at which a function changes sign.
fn halve(mut low: f64, mut high: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    let sign = f(low);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if f(middle) * sign > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
