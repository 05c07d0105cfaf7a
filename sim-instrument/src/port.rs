//! A port of a simulated instrument: passive, synchronous, told the time.

use crate::bench::SimBench;
use crate::line::{Counters, LinkFaults, Part};
use tapewright_clock::Instant;

/// Which instrument of the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    /// The scope.
    Scope,
    /// The relay box.
    Relays,
}

/// A port. Clones are the same port; it never sleeps and never blocks but for the bench's lock.
///
/// Several ports may lead to one instrument (TCP and a serial line): answers go to the one that wrote last.
#[derive(Debug, Clone)]
pub struct SimPort {
    bench: SimBench,
    which: Which,
    lane: u64,
}

impl SimPort {
    pub(crate) const fn new(bench: SimBench, which: Which, lane: u64) -> Self {
        Self { bench, which, lane }
    }

    /// Which instrument this is.
    #[must_use]
    pub const fn which(&self) -> Which {
        self.which
    }

    /// Bytes that start on the wire now.
    pub fn write(&mut self, now: Instant, bytes: &[u8]) {
        self.write_part(now, bytes, None);
    }

    /// As [`Self::write`], on a link that marks the ends of messages and numbers them: `end` is the number
    /// of the message that ends with these bytes.
    pub(crate) fn write_part(&mut self, now: Instant, bytes: &[u8], end: Option<u32>) {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        let at = inner.now;
        *inner.lane(self.which) = self.lane;
        let line = inner.line(self.which);
        line.write(at, bytes);
        if let Some(name) = end {
            line.end(at, name);
        }
        inner.advance(at);
    }

    /// Parts of replies that have left the instrument by now.
    pub(crate) fn read_parts(&mut self, now: Instant) -> Vec<Part> {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        if *inner.lane(self.which) != self.lane {
            return Vec::new();
        }
        let at = inner.now;
        inner.line(self.which).read_parts(at)
    }

    /// The link knows that a reply was not read when the next message came: -410.
    pub(crate) fn interrupt(&mut self, now: Instant) {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        let at = inner.now;
        inner.line(self.which).interrupt(at);
    }

    /// A link that addresses its talkers asks for a reply: with nothing to say that is -420. Serial lines and raw
    /// TCP address nobody.
    pub fn ask_to_talk(&mut self, now: Instant) {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        inner.line(self.which).asked_to_talk();
    }

    /// The status byte; `unread`: a reply lies unread in the link itself.
    pub(crate) fn status_byte(&mut self, now: Instant, unread: bool) -> u8 {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        let line = inner.line(self.which);
        let available = unread || line.has_output();
        line.exchange.status.byte(available)
    }

    /// Bytes that have left the instrument by now.
    pub fn read(&mut self, now: Instant) -> Vec<u8> {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        if *inner.lane(self.which) != self.lane {
            return Vec::new();
        }
        let at = inner.now;
        inner.line(self.which).read(at)
    }

    /// When it is worth reading again: the earliest instant at which a byte may be there. `None` while
    /// nothing is on its way. It may be too early (a message that arrives need not have an answer),
    /// never too late, unless someone else changes the bench.
    pub fn next_output(&mut self, now: Instant) -> Option<Instant> {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        if *inner.lane(self.which) != self.lane {
            return None;
        }
        inner.next_output(self.which).map(Instant::from_nanos)
    }

    /// Lets the instrument use the time in which it acquires: what it has seen by now is computed before the rest comes,
    /// with the same outcome. Whether it is worth asking again soon.
    pub fn prepare(&mut self, now: Instant) -> bool {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        self.which == Which::Scope && inner.prepare()
    }

    /// Whether the port is there; a closed one takes and gives nothing.
    pub fn is_open(&mut self, now: Instant) -> bool {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        !inner.line(self.which).faults.closed
    }

    /// What a new connection does: device clear. Whether the port is there.
    pub fn reopen(&mut self, now: Instant) -> bool {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        let line = inner.line(self.which);
        line.clear();
        !line.faults.closed
    }

    /// What went over it so far.
    #[must_use]
    pub fn counters(&self) -> Counters {
        self.bench.counters(self.which)
    }

    /// Changes the faults of its link.
    pub fn set_faults(&self, change: impl FnOnce(&mut LinkFaults)) {
        self.bench.set_faults(self.which, change);
    }

    /// Power off and on: settings and data are lost, status is as after power-on, -500 is queued.
    pub fn restart(&mut self, now: Instant) {
        let mut inner = self.bench.lock();
        inner.advance(now.as_nanos());
        inner.restart(self.which);
    }

    /// Answers `*IDN?` with something else; `None`: with its own again.
    pub fn set_identity(&self, identity: Option<&str>) {
        self.bench.lock().line(self.which).exchange.identity = identity.map(str::to_owned);
    }
}
