//! Working the machine's keys: by relays at an address of their own, or (elsewhere) by the operator.
//!
//! Stop pre-empts: a [`StopHandle`] ends whatever wait goes on, and the stop key is pressed before
//! anything else. Recording needs a [`RecordGrant`], which only a tape declared scratch gives.

mod relay;
mod table;

use crate::link::BoxFuture;
use crate::scpi::{BuildError, SessionError};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tapewright_formats::{Mode, TrackingPress, UnableCode};
use tokio::sync::Notify;

pub use relay::RelayTransport;
pub use table::{Key, TableFault, TrackingKeys, TransportTable};

/// Why the machine did not go where it was sent.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TransportError {
    /// Stop was asked for meanwhile; the stop key was pressed.
    #[error(
        "stop was asked for while the machine was sent to `{to}`; the stop key was pressed; run it again when it is safe to"
    )]
    Stopped {
        /// Where it was going.
        to: Mode,
    },
    /// Stop was asked for while tracking keys were pressed.
    #[error("stop was asked for while {press} was pressed; the stop key was pressed; run it again when it is safe to")]
    TrackingStopped {
        /// What was pressed.
        press: TrackingPress,
    },
    /// No key leads there.
    #[error("the key table has no way to `{to}`; it has {}: add its key to the table, or work it by hand", .known.join(", "))]
    NoKey {
        /// Where it was to go.
        to: Mode,
        /// Where it can go.
        known: Vec<&'static str>,
    },
    /// No relay is on the tracking keys.
    #[error(
        "the key table has no `tracking`, so {press} was not pressed: add its relays to the table, or work it by hand"
    )]
    NoTracking {
        /// What was to be pressed.
        press: TrackingPress,
    },
    /// Recording without a grant.
    #[error(
        "recording needs a tape that was declared scratch in this job; nothing was pressed; put such a tape in and declare it (`--scratch`)"
    )]
    NoGrant,
    /// A relay did not do what it was told.
    #[error(
        "relay {relay} of {link} is {is} after it was told to {told}; every relay was told to open: check the relay box before trusting it with a tape"
    )]
    Relay {
        /// Which relay.
        relay: u32,
        /// Which box.
        link: String,
        /// What it is.
        is: &'static str,
        /// What it was told.
        told: &'static str,
    },
    /// The box could not be spoken to.
    #[error("could not {doing}; while the box is out of reach only its own time-out opens a relay")]
    Session {
        /// What was tried.
        doing: String,
        /// Why.
        #[source]
        source: Box<SessionError>,
    },
    /// A command could not be built from the table.
    #[error("could not build the command to {doing}: {source}; check the relay numbers in the key table")]
    Build {
        /// What was tried.
        doing: String,
        /// Why.
        #[source]
        source: BuildError,
    },
}

impl TransportError {
    /// The code of unable that fits.
    #[must_use]
    pub const fn unable_code(&self) -> UnableCode {
        match self {
            Self::Stopped { .. } | Self::TrackingStopped { .. } => UnableCode::Cancelled,
            Self::NoKey { .. } | Self::NoTracking { .. } | Self::NoGrant | Self::Build { .. } => {
                UnableCode::NotPossible
            }
            Self::Relay { .. } => UnableCode::ModeNotReached,
            Self::Session { .. } => UnableCode::LinkLost,
        }
    }
}

/// Leave to record, given by whoever knows that the tape was declared scratch.
#[derive(Debug, Clone)]
pub struct RecordGrant {
    tape: String,
}

impl RecordGrant {
    /// For a tape that the operator declared scratch, by its label.
    #[must_use]
    pub fn for_scratch_tape(label: impl Into<String>) -> Self {
        Self { tape: label.into() }
    }

    /// The tape's label.
    #[must_use]
    pub fn tape(&self) -> &str {
        &self.tape
    }
}

/// Works the machine's keys.
pub trait TransportControl: Send {
    /// Goes to a mode, and returns when the machine had time to reach it: the seconds that it took.
    ///
    /// # Errors
    /// [`TransportError`]; [`TransportError::NoGrant`] for `record`, which needs [`Self::record`].
    fn go(&mut self, to: Mode) -> BoxFuture<'_, Result<f64, TransportError>>;

    /// Presses stop and takes back a stop that was asked for: the seconds that it took.
    ///
    /// # Errors
    /// [`TransportError`].
    fn stop(&mut self) -> BoxFuture<'_, Result<f64, TransportError>>;

    /// Starts recording.
    ///
    /// # Errors
    /// [`TransportError`].
    fn record<'a>(&'a mut self, grant: &'a RecordGrant) -> BoxFuture<'a, Result<f64, TransportError>>;

    /// Whether there are tracking keys.
    fn has_tracking(&self) -> bool;

    /// Presses tracking keys, and returns when they are let go. The tape goes on as it did.
    ///
    /// # Errors
    /// [`TransportError`]; [`TransportError::NoTracking`] where there are none.
    fn track(&mut self, press: TrackingPress) -> BoxFuture<'_, Result<(), TransportError>>;

    /// The mode last reached; none while it is not known.
    fn mode(&self) -> Option<Mode>;

    /// A handle that asks for stop from anywhere.
    fn stop_handle(&self) -> StopHandle;

    /// What this is, for messages.
    fn describe(&self) -> String;
}

/// Asks for stop from anywhere, at any time. Clones share it.
#[derive(Clone, Default)]
pub struct StopHandle(Arc<Wish>);

#[derive(Default)]
struct Wish {
    wanted: AtomicBool,
    changed: Notify,
}

impl StopHandle {
    /// A handle for a new transport.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Asks for stop: a [`TransportControl::go`] that is under way presses the stop key and returns
    /// [`TransportError::Stopped`]; later ones do the same until [`TransportControl::stop`] is called.
    pub fn request(&self) {
        self.0.wanted.store(true, Ordering::SeqCst);
        self.0.changed.notify_waiters();
    }

    /// Whether stop is wanted.
    #[must_use]
    pub fn is_requested(&self) -> bool {
        self.0.wanted.load(Ordering::SeqCst)
    }

    /// Takes the wish back; done by whoever has pressed stop.
    pub fn clear(&self) {
        self.0.wanted.store(false, Ordering::SeqCst);
    }

    /// Waits until stop is wanted.
    pub async fn requested(&self) {
        loop {
            let changed = self.0.changed.notified();
            if self.is_requested() {
                return;
            }
            changed.await;
        }
    }
}
