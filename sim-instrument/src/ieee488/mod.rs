//! IEEE 488.2 and the part of SCPI-99 that every instrument has: program messages, message exchange,
//! status and the error queue.
//!
//! Written for the simulator alone; the daemon's own SCPI room shares nothing with it, so that each
//! checks the other.

pub(crate) mod block;
pub(crate) mod call;
pub(crate) mod common;
pub(crate) mod device;
pub(crate) mod events;
pub(crate) mod exchange;
pub(crate) mod fault;
pub(crate) mod framing;
pub(crate) mod parse;
pub(crate) mod status;
pub(crate) mod table;

pub(crate) use call::{Call, Range, real};
pub(crate) use device::{Device, Reply};
pub(crate) use events::ErrorsBy;
pub(crate) use exchange::Exchange;
pub(crate) use fault::{Code, Fault};
pub(crate) use table::Table;
