//! The simulated bench: one machine, one scope, one relay box, on one timeline.
//!
//! Everything is computed at the instants asked for, in the order of time: bytes that arrive, messages
//! that become due, relays that open by themselves, events of the scenario.

use crate::commands::{self, CommandError};
use crate::deck::Deck;
use crate::front::{FrontEnd, ScopeDevice};
use crate::line::{Counters, Line, LinkFaults, PortSettings};
use crate::port::{SimPort, Which};
use crate::relay::RelayBox;
use crate::scenario::{Event, Scenario, ScenarioError};
use crate::scope::{Acquisition, Errors, Specs, Taken};
use crate::world::{Probes, World};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::Instant;

/// How a bench is put together.
#[derive(Debug, Clone)]
pub struct BenchSetup {
    /// Seed of everything that is drawn.
    pub seed: u64,
    /// What the scope can do.
    pub specs: Specs,
    /// Which words it understands.
    pub front_end: FrontEnd,
    /// The model it says it is.
    pub model: String,
    /// Where its probes are at the start.
    pub probes: Probes,
    /// The scope's port.
    pub scope_port: PortSettings,
    /// The relay box's port.
    pub relay_port: PortSettings,
    /// What happens by itself, in the order of time.
    pub events: Vec<Event>,
}

impl BenchSetup {
    /// A family A scope with every probe lying on the bench, and quick ports.
    #[must_use]
    pub fn new(seed: u64, specs: Specs) -> Self {
        let probes = Probes {
            channels: vec![crate::world::Probe::default(); specs.channels],
            external: crate::world::Probe::default(),
        };
        Self {
            seed,
            specs,
            front_end: FrontEnd::FamilyA(crate::front::Scaling::A1),
            model: "SB-2".to_owned(),
            probes,
            scope_port: PortSettings::default(),
            relay_port: PortSettings::default(),
            events: Vec::new(),
        }
    }
}

/// A simulated bench. Cheap to clone; clones are the same bench.
#[derive(Clone)]
pub struct SimBench {
    inner: Arc<Mutex<Inner>>,
}

impl core::fmt::Debug for SimBench {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("SimBench").field("seed", &self.lock().seed).finish_non_exhaustive()
    }
}

/// The state of a bench.
pub(crate) struct Inner {
    pub(crate) seed: u64,
    pub(crate) deck: Box<dyn Deck>,
    pub(crate) probes: Probes,
    /// Where the probes were at the start: which channel belongs to which signal.
    pub(crate) home: Probes,
    pub(crate) scope: ScopeDevice,
    pub(crate) scope_line: Line,
    pub(crate) relays: RelayBox,
    pub(crate) relay_line: Line,
    events: VecDeque<Event>,
    pub(crate) now: u64,
    /// Ports handed out so far, and which of them wrote last to the scope and to the relays.
    lanes: u64,
    scope_lane: u64,
    relay_lane: u64,
}

/// What is next on the timeline.
enum Next {
    Event,
    Scope,
    Relays,
}

fn seconds(nanos: u64) -> f64 {
    Instant::from_nanos(nanos).as_secs_f64()
}

fn nanos(at_s: f64) -> u64 {
    (at_s.max(0.0) * 1e9).ceil() as u64
}

/// How soon to look again while it is open when something will happen.
const LOOK_AGAIN: u64 = 20_000_000;

impl Inner {
    /// Brings the bench up to `now`.
    pub(crate) fn advance(&mut self, now: u64) {
        let now = now.max(self.now);
        loop {
            let event = self.events.front().map(|event| nanos(event.at_s));
            let candidates = [
                event.map(|at| (at, Next::Event)),
                self.scope_line.next_action().map(|at| (at, Next::Scope)),
                self.relay_line.next_action().map(|at| (at, Next::Relays)),
            ];
            let next = candidates.into_iter().flatten().min_by_key(|(at, _)| *at).filter(|(at, _)| *at <= now);
            let horizon = next.as_ref().map_or(now, |(at, _)| (*at).max(self.now));
            if self.scope_line.is_waiting() && self.wake_scope(horizon) {
                continue;
            }
            let Some((at, what)) = next else { break };
            // What is overdue happens at the moment it is noticed at the latest point already reached.
            let at = at.max(self.now);
            self.now = at;
            match what {
                Next::Event => {
                    if let Some(event) = self.events.pop_front() {
                        match commands::run(self, &event.run) {
                            Ok(said) => tracing::info!(at_s = event.at_s, command = event.run, said, "event"),
                            Err(error) => tracing::error!(at_s = event.at_s, command = event.run, %error, "event"),
                        }
                    }
                }
                Next::Scope => {
                    let (line, mut world) = (&mut self.scope_line, world(self.deck.as_mut(), &self.probes, at));
                    line.act(at, &mut self.scope, &mut world);
                }
                Next::Relays => {
                    self.relays.time_out(seconds(at));
                    let mut world = world(self.deck.as_mut(), &self.probes, at);
                    if self.relay_line.executes(at) {
                        self.scope.scope.flush(&mut world);
                    }
                    self.relay_line.act(at, &mut self.relays, &mut world);
                }
            }
        }
        self.now = now;
        self.relays.time_out(seconds(now));
    }

    /// Goes on with a message that waited for an acquisition, if that is done by `horizon`.
    fn wake_scope(&mut self, horizon: u64) -> bool {
        use crate::ieee488::Device;
        let mut world = world(self.deck.as_mut(), &self.probes, horizon);
        let Some(since_s) = self.scope.idle_since(&mut world) else { return false };
        let at = nanos(since_s).max(self.now).min(horizon);
        let at = self.scope_line.after_latency(at);
        self.scope_line.go_on(at, &mut self.scope, &mut world);
        true
    }

    /// Takes the samples of the past before something about the machine or the probes changes.
    pub(crate) fn flush(&mut self) {
        let mut world = world(self.deck.as_mut(), &self.probes, self.now);
        self.scope.scope.flush(&mut world);
    }

    /// Lets the scope compute what it has seen so far of an acquisition under way: whether one is.
    pub(crate) fn prepare(&mut self) -> bool {
        let mut world = world(self.deck.as_mut(), &self.probes, self.now);
        self.scope.scope.prepare(&mut world)
    }

    pub(crate) fn now_s(&self) -> f64 {
        seconds(self.now)
    }

    pub(crate) fn line(&mut self, which: Which) -> &mut Line {
        match which {
            Which::Scope => &mut self.scope_line,
            Which::Relays => &mut self.relay_line,
        }
    }

    /// A number for a new port.
    fn next_lane(&mut self) -> u64 {
        self.lanes += 1;
        self.lanes
    }

    /// The port that wrote last.
    pub(crate) fn lane(&mut self, which: Which) -> &mut u64 {
        match which {
            Which::Scope => &mut self.scope_lane,
            Which::Relays => &mut self.relay_lane,
        }
    }

    /// Power off and on.
    pub(crate) fn restart(&mut self, which: Which) {
        use crate::ieee488::Device;
        let now = self.now;
        let mut world = world(self.deck.as_mut(), &self.probes, now);
        match which {
            Which::Scope => {
                self.scope.reset(&mut world);
                self.scope_line.restart(now);
            }
            Which::Relays => {
                self.relays.reset(&mut world);
                self.relay_line.restart(now);
            }
        }
    }

    /// The earliest instant at which a byte of this port may be there.
    pub(crate) fn next_output(&mut self, which: Which) -> Option<u64> {
        let now = self.now;
        let mut waiting = None;
        if which == Which::Scope && self.scope_line.is_waiting() {
            let mut world = world(self.deck.as_mut(), &self.probes, now);
            let done = self.scope.scope.expected_done_s(seconds(now + LOOK_AGAIN), &mut world).map(nanos);
            let at = done.unwrap_or(now + LOOK_AGAIN).max(now);
            waiting = Some(self.scope_line.after_latency(at).max(now + 1));
        }
        let line = self.line(which);
        line.next_output().into_iter().chain(line.next_message()).chain(waiting).min()
    }
}

fn world<'a>(deck: &'a mut dyn Deck, probes: &'a Probes, at: u64) -> World<'a> {
    World { now_s: seconds(at), deck, probes }
}

impl SimBench {
    /// A bench from the text of a scenario file; `seed` overrides the file's.
    ///
    /// # Errors
    /// Every fault of the file at once.
    pub fn from_scenario(text: &str, seed: Option<u64>) -> Result<Self, ScenarioError> {
        let mut scenario = Scenario::parse(text)?;
        if let Some(seed) = seed {
            scenario.seed = seed;
        }
        scenario.bench()
    }

    /// A bench around a machine.
    #[must_use]
    pub fn new(setup: BenchSetup, deck: Box<dyn Deck>) -> Self {
        let mut events: VecDeque<Event> = setup.events.into();
        events.make_contiguous().sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let inner = Inner {
            seed: setup.seed,
            deck,
            home: setup.probes.clone(),
            probes: setup.probes,
            scope: ScopeDevice::new(setup.front_end, setup.specs, setup.scope_port.quirks, &setup.model, setup.seed),
            scope_line: Line::new(setup.scope_port, setup.seed, "scope link"),
            relays: RelayBox::new(),
            relay_line: Line::new(setup.relay_port, setup.seed, "relay link"),
            events,
            now: 0,
            lanes: 0,
            scope_lane: 0,
            relay_lane: 0,
        };
        Self { inner: Arc::new(Mutex::new(inner)) }
    }

    pub(crate) fn lock(&self) -> MutexGuard<'_, Inner> {
        // A panic elsewhere must not take the bench with it: each test sees its own failure.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The scope's port.
    #[must_use]
    pub fn scope_port(&self) -> SimPort {
        SimPort::new(self.clone(), Which::Scope, self.lock().next_lane())
    }

    /// The relay box's port.
    #[must_use]
    pub fn relay_port(&self) -> SimPort {
        SimPort::new(self.clone(), Which::Relays, self.lock().next_lane())
    }

    /// The seed that everything was drawn from.
    #[must_use]
    pub fn seed(&self) -> u64 {
        self.lock().seed
    }

    /// Brings the bench up to `now`, so that what happens by itself has happened.
    pub fn advance(&self, now: Instant) {
        self.lock().advance(now.as_nanos());
    }

    /// Does what a line of text says, now; see [`crate::commands`] for the words.
    ///
    /// # Errors
    /// What was not understood, and what would be.
    pub fn command(&self, now: Instant, text: &str) -> Result<String, CommandError> {
        let mut inner = self.lock();
        inner.advance(now.as_nanos());
        commands::run(&mut inner, text)
    }

    /// The scope's acquisitions so far, with their exact trigger times.
    #[must_use]
    pub fn acquisitions(&self) -> Vec<Acquisition> {
        self.lock().scope.scope.log()
    }

    /// Keeps the newest `count` acquisitions whole, for [`Self::taken`].
    pub fn keep_taken(&self, count: usize) {
        self.lock().scope.scope.keep(count);
    }

    /// The newest acquisitions whole, oldest first; none without [`Self::keep_taken`].
    #[must_use]
    pub fn taken(&self) -> Vec<Taken> {
        self.lock().scope.scope.taken()
    }

    /// The scope's exact errors.
    #[must_use]
    pub fn errors(&self) -> Errors {
        self.lock().scope.errors().clone()
    }

    /// How often each relay was closed, from relay 1 on.
    #[must_use]
    pub fn key_presses(&self) -> Vec<u64> {
        self.lock().relays.presses()
    }

    /// Where the probes are.
    #[must_use]
    pub fn probes(&self) -> Probes {
        self.lock().probes.clone()
    }

    /// The machine, brought up to `now`, for its truth.
    pub fn with_deck<T>(&self, now: Instant, ask: impl FnOnce(&mut dyn Deck) -> T) -> T {
        let mut inner = self.lock();
        inner.advance(now.as_nanos());
        inner.flush();
        ask(inner.deck.as_mut())
    }

    pub(crate) fn counters(&self, which: Which) -> Counters {
        self.lock().line(which).counters
    }

    pub(crate) fn set_faults(&self, which: Which, change: impl FnOnce(&mut LinkFaults)) {
        change(&mut self.lock().line(which).faults);
    }
}
