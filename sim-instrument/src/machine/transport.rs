//! The keys: what the transport does, step by step, on its way to a mode.

use super::Machine;
use super::conditions::{Conditions, neighbour_shift};
use super::config::DrumConfig;
use super::random::mix;
use super::timeline::{Drum, Plan, Tape};
use crate::deck::TrackingKey;
use std::sync::Arc;
use tapewright_formats::{Format, Mode};

/// How long the tape takes from one speed to another (common practice, no source).
const CHANGE_S: f64 = 0.3;

impl Machine {
    /// A tracking key is pressed: the control moves by a step, as far as it goes, or to its own centre, and stays where it
    /// was put. A machine with a knob has no such keys.
    pub fn tracking(&mut self, key: TrackingKey, at_s: f64) {
        let control = &self.config.tracking;
        if !control.keys || self.faults.tracking_keys_dead {
            return;
        }
        let now_pitch = self.faults.tracking_pitch.unwrap_or(control.offset_pitch);
        let moved_pitch = match key {
            TrackingKey::Both => self.faults.tracking_centre_pitch,
            TrackingKey::Up => now_pitch + control.step_pitch,
            TrackingKey::Down => now_pitch - control.step_pitch,
        };
        if key == TrackingKey::Both {
            self.faults.tracking_centre_pitch += self.faults.tracking_centre_wanders.unwrap_or(0.0);
        }
        self.faults.tracking_pitch = Some(moved_pitch.clamp(-control.range_pitch, control.range_pitch));
        self.faults.tracking_manual = true;
        self.apply(at_s);
    }

    /// A key is pressed. Returns when the mode is reached and every servo that can lock is locked.
    ///
    /// Without a tape, or with a stuck transport, nothing moves.
    pub fn key(&mut self, mode: Mode, at_s: f64) -> f64 {
        let at_s = at_s.max(self.last_event_s);
        let now = self.timeline.at(at_s);
        let stuck = now.conditions.faults.transport_stuck || (now.conditions.tape.is_none() && mode != Mode::Stop);
        if stuck {
            return at_s;
        }
        self.last_event_s = at_s;
        let conditions = now.conditions.clone();
        let from = now.plan;
        let place = now.tape.at(at_s);
        let transport = &conditions.config.transport;
        let drum = &conditions.config.drum;
        let threading_s = transport.threading_s.max(0.1);
        let mut plans = Vec::new();
        let mut t = at_s;
        let threaded =
            matches!(mode, Mode::Play | Mode::Still | Mode::Advance | Mode::Cue | Mode::Review | Mode::Record);
        let running = from.contact && matches!(from.drum, Drum::Run { .. });
        if threaded && !running {
            // Thread with the drum spinning up, then run.
            let spin_s = drum.spin_up_s.clamp(0.1, threading_s);
            let wait_s = threading_s - spin_s;
            if wait_s > 0.0 {
                plans.push(Plan { start_s: t, mode: Mode::Stop, contact: false, drum: Drum::Off, tape: Tape::Rest });
            }
            let spin = Drum::To { speed: 1.0, over_s: spin_s };
            plans.push(Plan { start_s: t + wait_s, mode: Mode::Stop, contact: false, drum: spin, tape: Tape::Rest });
            t += threading_s;
        }
        let locked = Drum::Run { ratio: 1.0 };
        let format = self.format;
        let trick = |speed: f64| Drum::Run { ratio: drum_ratio(&conditions.config.drum, format, speed) };
        let reached = |start_s, mode, drum, tape| Plan { start_s, mode, contact: true, drum, tape };
        match mode {
            Mode::Play | Mode::Record => {
                let run_up_s = conditions.config.capstan.run_up_s.max(0.05);
                plans.push(reached(
                    t,
                    from_mode(from.mode, running),
                    locked,
                    Tape::To { speed: 1.0, over_s: run_up_s },
                ));
                plans.push(reached(t + run_up_s, mode, locked, Tape::Play));
            }
            Mode::Still | Mode::Advance => {
                let over_s = transport.still_stop_s.max(0.05);
                // An advance goes to the next frame; a first still comes to rest ahead of where it is.
                let stops = transport.still_stops_pitch.clone();
                let stop = self.timeline.next_stop(place + 1.0, &stops);
                let land = Tape::Land { place: stop, over_s };
                plans.push(reached(t, from_mode(from.mode, running), trick(0.0), land));
                plans.push(reached(t + over_s, mode, trick(0.0), Tape::Rest));
            }
            Mode::Cue | Mode::Review => {
                let fast = conditions.faults.search_speed.unwrap_or(transport.search_speed);
                let speed = if mode == Mode::Cue { fast } else { -fast };
                let drum = trick(speed);
                plans.push(reached(t, from_mode(from.mode, running), drum, Tape::To { speed, over_s: CHANGE_S }));
                plans.push(reached(t + CHANGE_S, mode, drum, Tape::Run { ratio: speed }));
            }
            Mode::Stop | Mode::FastForward | Mode::Rewind => {
                if from.contact {
                    // The tape rests at once, then leaves the drum, which slows down meanwhile.
                    let slow = Drum::To { speed: 0.0, over_s: threading_s };
                    plans.push(reached(t, from.mode, from.drum, Tape::To { speed: 0.0, over_s: CHANGE_S }));
                    plans.push(Plan {
                        start_s: t + CHANGE_S,
                        mode: Mode::Stop,
                        contact: false,
                        drum: slow,
                        tape: Tape::Rest,
                    });
                    t += CHANGE_S + threading_s;
                } else if from.drum != Drum::Off || from.tape != Tape::Rest {
                    let slow = Drum::To { speed: 0.0, over_s: CHANGE_S };
                    let rest = Tape::To { speed: 0.0, over_s: CHANGE_S };
                    plans.push(Plan { start_s: t, mode: Mode::Stop, contact: false, drum: slow, tape: rest });
                    t += CHANGE_S;
                }
                let tape = match mode {
                    Mode::FastForward => Tape::Run { ratio: transport.wind_speed },
                    Mode::Rewind => Tape::Run { ratio: -transport.wind_speed },
                    _ => Tape::Rest,
                };
                plans.push(Plan { start_s: t, mode, contact: false, drum: Drum::Off, tape });
            }
        }
        let conditions = if mode == Mode::Record { self.record(&conditions) } else { conditions };
        self.timeline.plan(plans, &conditions);
        self.settled_at_s()
    }

    /// Records the whole tape over: from now on it is this machine's own. Only a tape of the machine's own
    /// format can be recorded on; any other stays as it is.
    fn record(&mut self, conditions: &Arc<Conditions>) -> Arc<Conditions> {
        let (Some(name), Some(tape)) = (&self.tape, &conditions.tape) else { return Arc::clone(conditions) };
        if tape.format.name == self.format.name {
            let seed = mix(tape.seed ^ self.last_event_s.to_bits());
            let sound_height_um = conditions.faults.audio_height_um.unwrap_or(self.config.audio.height_um);
            self.tapes.insert(name.clone(), Arc::new(tape.recorded_by(conditions, sound_height_um, seed)));
        }
        self.conditions()
    }

    /// Mode that the transport has reached at an instant; on the way to one it is the mode left.
    #[must_use]
    pub fn mode_at(&self, t_s: f64) -> Mode {
        self.timeline.at(t_s).plan.mode
    }

    /// When the last mode asked for is reached, with eight time constants for the servos to settle.
    #[must_use]
    pub fn settled_at_s(&self) -> f64 {
        let reached_s = self.timeline.planned_until_s();
        let config = &self.config;
        let moving = self.timeline.at(reached_s).plan.contact;
        let tau_s = config.drum.lock_tau_s.max(config.capstan.lock_tau_s);
        if moving { reached_s + 8.0 * tau_s } else { reached_s.max(self.last_event_s) }
    }
}

/// Drum speed over nominal that keeps the line rate at a tape speed over nominal: neighbouring tracks
/// lie apart along the track, so a head that crosses `n - 1` of them reads lines faster or slower.
fn drum_ratio(config: &DrumConfig, format: &Format, speed: f64) -> f64 {
    if config.corrects_line_rate { 1.0 / (1.0 - (speed - 1.0) * neighbour_shift(format)) } else { 1.0 }
}

/// On the way from one running mode to another the old one holds; from rest it is stop.
fn from_mode(mode: Mode, running: bool) -> Mode {
    if running { mode } else { Mode::Stop }
}
