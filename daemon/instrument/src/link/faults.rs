//! Wrappers that spoil a link, by a seed: the same seed and traffic give the same faults. They stack.
//!
//! [`Faulty`] spoils bytes and chunks, [`Outage`] the whole link, [`FarEnd`] the instrument behind it;
//! [`Tamper`] spoils one known thing.

mod far_end;
mod outage;
mod random;
mod tamper;

use super::{BoxFuture, Link, LinkError};
use core::time::Duration;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::{Clock, Instant};

pub use far_end::{FarEnd, Moment};
pub use outage::{Cuts, Outage, OutageControl};
use random::Random;
pub use tamper::Tamper;

/// Which faults a link has, as chances from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Spoil {
    /// Chance that a received byte is lost.
    pub drop_byte: f64,
    /// Chance that a received byte comes twice.
    pub double_byte: f64,
    /// Chance that a bit of a received byte flips.
    pub garble_byte: f64,
    /// Chance that a sent byte is lost.
    pub drop_sent: f64,
    /// Chance that a sent byte arrives twice.
    pub double_sent: f64,
    /// Chance that a bit of a sent byte flips.
    pub garble_sent: f64,
    /// Chance that a received chunk comes twice, the second time `late_by` after the first.
    pub repeat_chunk: f64,
    /// Chance that a received chunk comes late.
    pub late_chunk: f64,
    /// By how much.
    pub late_by: Duration,
    /// Chance that a received chunk is lost.
    pub drop_chunk: f64,
    /// Chance that a sent message is lost.
    pub drop_message: f64,
    /// Chance that the port closes at a send; it stays closed until it is opened anew.
    pub close: f64,
    /// Whether chunks are cut into pieces of a few bytes.
    pub split: bool,
}

struct Inside {
    spoil: Spoil,
    random: Random,
    spoilt: u64,
}

/// Changes the faults of a [`Faulty`] link while it runs. Clones share them.
#[derive(Clone)]
pub struct FaultControl(Arc<Mutex<Inside>>);

impl FaultControl {
    fn inside(&self) -> MutexGuard<'_, Inside> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Sets the faults from now on.
    pub fn set(&self, spoil: Spoil) {
        self.inside().spoil = spoil;
    }

    /// How many faults there have been.
    #[must_use]
    pub fn spoilt(&self) -> u64 {
        self.inside().spoilt
    }
}

impl Inside {
    fn strikes(&mut self, chance: f64) -> bool {
        let strikes = self.random.strikes(chance);
        self.spoilt += u64::from(strikes);
        strikes
    }

    fn spoil_bytes(&mut self, bytes: &[u8], drop: f64, double: f64, garble: f64) -> Vec<u8> {
        let mut out = Vec::with_capacity(bytes.len());
        for &byte in bytes {
            if self.strikes(drop) {
                continue;
            }
            let byte = if self.strikes(garble) { byte ^ (1 << (self.random.next() % 8)) } else { byte };
            out.push(byte);
            if self.strikes(double) {
                out.push(byte);
            }
        }
        out
    }

    fn received(&mut self, bytes: &[u8]) -> Vec<u8> {
        let spoil = self.spoil;
        self.spoil_bytes(bytes, spoil.drop_byte, spoil.double_byte, spoil.garble_byte)
    }

    fn sent(&mut self, bytes: &[u8]) -> Vec<u8> {
        let spoil = self.spoil;
        self.spoil_bytes(bytes, spoil.drop_sent, spoil.double_sent, spoil.garble_sent)
    }
}

/// A link with faults.
pub struct Faulty<L> {
    inner: L,
    clock: Clock,
    control: FaultControl,
    /// What has been received and waits for its time, in order.
    held: VecDeque<(Instant, Vec<u8>)>,
    closed: bool,
}

impl<L: Link> Faulty<L> {
    /// Spoils `inner`.
    pub fn new(inner: L, clock: Clock, seed: u64, spoil: Spoil) -> (Self, FaultControl) {
        let control = FaultControl(Arc::new(Mutex::new(Inside { spoil, random: Random::new(seed), spoilt: 0 })));
        (Self { inner, clock, control: control.clone(), held: VecDeque::new(), closed: false }, control)
    }

    fn hold(&mut self, bytes: &[u8]) {
        let now = self.clock.now();
        let mut inside = self.control.inside();
        let spoil = inside.spoil;
        if inside.strikes(spoil.drop_chunk) {
            return;
        }
        let late = inside.strikes(spoil.late_chunk);
        let mut due = if late { now + spoil.late_by } else { now };
        // A line keeps its order: nothing overtakes what is late.
        due = due.max(self.held.back().map_or(due, |(at, _)| *at));
        let spoilt = inside.received(bytes);
        let repeat = inside.strikes(spoil.repeat_chunk).then(|| spoilt.clone());
        let mut rest = spoilt.as_slice();
        while spoil.split && rest.len() > 1 {
            let (piece, after) = rest.split_at((1 + (inside.random.next() % 5) as usize).min(rest.len()));
            self.held.push_back((due, piece.to_vec()));
            rest = after;
        }
        if !rest.is_empty() {
            self.held.push_back((due, rest.to_vec()));
        }
        if let Some(again) = repeat.filter(|again| !again.is_empty()) {
            self.held.push_back((due + spoil.late_by, again));
        }
    }

    fn gone(&self) -> LinkError {
        LinkError::Closed { link: self.describe(), why: "the port was closed".into() }
    }
}

impl<L: Link> Link for Faulty<L> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            let spoilt = {
                let mut inside = self.control.inside();
                let (close, drop_message) = (inside.spoil.close, inside.spoil.drop_message);
                self.closed |= inside.strikes(close);
                if inside.strikes(drop_message) { Vec::new() } else { inside.sent(bytes) }
            };
            if self.closed {
                return Err(self.gone());
            }
            if spoilt.is_empty() { Ok(()) } else { self.inner.send(&spoilt, deadline).await }
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            loop {
                if self.closed {
                    return Err(self.gone());
                }
                let now = self.clock.now();
                match self.held.front() {
                    Some((due, _)) if *due <= now => {
                        if let Some((_, bytes)) = self.held.pop_front() {
                            return Ok(bytes);
                        }
                    }
                    _ => {}
                }
                let until = self.held.front().map_or(deadline, |(due, _)| (*due).min(deadline));
                match self.inner.receive(until).await {
                    Ok(bytes) => self.hold(&bytes),
                    // Something held may have come due meanwhile.
                    Err(error)
                        if error.is_timeout() && self.held.front().is_some_and(|(due, _)| *due <= self.clock.now()) => {
                    }
                    Err(error) => return Err(error),
                }
            }
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(async move {
            self.held.clear();
            self.inner.reopen().await?;
            self.closed = false;
            Ok(())
        })
    }

    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn byte_s(&self) -> f64 {
        self.inner.byte_s()
    }

    fn clear(&mut self, deadline: Instant) -> BoxFuture<'_, Result<bool, LinkError>> {
        Box::pin(async move {
            if self.closed {
                return Err(self.gone());
            }
            let cleared = self.inner.clear(deadline).await?;
            if cleared {
                // What the link held on its way is gone with what the instrument held.
                self.held.clear();
            }
            Ok(cleared)
        })
    }

    fn send_break(&mut self) -> BoxFuture<'_, Result<bool, LinkError>> {
        self.inner.send_break()
    }

    fn swallows(&self) -> &'static [u8] {
        self.inner.swallows()
    }

    fn status_byte(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Option<u8>, LinkError>> {
        self.inner.status_byte(deadline)
    }

    // `message_ended` stays unknown: bytes that were lost or doubled no longer stand where END was.
}
