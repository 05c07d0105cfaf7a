//! A wrapper that lets something happen to the instrument itself at known places of the traffic: it
//! restarts in the middle of a capture, or is another one when the port comes back.

use crate::link::{BoxFuture, Link, LinkError};
use tapewright_clock::{Clock, Instant};

/// A place in the traffic.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// A message is about to be sent: the how-many-eth, from 1.
    Sending(u64),
    /// Bytes have come: so many altogether.
    Received(u64),
    /// The link is about to be opened anew.
    Reopening,
}

/// A link that tells of each moment before it goes on.
pub struct FarEnd<L, F> {
    inner: L,
    clock: Clock,
    happens: F,
    sent: u64,
    received: u64,
}

impl<L: Link, F: FnMut(Instant, Moment) + Send> FarEnd<L, F> {
    /// Calls `happens` at each moment of `inner`, with the time.
    pub const fn new(inner: L, clock: Clock, happens: F) -> Self {
        Self { inner, clock, happens, sent: 0, received: 0 }
    }
}

impl<L: Link, F: FnMut(Instant, Moment) + Send> Link for FarEnd<L, F> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        self.sent += 1;
        (self.happens)(self.clock.now(), Moment::Sending(self.sent));
        self.inner.send(bytes, deadline)
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            let bytes = self.inner.receive(deadline).await?;
            self.received += bytes.len() as u64;
            (self.happens)(self.clock.now(), Moment::Received(self.received));
            Ok(bytes)
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        (self.happens)(self.clock.now(), Moment::Reopening);
        self.inner.reopen()
    }

    fn clear(&mut self, deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        self.inner.clear(deadline)
    }

    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn byte_s(&self) -> f64 {
        self.inner.byte_s()
    }
}
