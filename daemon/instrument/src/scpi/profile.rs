//! What a session must know of an instrument's manners: bounds, waits, ends of lines.
//!
//! Start values by the project's reference notes on serial practice: some makers ask for 3 s and
//! more before a busy scope is called dumb (instrument maker's manual, not named); the rest is
//! common practice, no source.

use core::time::Duration;
use serde::{Deserialize, Serialize};

/// What ends a message that we send.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum Terminator {
    /// NL, as the standard has it.
    #[default]
    Nl,
    /// CR and NL.
    CrNl,
    /// CR.
    Cr,
}

impl Terminator {
    /// The bytes.
    #[must_use]
    pub const fn bytes(self) -> &'static [u8] {
        match self {
            Self::Nl => b"\n",
            Self::CrNl => b"\r\n",
            Self::Cr => b"\r",
        }
    }
}

/// How an instrument tells its errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ErrorForm {
    /// `SYSTem:ERRor?` (SCPI-99 vol. 2).
    #[default]
    Queue,
    /// `*ESR?` makes events readable, which `ALLEv?` tells.
    Events,
    /// `CMR?`, `EXR?`, `DDR?`: a register a class of errors.
    Registers,
}

/// What `*OPC?` is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum OperationComplete {
    /// It waits for the end of an acquisition.
    #[default]
    Waits,
    /// It answers at once, and says nothing.
    AtOnce,
    /// There is no answer.
    Absent,
}

/// How an instrument's blocks differ from the standard's (IEEE 488.2, 8.7.9).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct BlockShape {
    /// Most bytes of text before the `#`.
    pub text_before: usize,
    /// The count is that of the whole packet, the header from its `#` on included.
    pub count_of_packet: bool,
    /// By how much the count is more than the data.
    pub count_excess: i32,
    /// Digits of count that really follow the digit after `#`, whatever that says.
    pub digits: Option<u8>,
    /// The data stand between a format byte and a checksum byte (their sum modulo 256).
    pub wrapped: bool,
}

/// An instrument's manners.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// End of what we send.
    pub terminator: Terminator,
    /// How long the first byte of a short reply may take.
    pub first_byte: Duration,
    /// How long a reply may pause.
    pub gap: Duration,
    /// Silence that ends resynchronising's wait, at least.
    pub silence: Duration,
    /// Most bytes of a line.
    pub most_line: usize,
    /// Most bytes of a block, where the asker knows no better.
    pub most_block: usize,
    /// Whether the instrument sends back what we send.
    pub echo: bool,
    /// Whether answers carry a header word.
    pub reply_header: bool,
    /// Whether blank bytes (NL, CR, NUL) may stand between answers; otherwise they are suspicious.
    pub padding: bool,
    /// Whether a definite block may come without an end of line.
    pub bare_block: bool,
    /// Whether it takes several commands and questions in one message (SCPI-99 vol. 1, 6.2.4).
    pub compound: bool,
    /// Most bytes of a message of several; input buffers of 256 bytes are met (instrument maker's
    /// manual, not named).
    pub most_message: usize,
    /// Whether a definite block may stand among other answers in one response (IEEE 488.2, 8.4.1 and 8.7.9).
    pub blocks_joined: bool,
    /// Whether the dialect writes each word as the standard does, its short form in capitals, so that slow
    /// lines can be spared the rest.
    pub short_words: bool,
    /// How it tells its errors.
    pub errors: ErrorForm,
    /// What `*OPC?` is worth.
    pub operation_complete: OperationComplete,
    /// How its blocks differ.
    pub block: BlockShape,
    /// Whether a reading may hold fewer points than were asked for, the first ones: the rest is asked for then.
    pub short_readings: bool,
    /// How late the state of the acquisition may be told.
    pub state_lag: Duration,
    /// Bytes that make it drop what it holds; none: an empty line.
    pub clear: Option<Vec<u8>>,
    /// Whether a break on its serial line is a device clear. Some reset by one, so it is never sent unasked.
    pub clear_by_break: bool,
    /// Mask of the standard event register that is put back after resynchronising.
    pub event_mask: u8,
}

impl Default for Profile {
    fn default() -> Self {
        Self {
            terminator: Terminator::Nl,
            first_byte: Duration::from_secs(3),
            gap: Duration::from_millis(250),
            silence: Duration::from_millis(200),
            most_line: 64 * 1024,
            most_block: 64 << 20,
            echo: false,
            reply_header: false,
            padding: false,
            bare_block: false,
            compound: false,
            most_message: 200,
            blocks_joined: false,
            short_words: false,
            errors: ErrorForm::Queue,
            operation_complete: OperationComplete::Waits,
            block: BlockShape::default(),
            short_readings: false,
            state_lag: Duration::ZERO,
            clear: None,
            clear_by_break: false,
            event_mask: 0,
        }
    }
}

impl Profile {
    /// Longest pause inside a reply, given the time of a byte.
    #[must_use]
    pub fn gap_with(&self, byte_s: f64) -> Duration {
        self.gap.max(Duration::from_secs_f64(50.0 * byte_s))
    }

    /// Silence to wait for, given the time of a byte.
    #[must_use]
    pub fn silence_with(&self, byte_s: f64) -> Duration {
        self.silence.max(Duration::from_secs_f64(20.0 * byte_s))
    }

    /// Longest time of a whole reply of so many bytes.
    #[must_use]
    pub fn whole_with(&self, bytes: usize, byte_s: f64) -> Duration {
        self.first_byte + Duration::from_secs_f64(bytes as f64 * byte_s * 1.5 + 1.0)
    }
}
