//! The simulated tape machine: physics, signals, and the exact truth about them.
//!
//! Nothing is stepped through time. Keys, faults and tapes make epochs (`timeline`) in which drum
//! and tape follow laws in closed form; every signal is computed at the instants asked for, and the
//! same question gets the same answer.
//!
//! | module | job |
//! |---|---|
//! | `config`, `tape`, `check` | what a machine and its tapes are like, and what they cannot be |
//! | `faults`, `conditions` | faults by command; the numbers between two events |
//! | `motion`, `timeline`, `transport` | laws of motion, events, keys |
//! | `scan`, `reading` | which head is where; what tracks it reads |
//! | `video`, `picture`, `replay` | the recorded frame; the video output |
//! | `rf`, `extremes` | the RF test point, sampled and by its extremes |
//! | `pulses`, `slow` | squares, spikes |
//! | `audio`, `supply`, `hifi` | sound at its head, the supply rail, FM sound under the picture |
//! | `dropouts`, `loss_of_contact` | places where heads lose contact |
//! | `signals` | the seam: one answer for every test point |
//! | `truth`, `truth_servo`, `truth_video` | the written definitions, from the machine's own state |

mod audio;
mod audio_head;
mod check;
mod conditions;
pub mod config;
mod crossing;
mod dropouts;
mod extremes;
mod faults;
mod hifi;
mod loss_of_contact;
mod losses;
mod motion;
mod picture;
mod pilots;
mod pulses;
mod random;
mod reading;
mod replay;
mod rf;
mod scan;
mod search;
mod signals;
mod slow;
mod supply;
mod tape;
mod timeline;
mod transport;
mod truth;
mod truth_guides;
mod truth_servo;
mod truth_text;
mod truth_video;
mod video;

#[cfg(test)]
mod tests;

pub use audio::{FlutterPart, SoundTruth};
pub use audio_head::AudioHeadTruth;
pub use conditions::Head;
pub use config::{
    AudioConfig, DropoutConfig, GuideCurve, HeadConfig, HifiConfig, MachineConfig, Picture, SupplyConfig, TapeConfig,
};
pub use faults::{FAULTS, FaultError, FaultKind};
pub use hifi::HifiTruth;
pub use loss_of_contact::DropoutTruth;
pub use pilots::PilotTruth;
pub use supply::SupplyTruth;
pub use truth::{ControlTruth, CurveTruth, HeadCurve, SlipTruth};
pub use truth_guides::GuideTruth;

use conditions::{Conditions, TapeState};
use faults::Faults;
use std::collections::BTreeMap;
use std::sync::Arc;
use tapewright_formats::{Format, Mode, TapeKind, format_named, formats};
use timeline::Timeline;
use video::FrameTable;

/// The machine could not be made or changed as asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MachineError {
    /// A format that is not in the table.
    #[error("{place}: no format is called `{given}`; there are: {known}")]
    Format {
        /// Where it was asked for.
        place: String,
        /// What was given.
        given: String,
        /// What there is.
        known: String,
    },
    /// Recorder and player use other line standards or drums.
    #[error(
        "tape `{tape}` is recorded in `{recorded}`, which a machine set to `{machine}` cannot scan: choose a format with the same drum and line standard"
    )]
    Mixed {
        /// The tape.
        tape: String,
        /// Its format.
        recorded: String,
        /// The machine's.
        machine: String,
    },
    /// A tape that is not at hand.
    #[error("no tape is called `{given}`; there are: {known}")]
    Tape {
        /// What was given.
        given: String,
        /// What there is.
        known: String,
    },
    /// A number that is not finite or out of its range.
    #[error("{field} cannot be {value}: {wanted}")]
    Number {
        /// Which field.
        field: &'static str,
        /// What was given.
        value: String,
        /// What is right.
        wanted: &'static str,
    },
    /// A question about the truth that cannot be answered.
    #[error("{0}")]
    Truth(String),
    /// A fault or its value.
    #[error(transparent)]
    Fault(#[from] FaultError),
}

/// A simulated tape machine.
#[derive(Debug, Clone)]
pub struct Machine {
    config: Arc<MachineConfig>,
    format: &'static Format,
    seed: u64,
    tapes: BTreeMap<String, Arc<TapeState>>,
    tape: Option<String>,
    faults: Faults,
    timeline: Timeline,
    last_event_s: f64,
    streams: signals::Streams,
    /// Frame that a muted machine sends.
    own_video: Arc<FrameTable>,
}

fn find_format(place: &str, name: &str) -> Result<&'static Format, MachineError> {
    format_named(name).ok_or_else(|| MachineError::Format {
        place: place.to_owned(),
        given: name.to_owned(),
        known: formats().iter().map(|format| format.name).collect::<Vec<_>>().join(", "),
    })
}

impl Machine {
    /// A machine at rest, with the tape of its configuration in it. One seed, one machine.
    ///
    /// # Errors
    /// A format that does not exist, a tape that cannot be played or is not there, a number out of range.
    pub fn new(config: MachineConfig, seed: u64) -> Result<Self, MachineError> {
        check::numbers(&config)?;
        let format = find_format("machine", &config.format)?;
        let config = Arc::new(config);
        let mut tapes = BTreeMap::new();
        let mut tables: BTreeMap<String, Arc<FrameTable>> = BTreeMap::new();
        for (number, (name, tape)) in config.tapes.iter().enumerate() {
            let state = tape_state(name, tape, format, &config, &mut tables, random::hash(seed, 1000 + number as i64))?;
            tapes.insert(name.clone(), Arc::new(state));
        }
        let conditions = Arc::new(Conditions::new(&config, format, None, &Faults::default()));
        let own_video = Arc::new(FrameTable::new(format, Picture::Black, true, 0));
        let mut machine = Self {
            format,
            seed,
            tapes,
            tape: None,
            faults: Faults::default(),
            timeline: Timeline::new(conditions, seed),
            last_event_s: f64::NEG_INFINITY,
            streams: signals::Streams::new(seed),
            own_video,
            config,
        };
        if let Some(tape) = machine.config.tape.clone() {
            // The machine has been as it is for ever: no event yet.
            machine.check_tape(&tape)?;
            machine.tape = Some(tape);
            machine.timeline = Timeline::new(machine.conditions(), seed);
        }
        Ok(machine)
    }

    /// What it was made from.
    #[must_use]
    pub fn config(&self) -> &MachineConfig {
        &self.config
    }

    /// Its format.
    #[must_use]
    pub fn format(&self) -> &'static Format {
        self.format
    }

    /// Name and kind of the tape that is in.
    #[must_use]
    pub fn tape(&self) -> Option<(&str, TapeKind)> {
        self.tape.as_deref().and_then(|name| self.tapes.get(name).map(|tape| (name, tape.kind)))
    }

    fn conditions(&self) -> Arc<Conditions> {
        let tape = self.tape.as_ref().and_then(|name| self.tapes.get(name)).cloned();
        Arc::new(Conditions::new(&self.config, self.format, tape, &self.faults))
    }

    fn check_tape(&self, name: &str) -> Result<(), MachineError> {
        if self.tapes.contains_key(name) {
            return Ok(());
        }
        let known = self.tapes.keys().cloned().collect::<Vec<_>>().join(", ");
        Err(MachineError::Tape { given: name.to_owned(), known })
    }

    /// Puts a tape in, or takes it out (`None`). The transport goes to rest at once.
    ///
    /// # Errors
    /// No such tape.
    pub fn insert(&mut self, tape: Option<&str>, at_s: f64) -> Result<(), MachineError> {
        if let Some(name) = tape {
            self.check_tape(name)?;
        }
        let at_s = at_s.max(self.last_event_s);
        let moving = self.timeline.at(at_s).plan.mode != Mode::Stop || self.timeline.planned_until_s() > at_s;
        if moving {
            self.key(Mode::Stop, at_s);
        }
        self.tape = tape.map(str::to_owned);
        self.last_event_s = at_s;
        // A hand changes the tape when the transport has come to rest.
        let rest_s = self.timeline.planned_until_s().max(at_s);
        let conditions = self.conditions();
        self.timeline.new_place(rest_s, &conditions);
        self.last_event_s = rest_s;
        Ok(())
    }

    /// Sets a fault or a setting ([`FAULTS`]) from an instant on; an empty value takes the usual one.
    ///
    /// # Errors
    /// No such fault, or a value that does not fit.
    pub fn fault(&mut self, name: &str, value: &str, at_s: f64) -> Result<(), MachineError> {
        self.faults.set(name, value)?;
        self.apply(at_s);
        Ok(())
    }

    /// Takes a fault or a setting away from an instant on.
    ///
    /// # Errors
    /// No such fault.
    pub fn clear(&mut self, name: &str, at_s: f64) -> Result<(), MachineError> {
        self.faults.clear(name)?;
        self.apply(at_s);
        Ok(())
    }

    fn apply(&mut self, at_s: f64) {
        let at_s = at_s.max(self.last_event_s);
        self.last_event_s = at_s;
        let conditions = self.conditions();
        self.timeline.change(at_s, &conditions);
    }
}

fn tape_state(
    name: &str,
    tape: &TapeConfig,
    machine_format: &'static Format,
    config: &MachineConfig,
    tables: &mut BTreeMap<String, Arc<FrameTable>>,
    seed: u64,
) -> Result<TapeState, MachineError> {
    let format = match &tape.format {
        Some(given) => find_format(name, given)?,
        None => machine_format,
    };
    if format.lines != machine_format.lines || format.drum_diameter_mm.value != machine_format.drum_diameter_mm.value {
        return Err(MachineError::Mixed {
            tape: name.to_owned(),
            recorded: format.name.to_owned(),
            machine: machine_format.name.to_owned(),
        });
    }
    // Frames are big, and most tapes carry the same picture: one table for each.
    let picture_seed = if tape.picture == Picture::Random { seed } else { 0 };
    let key = format!("{} {:?} {} {picture_seed}", format.name, tape.picture, tape.colour);
    let table =
        tables.entry(key).or_insert_with(|| Arc::new(FrameTable::new(format, tape.picture, tape.colour, picture_seed)));
    Ok(TapeState::new(tape, format, config, Arc::clone(table), seed))
}
