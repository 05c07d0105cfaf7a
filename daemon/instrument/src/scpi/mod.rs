//! SCPI over IEEE 488.2: what is said to instruments, and what they answer.
//!
//! [`Message`] builds what we send. [`frame`] cuts answers out of the stream of bytes, [`answer`]
//! reads them. [`Session`] keeps one query outstanding and never takes a late reply for another's.

pub mod answer;
mod complaints;
mod evidence;
pub mod frame;
mod message;
mod place;
mod profile;
mod reading;
mod resync;
mod row;
mod rows;
mod session;
mod session_error;
mod shape;
mod sure;

use core::fmt;
use serde::{Deserialize, Serialize};

pub use answer::{Form, Number, Numeric};
pub use message::{BuildError, Message};
pub(crate) use message::{is_word, number as number_text};
pub use profile::{BlockShape, ErrorForm, OperationComplete, Profile, Terminator};
pub use row::Settled;
pub(crate) use row::{Answer, Due};
pub use session::Session;
pub use session_error::SessionError;
pub use shape::{shaped_header, unwrapped};

/// Why bytes are not (yet) an answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trouble {
    /// More bytes may make it right; how many are missing at least, if that is known.
    Incomplete(Option<usize>),
    /// It is whole, but not what was expected. The place in the stream is still known.
    Wrong(String),
    /// The place in the stream is lost: nothing after it can be trusted.
    Hopeless(String),
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Incomplete(Some(missing)) => write!(f, "at least {missing} bytes are missing"),
            Self::Incomplete(None) => f.write_str("it stops in the middle"),
            Self::Wrong(why) | Self::Hopeless(why) => f.write_str(why),
        }
    }
}

/// Who an instrument says it is (IEEE 488.2, 10.14).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
pub struct Identity {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number; `0` where it has none.
    pub serial: String,
    /// Firmware, with all that follows.
    pub firmware: String,
}

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{},{},{},{}", self.maker, self.model, self.serial, self.firmware)
    }
}

/// An entry of an instrument's error queue (SCPI-99 vol. 2, SYSTem:ERRor).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ErrorEntry {
    /// Negative: of the standard; positive: the instrument's own; 0: none.
    pub code: i32,
    /// Text, without the information.
    pub text: String,
    /// What follows the first semicolon, if anything.
    pub info: Option<String>,
}

/// Class of an error by its number (SCPI-99 vol. 2, SYSTem:ERRor; IEEE 488.2, 11.5.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorClass {
    /// 0.
    None,
    /// -100 to -199: the instrument did not understand.
    Command,
    /// -200 to -299: understood, but it cannot be done.
    Execution,
    /// -300 to -399, and the instrument's own positive numbers.
    Device,
    /// -400 to -499: queries and answers got out of step.
    Query,
    /// -500 to -899: not errors: power on, requests, operation complete.
    Event,
    /// A number of no class.
    Unknown,
}

impl ErrorEntry {
    /// What an empty queue answers.
    pub(crate) const fn none() -> Self {
        Self { code: 0, text: String::new(), info: None }
    }

    /// The class.
    #[must_use]
    pub const fn class(&self) -> ErrorClass {
        match self.code {
            0 => ErrorClass::None,
            -199..=-100 => ErrorClass::Command,
            -299..=-200 => ErrorClass::Execution,
            -399..=-300 | 1.. => ErrorClass::Device,
            -499..=-400 => ErrorClass::Query,
            -899..=-500 => ErrorClass::Event,
            _ => ErrorClass::Unknown,
        }
    }
}

impl fmt::Display for ErrorEntry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{},\"{}", self.code, self.text.replace('"', "\"\""))?;
        if let Some(info) = &self.info {
            write!(f, ";{}", info.replace('"', "\"\""))?;
        }
        f.write_str("\"")
    }
}
