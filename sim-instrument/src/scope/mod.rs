//! The scope's acquisition engine: what it is, what it is set to, and what it took.
//!
//! The engine knows volts at its connectors and seconds; words and divisions are the front ends'.

mod convert;
mod engine;
mod shot;
mod specs;

pub(crate) use convert::{STEPS, STEPS_A_DIVISION, ZERO_CODE};
pub(crate) use engine::{Progress, Scope};
pub(crate) use shot::Record;
pub use shot::{Acquisition, ChannelSetup, Coupling, Setup, Taken, TriggerFrom, TriggerOn, TriggeredBy};
pub use specs::{ChannelErrors, Errors, Specs};
