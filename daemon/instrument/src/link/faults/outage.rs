//! A wrapper for faults of the whole link: it stalls, closes at one end, or is gone for a while.

use super::random::Random;
use crate::link::{BoxFuture, Link, LinkError};
use core::time::Duration;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::{Clock, Instant};

/// Which outages a link has, as chances from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cuts {
    /// Chance, at each message sent, that nothing moves for `stall_for`; then all of it does.
    pub stall: f64,
    /// For how long.
    pub stall_for: Duration,
    /// Chance, at each message sent, that the far end stops sending: what we send still leaves, and what
    /// we wait for is told to be closed, until the link is opened anew.
    pub half_close: f64,
    /// Chance, at each message sent, that the port vanishes.
    pub gone: f64,
    /// Chance, at each chunk received, that the port vanishes in the middle of it.
    pub gone_in_reply: f64,
    /// For how long a vanished port cannot be opened anew.
    pub gone_for: Duration,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Up,
    Half,
    /// Closed, and not to be opened before this moment.
    Gone(Instant),
}

struct Inside {
    cuts: Cuts,
    random: Random,
    struck: u64,
}

impl Inside {
    fn strikes(&mut self, chance: f64) -> bool {
        let strikes = self.random.strikes(chance);
        self.struck += u64::from(strikes);
        strikes
    }
}

/// Changes the faults of an [`Outage`] while it runs. Clones share them.
#[derive(Clone)]
pub struct OutageControl(Arc<Mutex<Inside>>);

impl OutageControl {
    fn inside(&self) -> MutexGuard<'_, Inside> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sets the faults from now on. A port that is gone still comes back only when its time has passed.
    pub fn set(&self, cuts: Cuts) {
        self.inside().cuts = cuts;
    }

    /// How many faults there have been.
    #[must_use]
    pub fn struck(&self) -> u64 {
        self.inside().struck
    }
}

/// A link with outages.
pub struct Outage<L> {
    inner: L,
    clock: Clock,
    control: OutageControl,
    state: State,
    stalled_until: Instant,
}

impl<L: Link> Outage<L> {
    /// Puts outages on `inner`.
    pub fn new(inner: L, clock: Clock, seed: u64, cuts: Cuts) -> (Self, OutageControl) {
        let control = OutageControl(Arc::new(Mutex::new(Inside { cuts, random: Random::new(seed), struck: 0 })));
        let stalled_until = clock.now();
        (Self { inner, clock, control: control.clone(), state: State::Up, stalled_until }, control)
    }

    fn closed(&self, why: &str) -> LinkError {
        LinkError::Closed { link: self.describe(), why: why.into() }
    }

    /// What may happen at a message sent.
    fn roll(&mut self) {
        let now = self.clock.now();
        let mut inside = self.control.inside();
        let cuts = inside.cuts;
        if inside.strikes(cuts.stall) {
            self.stalled_until = self.stalled_until.max(now + cuts.stall_for);
        }
        if inside.strikes(cuts.half_close) && self.state == State::Up {
            self.state = State::Half;
        }
        if inside.strikes(cuts.gone) {
            self.state = State::Gone(now + cuts.gone_for);
        }
    }

    /// A chunk as it gets through: whole, or its head, and then nothing any more.
    fn through(&mut self, mut bytes: Vec<u8>) -> Vec<u8> {
        let mut inside = self.control.inside();
        let cuts = inside.cuts;
        if inside.strikes(cuts.gone_in_reply) {
            let keep = (inside.random.next() % bytes.len().max(1) as u64) as usize;
            bytes.truncate(keep);
            self.state = State::Gone(self.clock.now() + cuts.gone_for);
        }
        bytes
    }

    /// Waits out a stall, to the deadline at most; whether it is over.
    async fn stalled(&mut self, deadline: Instant) -> bool {
        if self.clock.now() < self.stalled_until {
            self.clock.sleep_until(self.stalled_until.min(deadline)).await;
        }
        self.clock.now() >= self.stalled_until
    }
}

impl<L: Link> Link for Outage<L> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            self.roll();
            if matches!(self.state, State::Gone(_)) {
                return Err(self.closed("the port is gone"));
            }
            if !self.stalled(deadline).await {
                return Err(LinkError::SendTimeout { link: self.describe() });
            }
            self.inner.send(bytes, deadline).await
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            match self.state {
                State::Up => {}
                State::Half => return Err(self.closed("the far end sends no more")),
                State::Gone(_) => return Err(self.closed("the port is gone")),
            }
            if !self.stalled(deadline).await {
                return Err(LinkError::Timeout { link: self.describe() });
            }
            let bytes = self.inner.receive(deadline).await?;
            let through = self.through(bytes);
            if through.is_empty() { Err(self.closed("the port is gone")) } else { Ok(through) }
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(async move {
            if let State::Gone(until) = self.state
                && self.clock.now() < until
            {
                return Err(LinkError::Open {
                    link: self.describe(),
                    why: "there is no such port now".into(),
                    remedy: "plug the instrument in again",
                    source: None,
                });
            }
            self.inner.reopen().await?;
            self.state = State::Up;
            Ok(())
        })
    }

    fn clear(&mut self, deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async move {
            if self.state != State::Up {
                return Err(self.closed("the port is gone"));
            }
            if !self.stalled(deadline).await {
                return Err(self.closed("it did not answer a device clear in time"));
            }
            self.inner.clear(deadline).await
        })
    }

    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn byte_s(&self) -> f64 {
        self.inner.byte_s()
    }
}
