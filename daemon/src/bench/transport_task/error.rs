//! Why the keys did not do what was asked of them.

use super::{KEY_DEADLINE, STILL_DWELL};
use tapewright_formats::{Mode, TrackingPress, UnableCode};
use tapewright_instrument::TransportError;

/// Why a mode was not reached, or a tracking key not pressed.
#[derive(Debug, thiserror::Error)]
pub enum KeysError {
    /// The relays or their link failed.
    #[error("going to {mode} by relay failed")]
    Relays {
        /// The mode.
        mode: Mode,
        /// Why.
        #[source]
        source: Box<TransportError>,
    },
    /// The relays on the tracking keys or their link failed.
    #[error("pressing {press} by relay failed")]
    Tracking {
        /// What was pressed.
        press: TrackingPress,
        /// Why.
        #[source]
        source: Box<TransportError>,
    },
    /// Stop came first.
    #[error("{doing} was given up: stop came first; run it again when it is safe to")]
    StopCame {
        /// What was being done.
        doing: String,
    },
    /// A still picture's time was over first.
    #[error(
        "{doing} was given up: still had been held for {} s, the longest that the tape is left at one place, and the machine was told to stop; ask for less at a time in still, or go on sooner",
        STILL_DWELL.as_secs()
    )]
    StillTooLong {
        /// What was being done.
        doing: String,
    },
    /// The operator did not answer in time.
    #[error("nobody pressed {mode} within {} s: answer the prompt, or hook up relays", KEY_DEADLINE.as_secs())]
    Unattended {
        /// The mode.
        mode: Mode,
    },
    /// The operator declined.
    #[error("the operator could not go to {mode}")]
    Declined {
        /// The mode.
        mode: Mode,
    },
    /// Too many prompts are open.
    #[error("the operator cannot be asked for {mode}: too many prompts are open")]
    TooManyPrompts {
        /// The mode.
        mode: Mode,
    },
    /// The task has ended.
    #[error("the bench is shutting down: its transport takes no more commands")]
    Gone,
}

impl KeysError {
    /// The code of unable that says the same.
    #[must_use]
    pub fn code(&self) -> UnableCode {
        match self {
            Self::Relays { .. } => UnableCode::ModeNotReached,
            Self::Tracking { source, .. } => source.unable_code(),
            Self::StopCame { .. } | Self::Gone => UnableCode::Cancelled,
            Self::StillTooLong { .. } => UnableCode::NotPossible,
            Self::Unattended { .. } | Self::TooManyPrompts { .. } => UnableCode::Unattended,
            Self::Declined { .. } => UnableCode::Declined,
        }
    }
}
