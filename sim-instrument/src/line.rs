//! The wire of one instrument: bytes that take their time in both directions, and its faults.

mod pace;
mod port;

use crate::ieee488::exchange::Limits;
use crate::ieee488::{Code, Device, Exchange};
use crate::quirks::{Quirk, SLOW_REPLY_S};
use crate::rng::Rng;
use crate::world::World;
pub(crate) use pace::Part;
use pace::{Pace, Segment, nanos};
pub use port::{Counters, LinkFaults, PortSettings};
use std::collections::VecDeque;

/// What arrives on the wire.
#[derive(Debug, Clone, Copy)]
enum Arrival {
    Byte(u8),
    /// The end of a message, on a link that marks it. What the link calls that message.
    End(u32),
}

/// The wire, and the message exchange behind it.
#[derive(Debug)]
pub(crate) struct Line {
    pub(crate) exchange: Exchange,
    pub(crate) faults: LinkFaults,
    pub(crate) counters: Counters,
    settings: PortSettings,
    pace: Pace,
    latency: u64,
    incoming: VecDeque<(u64, Arrival)>,
    /// When the present row of incoming bytes began, and how many they are.
    in_row: (u64, u64),
    /// When the messages that arrived may be executed.
    ready: VecDeque<u64>,
    /// Messages that arrived whole without their link's name for them yet; names of those that have one.
    unnamed: usize,
    names: VecDeque<Option<u32>>,
    /// Name of the message that runs.
    running: Option<u32>,
    out_free: u64,
    outgoing: VecDeque<Segment>,
    rng: Rng,
}

impl Line {
    pub(crate) fn new(settings: PortSettings, seed: u64, name: &str) -> Self {
        Self {
            exchange: Self::exchange(settings),
            faults: LinkFaults::default(),
            counters: Counters::default(),
            settings,
            pace: Pace(settings.baud),
            latency: nanos(settings.latency_s),
            incoming: VecDeque::new(),
            in_row: (0, 0),
            ready: VecDeque::new(),
            unnamed: 0,
            names: VecDeque::new(),
            running: None,
            out_free: 0,
            outgoing: VecDeque::new(),
            rng: Rng::new(seed, name, 0),
        }
    }

    fn exchange(settings: PortSettings) -> Exchange {
        Exchange::new(Limits {
            interrupt: settings.interrupt,
            input_bytes: settings.input_bytes,
            output_bytes: settings.output_bytes,
            errors: settings.errors,
            quirks: settings.quirks,
        })
    }

    /// Bytes start on the wire now.
    pub(crate) fn write(&mut self, now: u64, bytes: &[u8]) {
        if self.faults.closed {
            return;
        }
        for byte in bytes {
            if self.in_row.0 + self.pace.time_of(self.in_row.1) < now {
                self.in_row = (now, 0);
            }
            self.in_row.1 += 1;
            let arrives = self.in_row.0 + self.pace.time_of(self.in_row.1);
            self.counters.bytes_in += 1;
            if self.rng.unit() < self.faults.drop_in {
                self.counters.faults += 1;
                continue;
            }
            let mut byte = *byte;
            if self.rng.unit() < self.faults.garble_in {
                self.counters.faults += 1;
                byte ^= 1 << (self.rng.next_u64() % 8);
            }
            self.incoming.push_back((arrives, Arrival::Byte(byte)));
        }
    }

    /// The bytes written so far end a message, which the link calls `name`.
    pub(crate) fn end(&mut self, now: u64, name: u32) {
        if self.faults.closed {
            return;
        }
        let arrives = (self.in_row.0 + self.pace.time_of(self.in_row.1)).max(now);
        self.incoming.push_back((arrives, Arrival::End(name)));
    }

    /// When the wire or the parser next has something to do.
    pub(crate) fn next_action(&self) -> Option<u64> {
        let arrival = self.incoming.front().map(|(at, _)| *at);
        let ready = if self.exchange.is_waiting() { None } else { self.ready.front().copied() };
        arrival.into_iter().chain(ready).min()
    }

    /// Whether a message waits for an overlapped operation.
    pub(crate) fn is_waiting(&self) -> bool {
        self.exchange.is_waiting()
    }

    /// Whether a message will be executed at `at`.
    pub(crate) fn executes(&self, at: u64) -> bool {
        self.latency == 0 || self.ready.front().is_some_and(|ready| *ready <= at)
    }

    /// When an answer to something that happened at `at` can begin.
    pub(crate) const fn after_latency(&self, at: u64) -> u64 {
        at.saturating_add(self.latency)
    }

    /// Does what is due at `at`, which [`Line::next_action`] gave.
    pub(crate) fn act(&mut self, at: u64, device: &mut dyn Device, world: &mut World<'_>) {
        while let Some((arrived, what)) = self.incoming.front().copied().filter(|(arrived, _)| *arrived <= at) {
            self.incoming.pop_front();
            let (whole, name) = match what {
                Arrival::Byte(byte) => (self.exchange.receive(byte), None),
                Arrival::End(name) => (self.exchange.receive_end(), Some(name)),
            };
            if whole {
                self.counters.messages += 1;
                self.ready.push_back(arrived + self.latency);
                self.names.push_back(None);
                self.unnamed += 1;
            }
            if name.is_some() {
                // The messages that came since the last end all are parts of this one.
                let from = self.names.len().saturating_sub(self.unnamed);
                self.names.iter_mut().skip(from).for_each(|slot| *slot = name);
                self.unnamed = 0;
            }
        }
        if !self.exchange.is_waiting() && self.ready.front().is_some_and(|ready| *ready <= at) {
            self.ready.pop_front();
            self.running = self.names.pop_front().flatten();
            self.unnamed = self.unnamed.min(self.names.len());
            let unread = self.outgoing.iter().any(|segment| segment.taken < segment.bytes.len());
            if self.exchange.begin(unread) {
                self.counters.interrupted += 1;
                self.outgoing.clear();
                self.out_free = at;
            }
            self.go_on(at, device, world);
        }
    }

    /// Goes on with the running message: its reply, if it is complete, starts on the wire.
    pub(crate) fn go_on(&mut self, at: u64, device: &mut dyn Device, world: &mut World<'_>) {
        let Some(response) = self.exchange.run(device, world) else { return };
        if response.is_empty() {
            return;
        }
        self.counters.replies += 1;
        self.send(at, response);
    }

    fn send(&mut self, at: u64, mut bytes: Vec<u8>) {
        if let Some(left) = &mut self.faults.answers_left {
            if *left == 0 {
                self.faults.silent = true;
            } else {
                *left -= 1;
            }
        }
        if self.faults.silent || self.faults.closed {
            self.counters.faults += 1;
            return;
        }
        let mut start = self.out_free.max(at);
        if self.settings.quirks.has(Quirk::SlowReplies) {
            start = self.out_free.max(at + nanos(SLOW_REPLY_S));
        }
        let acts = match &mut self.faults.replies_left {
            Some(0) => false,
            Some(left) => {
                *left -= 1;
                true
            }
            None => true,
        };
        if acts {
            bytes = self.spoil(bytes);
            if self.rng.unit() < self.faults.late {
                self.counters.faults += 1;
                start += nanos(self.faults.late_s);
            }
        }
        if bytes.is_empty() {
            return;
        }
        self.counters.bytes_out += bytes.len() as u64;
        self.out_free = start + self.pace.time_of(bytes.len() as u64);
        self.outgoing.push_back(Segment { message: self.running, start, bytes, taken: 0 });
    }

    fn spoil(&mut self, mut bytes: Vec<u8>) -> Vec<u8> {
        if self.faults.cut > 0.0 && self.rng.unit() < self.faults.cut {
            self.counters.faults += 1;
            let keep = (bytes.len() as f64 * self.rng.unit()) as usize;
            bytes.truncate(keep);
        }
        if self.faults.drop + self.faults.garble + self.faults.double <= 0.0 {
            return bytes;
        }
        let mut out = Vec::with_capacity(bytes.len());
        for mut byte in bytes {
            if self.rng.unit() < self.faults.drop {
                self.counters.faults += 1;
                continue;
            }
            if self.rng.unit() < self.faults.garble {
                self.counters.faults += 1;
                byte ^= 1 << (self.rng.next_u64() % 8);
            }
            out.push(byte);
            if self.rng.unit() < self.faults.double {
                self.counters.faults += 1;
                out.push(byte);
            }
        }
        out
    }

    /// Bytes that have left by now.
    pub(crate) fn read(&mut self, now: u64) -> Vec<u8> {
        self.read_parts(now).into_iter().flat_map(|part| part.bytes).collect()
    }

    /// Bytes that have left by now, each response apart.
    pub(crate) fn read_parts(&mut self, now: u64) -> Vec<Part> {
        let mut out = Vec::new();
        while let Some(segment) = self.outgoing.front_mut() {
            let length = segment.bytes.len();
            let left = match now.checked_sub(segment.start) {
                None => 0,
                // Bytes that take no time have all left at once.
                Some(elapsed) => self.pace.gone_after(elapsed).map_or(length, |left| (left as usize).min(length)),
            };
            if left > segment.taken {
                let bytes = segment.bytes.get(segment.taken..left).unwrap_or_default().to_vec();
                out.push(Part { message: segment.message, bytes, ends: left == length });
                segment.taken = left;
            }
            if segment.taken < length {
                break;
            }
            self.outgoing.pop_front();
        }
        out
    }

    /// Whether a reply is there that has not left whole (message available, IEEE 488.2, 11.2.1.2).
    pub(crate) fn has_output(&self) -> bool {
        !self.outgoing.is_empty()
    }

    /// A link that addresses its talkers asks for a reply.
    pub(crate) fn asked_to_talk(&mut self) {
        let available = self.has_output() || !self.incoming.is_empty();
        self.exchange.asked_to_talk(available);
    }

    /// A link that knows of itself that a reply was not read tells so: it is dropped (IEEE 488.2, 6.3.2.3).
    pub(crate) fn interrupt(&mut self, now: u64) {
        self.counters.interrupted += 1;
        self.outgoing.clear();
        self.out_free = now;
        self.exchange.status.raise(Code::QueryInterrupted.into());
    }

    /// When the next byte will have left, if one is on its way.
    ///
    /// On a slow line this is at most a few milliseconds of bytes ahead, so that a reader that waits
    /// for it takes bytes in small bunches rather than one by one.
    pub(crate) fn next_output(&self) -> Option<u64> {
        const BUNCH: u64 = 2_000_000;
        let segment = self.outgoing.front()?;
        let bunch = self.pace.gone_after(BUNCH).map_or(segment.bytes.len(), |bytes| bytes.max(1) as usize);
        let place = (segment.taken + bunch).min(segment.bytes.len()) - 1;
        Some(segment.due(place, self.pace))
    }

    /// When a message that is still on its way in could be executed, and so might be answered.
    pub(crate) fn next_message(&self) -> Option<u64> {
        if self.exchange.is_waiting() {
            return None;
        }
        let ends = |what: &Arrival| matches!(what, Arrival::Byte(b'\n') | Arrival::End(_));
        let end = self.incoming.iter().find(|(_, what)| ends(what)).map(|(at, _)| at + self.latency);
        end.into_iter().chain(self.ready.front().copied()).min()
    }

    /// Device clear: what a new connection, or a break, does.
    pub(crate) fn clear(&mut self) {
        self.incoming.clear();
        self.ready.clear();
        self.names.clear();
        self.unnamed = 0;
        self.outgoing.clear();
        self.exchange.device_clear();
    }

    /// Power off and on: status as after power-on, with -500 in the queue.
    pub(crate) fn restart(&mut self, now: u64) {
        self.clear();
        let identity = self.exchange.identity.take();
        self.exchange = Self::exchange(self.settings);
        self.exchange.identity = identity;
        self.exchange.status.raise(Code::PowerOn.into());
        self.in_row = (now, 0);
        self.out_free = now;
    }
}
