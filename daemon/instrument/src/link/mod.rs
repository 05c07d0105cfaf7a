//! Links: bytes to an instrument and back, each with a deadline.
//!
//! [`Link`] is object-safe, so that wrappers stack: [`recorder`] keeps what passed, [`faults`]
//! spoils it by a seed. A link knows nothing of messages; [`crate::scpi::Session`] does.

mod address;
pub mod faults;
pub mod hislip;
pub mod in_process;
pub mod recorder;
mod serial;
mod tcp;
pub mod usbtmc;

use core::future::Future;
use core::pin::Pin;
use tapewright_clock::{Clock, Instant};

pub use address::{Address, AddressError, Flow, SerialAddress};
pub use hislip::Hislip;
pub use in_process::{InProcess, Peer};
pub use serial::Serial;
pub use tcp::Tcp;
pub use usbtmc::Usbtmc;

/// A boxed future that may move between threads.
pub type BoxFuture<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

/// Why bytes could not be moved.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LinkError {
    /// Nothing came before the deadline.
    #[error("nothing came from {link} in time; check its power and its cable")]
    Timeout {
        /// Which link, as its [`Link::describe`] says.
        link: String,
    },
    /// The bytes could not be sent before the deadline.
    #[error(
        "{link} took only part of a message in time: it is busy, switched off, or its flow control holds us back; check its power, its cable, and that its menu has the flow control of the address"
    )]
    SendTimeout {
        /// Which link.
        link: String,
    },
    /// The other end is gone: unplugged, switched off, or it closed the connection.
    #[error("{link} is closed: {why}; check the cable and the power, then try again")]
    Closed {
        /// Which link.
        link: String,
        /// What was seen.
        why: String,
    },
    /// The link could not be opened.
    #[error("could not open {link}: {why}; {remedy}")]
    Open {
        /// Which link.
        link: String,
        /// What was seen.
        why: String,
        /// What to do.
        remedy: &'static str,
        /// The system's error.
        #[source]
        source: Option<std::io::Error>,
    },
    /// The system refused a read or a write.
    #[error("{doing} on {link} failed: {source}; check the cable and the power, then try again")]
    Io {
        /// Which link.
        link: String,
        /// What was tried.
        doing: &'static str,
        /// The system's error.
        #[source]
        source: std::io::Error,
    },
    /// The two sides do not understand each other, below the level of messages.
    #[error("{link}: {why}; switch the instrument off and on, and check in its menu that this is its address")]
    Protocol {
        /// Which link.
        link: String,
        /// What was seen.
        why: String,
    },
    /// Real links cannot follow a virtual clock.
    #[error("{link} is a real device and cannot follow a virtual clock; open it with a real one")]
    NeedsRealClock {
        /// Which link.
        link: String,
    },
}

impl LinkError {
    /// Whether only time ran out: the link itself may be sound.
    #[must_use]
    pub const fn is_timeout(&self) -> bool {
        matches!(self, Self::Timeout { .. })
    }
}

/// Moves bytes to and from one instrument.
pub trait Link: Send {
    /// Sends all bytes before the deadline.
    ///
    /// # Errors
    /// [`LinkError`]; after an error an unknown part of the bytes may have been sent.
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>>;

    /// Waits for at least one byte and returns what is there. A deadline in the past takes what has
    /// already come. Dropping the future loses nothing.
    ///
    /// # Errors
    /// [`LinkError::Timeout`] when nothing came; others when the link is gone.
    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>>;

    /// As [`Self::receive`], to the end of a buffer; how many came. A link that can read straight into it does:
    /// a large block is then copied once less.
    ///
    /// # Errors
    /// As [`Self::receive`].
    fn receive_into<'a>(
        &'a mut self,
        buffer: &'a mut Vec<u8>,
        deadline: Instant,
    ) -> BoxFuture<'a, Result<usize, LinkError>> {
        Box::pin(async move {
            let bytes = self.receive(deadline).await?;
            buffer.extend_from_slice(&bytes);
            Ok(bytes.len())
        })
    }

    /// Closes and opens anew; bytes on their way are lost.
    ///
    /// # Errors
    /// [`LinkError::Open`] when it does not come back.
    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>>;

    /// What this is, for messages: its address.
    fn describe(&self) -> String;

    /// Seconds that one byte takes on the wire; 0 where it does not matter.
    fn byte_s(&self) -> f64 {
        0.0
    }

    /// Device clear (IEEE 488.2, 5.8): the instrument drops what it holds of messages and replies, and
    /// keeps its settings. Whether the link has one; without, the session uses what the instrument's
    /// profile offers in its place.
    ///
    /// # Errors
    /// [`LinkError`]; the link must then be opened anew.
    fn clear(&mut self, _deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async { Ok(false) })
    }

    /// Sends a break; whether the link has one. On some instruments it is a device clear, another was seen to
    /// reset by it (instrument maker's manual, not named): it is only sent where the dialect says what it does.
    ///
    /// # Errors
    /// [`LinkError`].
    fn send_break(&mut self) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async { Ok(false) })
    }

    /// Bytes that vanish on the way, since the line's flow control takes them: blocks that hold them cannot
    /// be read over it.
    fn swallows(&self) -> &'static [u8] {
        &[]
    }

    /// The status byte (IEEE 488.2, 11.2), past whatever the instrument is busy with; none where the
    /// link cannot ask.
    ///
    /// # Errors
    /// [`LinkError`].
    fn status_byte(&mut self, _deadline: Instant) -> BoxFuture<'_, Result<Option<u8>, LinkError>> {
        Box::pin(async { Ok(None) })
    }

    /// Whether the bytes received last were the end of a reply (END); none where the link has no END.
    fn message_ended(&self) -> Option<bool> {
        None
    }
}

impl<L: Link + ?Sized> Link for Box<L> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        (**self).send(bytes, deadline)
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        (**self).receive(deadline)
    }

    fn receive_into<'a>(
        &'a mut self,
        buffer: &'a mut Vec<u8>,
        deadline: Instant,
    ) -> BoxFuture<'a, Result<usize, LinkError>> {
        (**self).receive_into(buffer, deadline)
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        (**self).reopen()
    }

    fn describe(&self) -> String {
        (**self).describe()
    }

    fn byte_s(&self) -> f64 {
        (**self).byte_s()
    }

    fn clear(&mut self, deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        (**self).clear(deadline)
    }

    fn send_break(&mut self) -> BoxFuture<'_, Result<bool, LinkError>> {
        (**self).send_break()
    }

    fn swallows(&self) -> &'static [u8] {
        (**self).swallows()
    }

    fn status_byte(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Option<u8>, LinkError>> {
        (**self).status_byte(deadline)
    }

    fn message_ended(&self) -> Option<bool> {
        (**self).message_ended()
    }
}

/// Opens the link that an address names.
///
/// # Errors
/// [`LinkError::Open`] says what was tried and what to do; [`LinkError::NeedsRealClock`] on a
/// virtual clock.
pub async fn connect(address: &Address, clock: &Clock) -> Result<Box<dyn Link>, LinkError> {
    match address {
        Address::Tcp { host, port } => Ok(Box::new(Tcp::open(host, *port, clock.clone()).await?)),
        Address::Usbtmc { path } => Ok(Box::new(Usbtmc::open(path, clock.clone()).await?)),
        Address::Hislip { host, port, name } => Ok(Box::new(Hislip::open(host, *port, name, clock.clone()).await?)),
        Address::Serial(line) => Ok(Box::new(Serial::open(line, clock.clone()).await?)),
    }
}
