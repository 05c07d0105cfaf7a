//! How long bytes take, and rows of them on their way out.

/// Bits that a byte takes on a serial line: start, eight, stop.
const BITS_A_BYTE: u64 = 10;
const NANOS: u64 = 1_000_000_000;

/// How long bytes take.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pace(pub(super) Option<u32>);

impl Pace {
    /// Nanoseconds that so many bytes take.
    pub(super) fn time_of(self, bytes: u64) -> u64 {
        self.0.map_or(0, |baud| bytes.saturating_mul(BITS_A_BYTE * NANOS) / u64::from(baud.max(1)))
    }

    /// How many bytes have gone after so many nanoseconds; `None`: all.
    pub(super) fn gone_after(self, nanos: u64) -> Option<u64> {
        let baud = u128::from(self.0?);
        // One more nanosecond, since the time of each byte is rounded down.
        u64::try_from((u128::from(nanos) + 1) * baud / u128::from(BITS_A_BYTE * NANOS)).ok()
    }
}

/// A part of a response message, as a link that marks ends sends it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Part {
    /// What the link called the message that it answers; none: it came without.
    pub(crate) message: Option<u32>,
    pub(crate) bytes: Vec<u8>,
    /// Whether the response ends with it.
    pub(crate) ends: bool,
}

/// A row of bytes on their way out: one response message.
#[derive(Debug)]
pub(super) struct Segment {
    /// What the link called the message that it answers.
    pub(super) message: Option<u32>,
    /// When the first byte starts on the wire.
    pub(super) start: u64,
    pub(super) bytes: Vec<u8>,
    pub(super) taken: usize,
}

impl Segment {
    /// When the byte at `place` has left.
    pub(super) fn due(&self, place: usize, pace: Pace) -> u64 {
        self.start.saturating_add(pace.time_of(place as u64 + 1))
    }
}

pub(super) fn nanos(seconds: f64) -> u64 {
    (seconds.max(0.0) * NANOS as f64).round() as u64
}
