//! What happened when: a list of epochs, each with its own laws of motion and conditions.
//!
//! An event (a key, a fault, a tape) cuts off the epochs that were planned after it and plans new
//! ones. Drum phase and tape place go on without a jump. Phases count in scans and tracks; head A
//! takes the even ones, and the reference's phase is the field rate times the time.

use super::conditions::Conditions;
use super::motion::Motion;
use super::random::{hash, mix, uniform};
use std::sync::Arc;
use tapewright_formats::Mode;

/// A time with one set of laws.
#[derive(Debug, Clone)]
pub(crate) struct Epoch {
    /// First instant.
    pub(crate) start_s: f64,
    /// What the transport does in it.
    pub(crate) plan: Plan,
    pub(crate) drum: Motion,
    pub(crate) tape: Motion,
    pub(crate) conditions: Arc<Conditions>,
}

/// Every epoch, in order. The first reaches back for ever.
#[derive(Debug, Clone)]
pub(crate) struct Timeline {
    epochs: Vec<Epoch>,
    seed: u64,
    /// Stops in still so far.
    stops: u64,
}

/// Period of the slow wander of a free-running motor (common practice, no source).
const WANDER_PERIOD_S: f64 = 11.0;

impl Timeline {
    /// A machine at rest.
    pub(crate) fn new(conditions: Arc<Conditions>, seed: u64) -> Self {
        let tape = Motion::Rest { place: (2000.0 * uniform(hash(seed, 11))).floor() };
        let plan =
            Plan { start_s: f64::NEG_INFINITY, mode: Mode::Stop, contact: false, drum: Drum::Off, tape: Tape::Rest };
        let first = Epoch {
            start_s: f64::NEG_INFINITY,
            plan,
            drum: Motion::Rest { place: 2.0 * uniform(hash(seed, 12)) },
            tape,
            conditions,
        };
        Self { epochs: vec![first], seed, stops: 0 }
    }

    /// Number of the epoch of an instant.
    pub(crate) fn index(&self, t_s: f64) -> usize {
        self.epochs.partition_point(|epoch| epoch.start_s <= t_s).max(1) - 1
    }

    /// An epoch by its number.
    pub(crate) fn epoch(&self, index: usize) -> &Epoch {
        &self.epochs[index]
    }

    /// The epoch of an instant.
    pub(crate) fn at(&self, t_s: f64) -> &Epoch {
        self.epoch(self.index(t_s))
    }

    /// End of an epoch.
    pub(crate) fn end_s(&self, index: usize) -> f64 {
        self.epochs.get(index + 1).map_or(f64::INFINITY, |next| next.start_s)
    }

    /// Number of epochs.
    pub(crate) fn len(&self) -> usize {
        self.epochs.len()
    }

    /// Start of the last epoch: when the last plan is carried out.
    pub(crate) fn planned_until_s(&self) -> f64 {
        self.epochs[self.epochs.len() - 1].start_s
    }

    /// Changes the conditions at an instant; the transport's plan goes on.
    pub(crate) fn change(&mut self, at_s: f64, conditions: &Arc<Conditions>) {
        let now = self.index(at_s);
        let mut plans = vec![self.epochs[now].plan.resumed(at_s, self.end_s(now))];
        plans.extend(self.epochs[now + 1..].iter().map(|epoch| epoch.plan));
        self.plan(plans, conditions);
    }

    /// Carries out a plan: cuts off what was planned after its first instant, and adds its epochs.
    pub(crate) fn plan(&mut self, plans: Vec<Plan>, conditions: &Arc<Conditions>) {
        let Some(first) = plans.first().map(|plan| plan.start_s) else { return };
        self.epochs.retain(|epoch| epoch.start_s < first);
        for plan in plans {
            self.carry_out(plan, conditions);
        }
    }

    fn carry_out(&mut self, plan: Plan, conditions: &Arc<Conditions>) {
        let t = plan.start_s;
        let before = &self.epochs[self.epochs.len() - 1];
        let (drum_place, drum_speed) = (before.drum.at(t), before.drum.speed(t));
        let (tape_place, tape_speed) = (before.tape.at(t), before.tape.speed(t));
        let field_hz = conditions.format.lines.field_rate_hz();
        let config = &conditions.config;
        let drum = match plan.drum {
            Drum::Off => Motion::Rest { place: drum_place },
            Drum::To { speed, over_s } => Motion::Ramp {
                from_s: t,
                place: drum_place,
                speed: drum_speed,
                change: (speed * field_hz - drum_speed) / over_s,
            },
            Drum::Run { ratio } if conditions.drum_can_lock() && ratio == 1.0 => {
                let phase = -config.drum.phase_s * field_hz;
                let offset = phase + 2.0 * ((drum_place - field_hz * t - phase) / 2.0).round();
                let away = drum_place - field_hz * t - offset;
                let hunting_s = conditions.faults.drum_hunting_s.unwrap_or(config.drum.hunting_s);
                let to_and_fro = (hunting_s * field_hz, config.drum.hunting_period_s, hash(self.seed, 22));
                locked(t, field_hz, offset, away, config.drum.lock_tau_s).that_hunts(t, to_and_fro)
            }
            Drum::Run { ratio } => {
                let error = conditions.faults.drum_unlocked.unwrap_or(if conditions.drum_can_lock() {
                    0.0
                } else {
                    config.drum.free_running_error
                });
                let wander = if error == 0.0 { 0.0 } else { 0.02 };
                free(t, drum_place, field_hz * ratio * (1.0 + error), wander, hash(self.seed, 21))
            }
        };
        let tape = match plan.tape {
            Tape::Rest => Motion::Rest { place: tape_place },
            Tape::To { speed, over_s } => {
                let target = speed * field_hz * conditions.speed_ratio();
                Motion::Ramp { from_s: t, place: tape_place, speed: tape_speed, change: (target - tape_speed) / over_s }
            }
            Tape::Land { place, over_s } => {
                // Comes to rest at a given place: an even slowing that ends there, as a parabola.
                let way = place - tape_place;
                Motion::Ramp {
                    from_s: t,
                    place: tape_place,
                    speed: 2.0 * way / over_s,
                    change: -2.0 * way / (over_s * over_s),
                }
            }
            Tape::Play if conditions.capstan_can_lock() => {
                let tape = conditions.tape.as_ref();
                let knob = conditions.faults.tracking_pitch.unwrap_or(config.tracking.offset_pitch);
                let target = knob + tape.map_or(0.0, |tape| tape.tracking_pitch) + conditions.switch_shift()
                    + conditions.x_pitch()
                    // Drum and capstan follow one reference.
                    - config.drum.phase_s * field_hz;
                let offset = target + 2.0 * ((tape_place - field_hz * t - target) / 2.0).round();
                let away = tape_place - field_hz * t - offset;
                let automatic = if conditions.faults.tracking_manual { 0.0 } else { config.tracking.hunting_pitch };
                let hunting = conditions.faults.hunting_pitch.unwrap_or(automatic);
                let to_and_fro = (hunting, config.tracking.hunting_period_s.unwrap_or(6.0), hash(self.seed, 31));
                locked(t, field_hz, offset, away, config.capstan.lock_tau_s).that_hunts(t, to_and_fro)
            }
            Tape::Play => {
                let error = conditions.faults.capstan_free.unwrap_or(config.capstan.free_running_error);
                let speed = field_hz * conditions.speed_ratio() * (1.0 + error);
                // Greatest speed error `w` of the slow wander means `w v T / 2 pi` of place.
                let wander = config.capstan.wander * field_hz * WANDER_PERIOD_S / core::f64::consts::TAU;
                free(t, tape_place, speed, wander, hash(self.seed, 32))
            }
            Tape::Run { ratio } => free(t, tape_place, field_hz * conditions.speed_ratio() * ratio, 0.0, 0),
        };
        self.epochs.push(Epoch { start_s: t, plan, drum, tape, conditions: Arc::clone(conditions) });
    }

    /// Where the tape will rest for the next still, near a place.
    pub(crate) fn next_stop(&mut self, near: f64, stops_pitch: &[f64]) -> f64 {
        let number = self.stops;
        self.stops += 1;
        let share = if stops_pitch.is_empty() {
            2.0 * uniform(mix(hash(self.seed, 41) ^ number))
        } else {
            stops_pitch[number as usize % stops_pitch.len()]
        };
        // Half a pitch on, so that 0 means: centred on a track of head A at mid-scan.
        2.0 * (near / 2.0).ceil() + share + 0.5
    }

    /// Puts another tape under the heads, at rest at any place.
    pub(crate) fn new_place(&mut self, at_s: f64, conditions: &Arc<Conditions>) {
        self.change(at_s, conditions);
        let place = (2000.0 * uniform(mix(hash(self.seed, 51) ^ at_s.to_bits()))).floor();
        for epoch in self.epochs.iter_mut().filter(|epoch| epoch.start_s >= at_s) {
            epoch.tape = Motion::Rest { place };
        }
    }
}

fn locked(from_s: f64, rate: f64, offset: f64, away: f64, tau_s: f64) -> Motion {
    Motion::Locked { from_s, rate, offset, away, tau_s, hunting: 0.0, period_s: 1.0, seed: 0 }
}

fn free(from_s: f64, place: f64, speed: f64, wander: f64, seed: u64) -> Motion {
    Motion::Free { from_s, place, speed, wander, period_s: WANDER_PERIOD_S, seed }
}

/// What the drum shall do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Drum {
    /// Rest.
    Off,
    /// Change to a speed (in scans a field) over a time.
    To { speed: f64, over_s: f64 },
    /// Run at a share of nominal speed; locked if it is 1 and nothing forbids it.
    Run { ratio: f64 },
}

/// What the tape shall do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Tape {
    /// Rest where it is.
    Rest,
    /// Change to a speed (over nominal) over a time.
    To { speed: f64, over_s: f64 },
    /// Come to rest at a place over a time.
    Land { place: f64, over_s: f64 },
    /// Play: locked if it can be.
    Play,
    /// Run at a multiple of nominal speed.
    Run { ratio: f64 },
}

/// One step of what the transport will do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plan {
    pub(crate) start_s: f64,
    /// Mode that the transport has reached.
    pub(crate) mode: Mode,
    /// Tape lies around the drum.
    pub(crate) contact: bool,
    pub(crate) drum: Drum,
    pub(crate) tape: Tape,
}

impl Plan {
    /// The same step taken up again at an instant within it: what changes evenly still ends in time.
    fn resumed(mut self, at_s: f64, end_s: f64) -> Self {
        self.start_s = at_s;
        let left_s = (end_s - at_s).max(1e-3);
        if let Drum::To { over_s, .. } = &mut self.drum {
            *over_s = left_s;
        }
        if let Tape::To { over_s, .. } | Tape::Land { over_s, .. } = &mut self.tape {
            *over_s = left_s;
        }
        self
    }
}
