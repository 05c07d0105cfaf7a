//! Tables of tape formats and signals, with their relations, and the words of the house.
//!
//! This crate does no I/O, reads no clock and builds for wasm: the simulator, the daemon and the
//! procedures all stand on it. What it says about a format carries how sure we are ([`Surety`]).
//!
//! [`definitions`] holds the written formula of every quantity that the simulator states exactly
//! and `measure` estimates: one definition, implemented twice and independently.

mod cautions;
pub mod decision;
pub mod definitions;
mod expectation;
mod format;
pub mod losses;
pub mod pilots;
pub mod relations;
pub mod sound;
mod tracking;
pub mod video;
mod words;

pub use decision::{Decision, Interval, Limit, Limits, decide};
pub use expectation::{Expectation, expected_in};
pub use format::{Format, LineStandard, Sourced, Surety, TapeSpeed, format_named, formats};
pub use tracking::TrackingPress;
pub use words::{
    Caution, Dimension, Finding, Mode, Outcome, ProbePlace, Signal, SignalForm, TapeKind, UnableCode, Unit, UnknownWord,
};
