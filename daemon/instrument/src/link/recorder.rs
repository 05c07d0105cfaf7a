//! A wrapper that keeps what passed, both ways, with times, and traces it.

use super::{BoxFuture, Link, LinkError};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::{Clock, Instant};

/// Which way bytes went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// To the instrument.
    Sent,
    /// From the instrument.
    Received,
    /// The link was opened anew; no bytes.
    Reopened,
}

/// Some bytes that passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Passed {
    /// When, on the link's clock.
    pub at: Instant,
    /// Which way.
    pub way: Way,
    /// The bytes.
    pub bytes: Vec<u8>,
}

struct Kept {
    entries: VecDeque<Passed>,
    bytes: usize,
    forgotten: u64,
}

/// What a [`Recorder`] kept. Clones share it.
#[derive(Clone)]
pub struct Recording {
    kept: Arc<Mutex<Kept>>,
    most_bytes: usize,
}

/// Bytes that one entry costs beyond its own: bounds a flood of tiny ones.
const ENTRY: usize = 64;

impl Recording {
    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn keep(&self, at: Instant, way: Way, bytes: &[u8]) {
        let mut kept = self.kept();
        kept.bytes += bytes.len() + ENTRY;
        kept.entries.push_back(Passed { at, way, bytes: bytes.to_vec() });
        while kept.bytes > self.most_bytes && kept.entries.len() > 1 {
            if let Some(old) = kept.entries.pop_front() {
                kept.bytes -= old.bytes.len() + ENTRY;
                kept.forgotten += 1;
            }
        }
    }

    /// Everything kept, oldest first.
    #[must_use]
    pub fn entries(&self) -> Vec<Passed> {
        self.kept().entries.iter().cloned().collect()
    }

    /// How many entries were dropped because the memory was full; the oldest go first.
    #[must_use]
    pub fn forgotten(&self) -> u64 {
        self.kept().forgotten
    }
}

/// A link that records another.
pub struct Recorder<L> {
    inner: L,
    clock: Clock,
    recording: Recording,
}

impl<L: Link> Recorder<L> {
    /// Records `inner`, keeping at most about `most_bytes` bytes of the newest traffic.
    pub fn new(inner: L, clock: Clock, most_bytes: usize) -> (Self, Recording) {
        let kept = Kept { entries: VecDeque::new(), bytes: 0, forgotten: 0 };
        let recording = Recording { kept: Arc::new(Mutex::new(kept)), most_bytes };
        (Self { inner, clock, recording: recording.clone() }, recording)
    }
}

/// Bytes as text for a trace: at most 120 of them, unprintable ones escaped.
fn shown(bytes: &[u8]) -> String {
    let head = &bytes[..bytes.len().min(120)];
    let rest = bytes.len() - head.len();
    if rest == 0 { head.escape_ascii().to_string() } else { format!("{} and {rest} bytes more", head.escape_ascii()) }
}

impl<L: Link> Link for Recorder<L> {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            self.recording.keep(self.clock.now(), Way::Sent, bytes);
            tracing::trace!(link = %self.inner.describe(), at = %self.clock.now(), sent = %shown(bytes));
            self.inner.send(bytes, deadline).await
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            let bytes = self.inner.receive(deadline).await?;
            self.recording.keep(self.clock.now(), Way::Received, &bytes);
            tracing::trace!(link = %self.inner.describe(), at = %self.clock.now(), received = %shown(&bytes));
            Ok(bytes)
        })
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(async move {
            self.recording.keep(self.clock.now(), Way::Reopened, &[]);
            tracing::debug!(link = %self.inner.describe(), at = %self.clock.now(), "opening anew");
            self.inner.reopen().await
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
            tracing::debug!(link = %self.inner.describe(), at = %self.clock.now(), "device clear");
            self.inner.clear(deadline).await
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

    fn message_ended(&self) -> Option<bool> {
        self.inner.message_ended()
    }
}
