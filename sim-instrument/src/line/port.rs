//! How a port is built, the faults of its link, and what went over it.

use crate::quirks::Quirks;

/// How a port is built.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PortSettings {
    /// Baud rate that is kept in both directions; `None`: bytes take no time.
    pub baud: Option<u32>,
    /// Time from the end of a message to the first byte of its reply.
    pub latency_s: f64,
    /// Whether a new message while a reply waits unread drops that reply and raises -410.
    pub interrupt: bool,
    /// Longest input that is held; more raises -363.
    pub input_bytes: usize,
    /// Longest response message, blocks excepted; more raises -430.
    pub output_bytes: usize,
    /// Entries of the error queue.
    pub errors: usize,
    /// Ways in which it leaves the standard.
    pub quirks: Quirks,
}

impl Default for PortSettings {
    fn default() -> Self {
        Self {
            baud: None,
            latency_s: 1e-3,
            interrupt: true,
            input_bytes: 1024,
            output_bytes: 4096,
            errors: 16,
            quirks: Quirks::default(),
        }
    }
}

/// Faults of the link. Rates are shares of bytes (of replies: for `late` and `cut`).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LinkFaults {
    /// The port is gone.
    pub closed: bool,
    /// Commands are carried out, and nothing comes back.
    pub silent: bool,
    /// Replies left before it falls silent.
    pub answers_left: Option<u64>,
    /// Share of reply bytes that are lost.
    pub drop: f64,
    /// Share of reply bytes with a bit turned over.
    pub garble: f64,
    /// Share of reply bytes that come twice.
    pub double: f64,
    /// Share of replies that come late.
    pub late: f64,
    /// How much later those come.
    pub late_s: f64,
    /// Share of replies that end in the middle.
    pub cut: f64,
    /// Share of command bytes that are lost.
    pub drop_in: f64,
    /// Share of command bytes with a bit turned over.
    pub garble_in: f64,
    /// Replies left that the rates act on; `None`: on all.
    pub replies_left: Option<u64>,
}

/// What went over a port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counters {
    /// Program messages that arrived whole.
    pub messages: u64,
    /// Response messages that were sent, before any fault of the link.
    pub replies: u64,
    /// Bytes that came in.
    pub bytes_in: u64,
    /// Bytes that went out.
    pub bytes_out: u64,
    /// Faults of the link that bit.
    pub faults: u64,
    /// Replies that were dropped since a new message came before they were read (-410).
    pub interrupted: u64,
}
