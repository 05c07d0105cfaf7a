//! A simulated scope on a simulated tape machine.
//!
//! | module | job |
//! |---|---|
//! | [`source`] | the seam: volts at test points at the instants asked for |
//! | [`machine`] | the tape machine: physics, faults, truth |
//! | `scope` | the acquisition engine: trigger, sampling, peak detect, conversion |
//! | `ieee488` | program messages, message exchange, status and the error queue |
//! | `front`, `relay` | the words: families A, B and C, SCPI-99, the relay box |
//! | `line`, [`SimPort`] | bytes that take their time, and faults of the link |
//! | [`SimBench`] | all of it on one timeline, with [`commands`] and [`scenario`] files |
//! | [`serve`] | TCP, HiSLIP and a pseudo-terminal |
//!
//! Everything is told the time and computed at the instants asked for, so that real and virtual time
//! are the same to it. Nothing here is shared with the daemon's measuring or its SCPI room: the two
//! sides check each other.

mod bench;
mod beside;
pub mod commands;
mod deck;
mod front;
mod ieee488;
mod line;
pub mod machine;
mod machine_deck;
mod operator;
mod port;
mod quirks;
mod relay;
mod rng;
pub mod scenario;
mod scope;
pub mod serve;
pub mod source;
mod world;

pub use bench::{BenchSetup, SimBench};
pub use beside::Beside;
pub use deck::{Deck, TrackingKey};
pub use front::{FrontEnd, Scaling};
pub use line::{Counters, LinkFaults, PortSettings};
pub use operator::{Action, Obeyed};
pub use port::{SimPort, Which};
pub use quirks::{Quirk, Quirks};
pub use relay::{KEYS, Key, OPENS_AFTER_S};
pub use scope::{Acquisition, ChannelErrors, Errors, Specs, TriggeredBy};
pub use scope::{ChannelSetup, Coupling, Setup, Taken, TriggerFrom, TriggerOn};
pub use world::{Probe, Probes};
