//! A link to an instrument in the same process.
//!
//! The peer is synchronous and never sleeps: it is told the time and says when it will next have
//! bytes. The link waits through the clock, so virtual time works.

use super::{BoxFuture, Link, LinkError};
use core::time::Duration;
use tapewright_clock::{Clock, Instant};

/// The other end of an [`InProcess`] link.
pub trait Peer: Send {
    /// Takes bytes that arrive now.
    fn write(&mut self, now: Instant, bytes: &[u8]);

    /// Gives up the bytes that have left the instrument by now; empty if there are none.
    fn read(&mut self, now: Instant) -> Vec<u8>;

    /// When the next bytes will be there, if that is known.
    fn next_output(&mut self, now: Instant) -> Option<Instant>;

    /// Whether the port is open; a closed one gives [`LinkError::Closed`].
    fn is_open(&mut self, _now: Instant) -> bool {
        true
    }

    /// Closes and opens the port; whether it is open now.
    fn reopen(&mut self, now: Instant) -> bool {
        self.is_open(now)
    }
}

/// How often a peer that knows no next output is asked again: something else may have woken it.
const LOOK_AGAIN: Duration = Duration::from_millis(50);
/// Least wait for output that a peer calls due but does not give, so that time goes on.
const LEAST_WAIT: Duration = Duration::from_micros(10);
/// How long a reopened port is given.
const REOPEN_WAIT: Duration = Duration::from_millis(100);

/// A link to a [`Peer`].
pub struct InProcess<P> {
    peer: P,
    clock: Clock,
    name: String,
    byte_s: f64,
}

impl<P: Peer> InProcess<P> {
    /// Links to a peer; `name` is what messages call it.
    pub fn new(peer: P, clock: Clock, name: impl Into<String>) -> Self {
        Self { peer, clock, name: name.into(), byte_s: 0.0 }
    }

    /// Says how long a byte takes, for a peer that keeps a baud rate (10 bits a byte).
    #[must_use]
    pub fn with_baud(mut self, baud: u32) -> Self {
        self.byte_s = 10.0 / f64::from(baud.max(1));
        self
    }

    /// The peer.
    pub const fn peer(&mut self) -> &mut P {
        &mut self.peer
    }

    fn closed(&self) -> LinkError {
        LinkError::Closed { link: self.describe(), why: "the port was closed".into() }
    }
}

impl<P: Peer> Link for InProcess<P> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], _deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            let now = self.clock.now();
            if !self.peer.is_open(now) {
                return Err(self.closed());
            }
            self.peer.write(now, bytes);
            Ok(())
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            loop {
                let now = self.clock.now();
                let bytes = self.peer.read(now);
                if !bytes.is_empty() {
                    return Ok(bytes);
                }
                if !self.peer.is_open(now) {
                    return Err(self.closed());
                }
                if now >= deadline {
                    return Err(LinkError::Timeout { link: self.describe() });
                }
                let due = self.peer.next_output(now).unwrap_or(now + LOOK_AGAIN).max(now + LEAST_WAIT);
                self.clock.sleep_until(due.min(deadline)).await;
            }
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(async move {
            self.clock.sleep(REOPEN_WAIT).await;
            if self.peer.reopen(self.clock.now()) {
                return Ok(());
            }
            Err(LinkError::Open {
                link: self.describe(),
                why: "the port stays closed".into(),
                remedy: "plug the instrument in again",
                source: None,
            })
        })
    }

    fn describe(&self) -> String {
        format!("in-process link to {}", self.name)
    }

    fn byte_s(&self) -> f64 {
        self.byte_s
    }
}
