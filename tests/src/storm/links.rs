//! Links of a storm beside those with faults.

use sim_instrument::SimPort;
use std::sync::Arc;
use tapewright_clock::{Clock, Instant};
use tapewright_instrument::{BoxFuture, Link, LinkError};
use tokio::sync::Mutex;

/// A link that may have a device clear: what the instrument holds and what is on its way is dropped.
pub(super) struct Clearing<L> {
    pub(super) inner: L,
    pub(super) clears: Option<SimPort>,
    pub(super) clock: Clock,
}

impl<L: Link> Link for Clearing<L> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        self.inner.send(bytes, deadline)
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        self.inner.receive(deadline)
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

    fn clear(&mut self, _deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        let cleared = self.clears.as_mut().map(|port| port.reopen(self.clock.now()));
        Box::pin(async move { Ok(cleared == Some(true)) })
    }
}

/// A link that several scopes use one after the other.
#[derive(Clone)]
pub(super) struct Lent(Arc<Mutex<Box<dyn Link>>>);

impl Lent {
    pub(super) fn new(link: Box<dyn Link>) -> Self {
        Self(Arc::new(Mutex::new(link)))
    }
}

impl Link for Lent {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move { self.0.lock().await.send(bytes, deadline).await })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move { self.0.lock().await.receive(deadline).await })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(async move { self.0.lock().await.reopen().await })
    }

    fn clear(&mut self, deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async move { self.0.lock().await.clear(deadline).await })
    }

    fn describe(&self) -> String {
        "a scope in a storm".into()
    }

    fn byte_s(&self) -> f64 {
        self.0.try_lock().map_or(0.0, |link| link.byte_s())
    }
}
