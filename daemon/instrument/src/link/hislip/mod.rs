//! HiSLIP (IVI-6.1): messages with ends over two TCP connections, with a status byte and a device clear.
//!
//! The synchronous connection carries messages, the asynchronous one everything that must pass them.
//! Each message has a number, a reply carries the number of its question, so a late reply to an older
//! question is dropped here already. We speak version 1 in synchronised mode. A reply that ends by END
//! alone is handed on with the NL that END stands for (IEEE 488.2, 8.5).

mod channel;
mod conversation;
pub mod message;

use super::{Address, BoxFuture, Link, LinkError};
use conversation::{Broken, Conversation};
use core::time::Duration;
use tapewright_clock::{Clock, Instant};

/// How long a connection may take to open, all its messages included.
const OPEN_WITHIN: Duration = Duration::from_secs(5);
const REMEDY: &str =
    "check the name, the port, that HiSLIP is switched on in the instrument, and that it serves nobody else";

/// A HiSLIP connection.
pub struct Hislip {
    open: Option<Conversation>,
    host: String,
    port: u16,
    /// The instrument behind the port, such as `hislip0`.
    name: String,
    clock: Clock,
}

impl Hislip {
    /// Connects.
    ///
    /// # Errors
    /// [`LinkError::Open`] when nobody answers there in HiSLIP, [`LinkError::NeedsRealClock`] on a
    /// virtual clock.
    pub async fn open(host: &str, port: u16, name: &str, clock: Clock) -> Result<Self, LinkError> {
        let mut link = Self { open: None, host: host.to_owned(), port, name: name.to_owned(), clock };
        if link.clock.is_virtual() {
            return Err(LinkError::NeedsRealClock { link: link.describe() });
        }
        link.connect().await?;
        Ok(link)
    }

    async fn connect(&mut self) -> Result<(), LinkError> {
        // The old connection goes first: some instruments serve only one.
        self.open = None;
        let until = self.clock.now() + OPEN_WITHIN;
        let opened = self.clock.deadline(until, Conversation::open(&self.host, self.port, &self.name)).await;
        let why = match opened {
            Some(Ok(open)) => {
                self.open = Some(open);
                return Ok(());
            }
            Some(Err(Broken::Io(error))) => {
                let why = error.to_string();
                return Err(LinkError::Open { link: self.describe(), why, remedy: REMEDY, source: Some(error) });
            }
            Some(Err(broken)) => broken.to_string(),
            None => format!("no answer in HiSLIP within {} s", OPEN_WITHIN.as_secs()),
        };
        Err(LinkError::Open { link: self.describe(), why, remedy: REMEDY, source: None })
    }

    /// Turns what went wrong into an error of the link; a broken conversation is not used again.
    fn failed(&mut self, broken: &Broken) -> LinkError {
        let link = self.describe();
        if !matches!(broken, Broken::Complaint(_)) {
            self.open = None;
        }
        match broken {
            Broken::Ended | Broken::Torn | Broken::Io(_) => LinkError::Closed { link, why: broken.to_string() },
            Broken::Protocol(_) | Broken::Complaint(_) => LinkError::Protocol { link, why: broken.to_string() },
        }
    }

    fn lost(&self) -> LinkError {
        LinkError::Closed { link: self.describe(), why: "the connection was lost before".into() }
    }
}

/// Does something with the open conversation before a deadline; `None`: time ran out.
macro_rules! within {
    ($self:ident, $deadline:expr, $open:ident => $work:expr) => {{
        let Some($open) = &mut $self.open else { return Err($self.lost()) };
        match $self.clock.deadline($deadline, $work).await {
            None => None,
            Some(Ok(done)) => Some(done),
            Some(Err(broken)) => return Err($self.failed(&broken)),
        }
    }};
}

impl Link for Hislip {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            within!(self, deadline, open => open.send(bytes))
                .ok_or_else(|| LinkError::SendTimeout { link: self.describe() })
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            within!(self, deadline, open => open.receive()).ok_or_else(|| LinkError::Timeout { link: self.describe() })
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(self.connect())
    }

    fn clear(&mut self, deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async move {
            match within!(self, deadline, open => open.clear()) {
                Some(()) => Ok(true),
                // Half a clear leaves both sides at odds.
                None => Err(self.failed(&Broken::Protocol("it did not answer a device clear in time".into()))),
            }
        })
    }

    fn status_byte(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Option<u8>, LinkError>> {
        Box::pin(async move {
            let status = within!(self, deadline, open => open.status());
            status.map(Some).ok_or_else(|| LinkError::Timeout { link: self.describe() })
        })
    }

    fn message_ended(&self) -> Option<bool> {
        self.open.as_ref().map(Conversation::ended)
    }

    fn describe(&self) -> String {
        Address::Hislip { host: self.host.clone(), port: self.port, name: self.name.clone() }.to_string()
    }
}
