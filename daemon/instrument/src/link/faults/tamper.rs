//! A wrapper that alters known bytes: for tests that spoil one thing and nothing else.

use crate::link::recorder::Way;
use crate::link::{BoxFuture, Link, LinkError};
use tapewright_clock::Instant;

/// A link whose traffic passes through a function; what it makes empty is lost.
pub struct Tamper<L, F> {
    inner: L,
    change: F,
}

impl<L: Link, F: FnMut(Way, Vec<u8>) -> Vec<u8> + Send> Tamper<L, F> {
    /// Puts `change` between us and `inner`: it gets each message sent, and each chunk received.
    pub const fn new(inner: L, change: F) -> Self {
        Self { inner, change }
    }
}

impl<L: Link, F: FnMut(Way, Vec<u8>) -> Vec<u8> + Send> Link for Tamper<L, F> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        let changed = (self.change)(Way::Sent, bytes.to_vec());
        Box::pin(async move { if changed.is_empty() { Ok(()) } else { self.inner.send(&changed, deadline).await } })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            loop {
                let bytes = self.inner.receive(deadline).await?;
                let changed = (self.change)(Way::Received, bytes);
                if !changed.is_empty() {
                    return Ok(changed);
                }
            }
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        self.inner.reopen()
    }

    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn byte_s(&self) -> f64 {
        self.inner.byte_s()
    }
}
