//! A bench: one scope, one machine, one order of events.

pub mod events;
pub mod prompts;
