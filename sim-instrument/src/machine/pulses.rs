//! Square waves and spikes: head switch, control track, drum and capstan generators, reference.
//!
//! Each is a train whose phase is a place that goes with time in closed form; its edges are found
//! by solving for the place, never by sampling.

use super::Machine;
use super::conditions::Conditions;
use super::random::{gauss, hash, uniform};
use tapewright_formats::SignalForm;

/// One edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Edge {
    pub(crate) at_s: f64,
    pub(crate) rising: bool,
    /// Number of the pulse.
    pub(crate) pulse: i64,
    /// The pulse should be there and is not.
    pub(crate) missing: bool,
}

/// What a train counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Train {
    /// Scans of the heads, with their jitter.
    HeadSwitch,
    /// Control pulses on the tape.
    Control,
    /// Generator of the drum.
    Drum,
    /// Generator of the capstan.
    Capstan,
    /// Reference of the servos.
    Reference,
}

/// Tape speed over nominal below which pulses of the tape are lost.
const LEAST_SPEED: f64 = 0.2;

impl Machine {
    /// Edges of a train in `[from_s, to_s)`, in order.
    pub(crate) fn edges(&self, train: Train, from_s: f64, to_s: f64) -> Vec<Edge> {
        let mut edges = self.edges_with_missing(train, from_s, to_s);
        edges.retain(|edge| !edge.missing);
        edges
    }

    /// The same, with the edges of missing control pulses.
    pub(crate) fn edges_with_missing(&self, train: Train, from_s: f64, to_s: f64) -> Vec<Edge> {
        let mut edges = Vec::new();
        match train {
            Train::HeadSwitch => self.head_switch_edges(from_s, to_s, &mut edges),
            Train::Reference => self.reference_edges(from_s, to_s, &mut edges),
            _ => {
                // A jittered edge may come from just outside.
                let margin_s = 8.0 * self.config.control.jitter_s;
                self.place_edges(train, from_s - margin_s, to_s + margin_s, &mut edges);
                edges.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
                edges.retain(|edge| edge.at_s >= from_s && edge.at_s < to_s);
            }
        }
        edges
    }

    fn head_switch_edges(&self, from_s: f64, to_s: f64, edges: &mut Vec<Edge>) {
        let mut t = from_s;
        while t < to_s {
            let stretch = self.timeline.stretch(t, self.seed);
            if let (Some(scan), true) = (stretch.scan, stretch.edge_s >= from_s && stretch.start_s == stretch.edge_s) {
                let even = scan.rem_euclid(2) == 0;
                if stretch.edge_s < to_s && !stretch.conditions.faults.head_switch_dead {
                    let rising = even == self.config.head_switch.high_is_a;
                    edges.push(Edge { at_s: stretch.edge_s, rising, pulse: scan, missing: false });
                }
            }
            t = if stretch.end_s > t { stretch.end_s } else { t + 1e-9 };
        }
    }

    fn reference_edges(&self, from_s: f64, to_s: f64, edges: &mut Vec<Edge>) {
        let rate = self.format.lines.frame_rate_hz();
        let mut half = (from_s * 2.0 * rate).ceil() as i64;
        while (half as f64) / (2.0 * rate) < to_s {
            let at_s = half as f64 / (2.0 * rate);
            if at_s >= from_s && !self.timeline.at(at_s).conditions.faults.reference_missing {
                edges.push(Edge { at_s, rising: half.rem_euclid(2) == 0, pulse: half, missing: false });
            }
            half += 1;
        }
    }

    fn place_edges(&self, train: Train, from_s: f64, to_s: f64, edges: &mut Vec<Edge>) {
        let (mut index, last) = (self.timeline.index(from_s), self.timeline.index(to_s));
        while index <= last {
            let epoch = self.timeline.epoch(index);
            let (a, b) = (epoch.start_s.max(from_s), self.timeline.end_s(index).min(to_s));
            index += 1;
            if b <= a {
                continue;
            }
            let motion = if train == Train::Drum { &epoch.drum } else { &epoch.tape };
            let (scale, shift, duty) = self.train_scale(train, &epoch.conditions);
            let jitter_s = if train == Train::Control { self.config.control.jitter_s } else { 0.0 };
            // Ramps may turn round; their two halves are straight on.
            for (a, b) in halves(motion, a, b) {
                let (at_a, at_b) = (motion.at(a) * scale + shift, motion.at(b) * scale + shift);
                let forward = at_b >= at_a;
                let (low, high) = if forward { (at_a, at_b) } else { (at_b, at_a) };
                for pulse in low.floor() as i64..=high.ceil() as i64 {
                    for (share, opens) in [(0.0, true), (duty, false)] {
                        let place = pulse as f64 + share;
                        if place < low || place >= high {
                            continue;
                        }
                        let Some(at_s) = motion.when((place - shift) / scale, a, b) else { continue };
                        let mut edge = Edge { at_s, rising: opens == forward, pulse, missing: false };
                        if train == Train::Control {
                            if !self.control_arrives(at_s) {
                                continue;
                            }
                            let tape = epoch.conditions.tape.as_ref().map_or(0, |tape| tape.seed);
                            edge.missing =
                                self.control_pulse_missing(tape, pulse, epoch.conditions.faults.control_missing);
                            let number = 2 * pulse + i64::from(!opens);
                            edge.at_s += jitter_s * gauss(hash(tape ^ 77, number)).clamp(-4.0, 4.0);
                        }
                        edges.push(edge);
                    }
                }
            }
        }
    }

    /// Scale and shift from a motion's place to a train's phase in periods, and the share that is high.
    pub(crate) fn train_scale(&self, train: Train, conditions: &Conditions) -> (f64, f64, f64) {
        let field_hz = self.format.lines.field_rate_hz();
        match train {
            // One pulse a frame, that is for every second track. At centre the pulse comes `delay` before head A's scan.
            Train::Control => {
                let control = &self.config.control;
                // Pulses that reach a displaced head late are taken for the tracks' place all the same.
                let tape = conditions.tape.as_ref().map_or(0.0, |tape| tape.tracking_pitch);
                let shift = control.delay_s * field_hz - tape - conditions.x_pitch();
                (0.5, 0.5 * shift, control.duty)
            }
            Train::Drum => (0.5 * self.config.drum.pulses_a_turn, 0.0, 0.5),
            _ => (self.config.capstan.pulse_hz / (field_hz * conditions.speed_ratio()), 0.0, 0.5),
        }
    }

    pub(crate) fn control_pulse_missing(&self, tape_seed: u64, pulse: i64, fault: Option<f64>) -> bool {
        let share = fault.unwrap_or(self.config.control.missing_ratio);
        share > 0.0 && uniform(hash(tape_seed ^ 0xC7, pulse)) < share
    }

    /// Whether pulses come off the tape to the test point at an instant.
    pub(crate) fn control_arrives(&self, t_s: f64) -> bool {
        let epoch = self.timeline.at(t_s);
        let nominal = self.format.lines.field_rate_hz() * epoch.conditions.speed_ratio();
        epoch.plan.contact && epoch.conditions.pulses_arrive() && epoch.tape.speed(t_s).abs() > LEAST_SPEED * nominal
    }

    /// State of a train at an instant.
    pub(crate) fn train_high(&self, train: Train, t_s: f64) -> bool {
        let epoch = self.timeline.at(t_s);
        match train {
            Train::HeadSwitch => {
                let stretch = self.timeline.stretch(t_s, self.seed);
                let dead = stretch.conditions.faults.head_switch_dead;
                !dead && stretch.scan.is_some_and(|scan| (scan.rem_euclid(2) == 0) == self.config.head_switch.high_is_a)
            }
            Train::Reference => {
                let phase = (t_s * self.format.lines.frame_rate_hz()).rem_euclid(1.0);
                phase < 0.5 && !epoch.conditions.faults.reference_missing
            }
            Train::Control => {
                // The last edge says it, however it was jittered; a pulse that did not come leaves the line low.
                let pulses_hz = 0.5 * epoch.tape.speed(if epoch.start_s.is_finite() { t_s } else { 0.0 }).abs();
                let reach_s = (1.5 / pulses_hz.max(0.1)).min(10.0);
                self.edges(train, t_s - reach_s, t_s + 1e-12).last().is_some_and(|edge| edge.rising)
                    && self.control_arrives(t_s)
            }
            Train::Drum | Train::Capstan => {
                let motion = if train == Train::Drum { &epoch.drum } else { &epoch.tape };
                let (scale, shift, duty) = self.train_scale(train, &epoch.conditions);
                let from_s = if epoch.start_s.is_finite() { t_s } else { 0.0 };
                (motion.at(from_s) * scale + shift).rem_euclid(1.0) < duty
            }
        }
    }

    /// Low and high state, edge time, noise (RMS).
    pub(crate) fn train_levels(&self, train: Train, t_s: f64) -> (f64, f64, f64, f64) {
        let control = &self.config.control;
        match train {
            Train::HeadSwitch => (self.config.head_switch.low_v, self.config.head_switch.high_v, 0.3e-6, 0.01),
            Train::Control if control.form == SignalForm::Spike => (0.0, 0.0, 0.0, control.spike_noise_v),
            Train::Control => (0.0, control.square_v * self.control_share(t_s), 2e-6, control.square_noise_v),
            Train::Drum | Train::Capstan | Train::Reference => (0.0, 5.0, 1e-6, 0.01),
        }
    }

    /// Amplitude of control pulses over nominal.
    pub(crate) fn control_share(&self, t_s: f64) -> f64 {
        let epoch = self.timeline.at(t_s);
        let conditions = &epoch.conditions;
        let tape =
            conditions.tape.as_ref().map_or(1.0, |tape| tape.control_level * self.control_reads(epoch, tape, t_s));
        tape * conditions.faults.control_level.unwrap_or(1.0)
    }
}

/// Splits a span where a ramp turns round.
fn halves(motion: &super::motion::Motion, a: f64, b: f64) -> Vec<(f64, f64)> {
    let (va, vb) = (motion.speed(a), motion.speed(b));
    if va * vb < 0.0
        && let super::motion::Motion::Ramp { from_s, speed, change, .. } = *motion
    {
        let turn_s = from_s - speed / change;
        if turn_s > a && turn_s < b {
            return vec![(a, turn_s), (turn_s, b)];
        }
    }
    vec![(a, b)]
}
