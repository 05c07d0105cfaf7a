//! Live sessions of a bench: readings while somebody adjusts. The latest reading only; nothing is kept.
//!
//! One session a bench. It may run while nothing else does, or while a run waits for an answer to a prompt to
//! adjust something. Nothing moves but by a person's key; when the session ends the machine is left as it is,
//! since hands may be in it.

mod desk;
mod services;
mod spec;

pub use desk::{CLIENT_PATIENCE, LiveDesk, LiveFrame, LiveStartError};
pub use spec::LiveSpec;

pub(crate) use desk::Begin;
