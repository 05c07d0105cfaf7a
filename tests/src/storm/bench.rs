//! One bench in a storm.

use super::deck::FormulaDeck;
use super::links::{Clearing, Lent};
use super::mix::{self, DIALECTS, Mix};
use super::oracle::Asked;
use crate::machines::Random;
use core::time::Duration;
use serde::Serialize;
use sim_instrument::source::Point as Touch;
use sim_instrument::{BenchSetup, FrontEnd, PortSettings, Probe, Probes, SimBench, Specs};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tapewright::simulated::SimPeer;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::{Signal, SignalForm};
use tapewright_instrument::link::InProcess;
use tapewright_instrument::link::faults::{Cuts, FarEnd, FaultControl, Faulty, Moment, Outage, OutageControl, Spoil};
use tapewright_instrument::{Capture, CaptureRequest, Dialect, Hookup, Link, Point, Scope, ScopeError, SessionError};

/// Captures that one bench lives for.
pub const BENCH_CAPTURES: u64 = 8;
/// Messages sent within which all must come right once the faults have ceased.
pub const MOST_EXCHANGES: u64 = 400;
/// Acquisitions that the simulated scope keeps whole: more than one request can need.
const KEPT: usize = 48;
/// The longest that any one fault lasts.
const AFTERMATH: Duration = Duration::from_secs(12);
/// Tries to open a scope while its link has faults.
const OPEN_TRIES: u32 = 4;
/// Tries within which a capture must come right without faults.
const CALM_TRIES: u32 = 2;

/// What came of some captures.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// Captures asked for while faults struck.
    pub captures: u64,
    /// Bit-exact ones of these.
    pub exact: u64,
    /// Refused ones of these, by reason.
    pub refused: BTreeMap<String, u64>,
    /// Wrong ones, of these and of those asked for without faults.
    pub wrong: u64,
    /// Benches that did not come right without faults.
    pub unrecovered: u64,
    /// Captures asked for without faults, to see whether all comes right.
    pub calm: u64,
    /// Faults that struck.
    pub faults: u64,
    /// Captures asked for over each kind of link, and in each dialect.
    pub links: BTreeMap<String, u64>,
    /// See there.
    pub dialects: BTreeMap<String, u64>,
    /// Greatest number of messages that coming right took.
    pub most_exchanges: u64,
    /// What is wrong or unrecovered, in words that name the bench.
    pub troubles: Vec<String>,
}

impl Tally {
    /// Adds another.
    pub fn add(&mut self, other: Self) {
        self.captures += other.captures;
        self.exact += other.exact;
        self.wrong += other.wrong;
        self.unrecovered += other.unrecovered;
        self.calm += other.calm;
        self.faults += other.faults;
        self.most_exchanges = self.most_exchanges.max(other.most_exchanges);
        let sums =
            [(&mut self.refused, other.refused), (&mut self.links, other.links), (&mut self.dialects, other.dialects)];
        for (sum, counts) in sums {
            for (word, count) in counts {
                *sum.entry(word).or_default() += count;
            }
        }
        self.troubles.extend(other.troubles);
    }
}

/// What happens to the instrument at random.
struct Fate {
    random: Random,
    restart: f64,
    another: f64,
    calm: bool,
    struck: u64,
}

/// One bench.
struct Storm {
    name: String,
    sim: SimBench,
    clock: Clock,
    dialect: Dialect,
    hookup: Hookup,
    mix: Mix,
    bytes: FaultControl,
    outage: OutageControl,
    fate: Arc<Mutex<Fate>>,
    sent: Arc<AtomicU64>,
    tally: Tally,
}

fn probe(signal: Signal, factor: f64) -> Probe {
    Probe { point: Touch::Signal(signal), factor, ..Probe::default() }
}

/// The bench of a dialect and front end: RF, and control track or video, and the head switch.
///
/// # Panics
/// If the shipped dialect is faulty.
#[must_use]
pub fn pieces(
    name: &str,
    front_end: FrontEnd,
    seed: u64,
    video: bool,
    baud: Option<u32>,
) -> (SimBench, Dialect, Hookup) {
    let dialect = Dialect::shipped(name).expect("a shipped dialect");
    let second = if video { Signal::Video } else { Signal::ControlTrack };
    let mut setup = BenchSetup::new(seed, Specs::modest());
    setup.front_end = front_end;
    setup.probes = Probes {
        channels: vec![probe(Signal::Rf, 10.0), probe(second, 10.0)],
        external: probe(Signal::HeadSwitch, 10.0),
    };
    setup.scope_port = PortSettings { baud, ..PortSettings::default() };
    let sim = SimBench::new(setup, Box::new(FormulaDeck));
    sim.keep_taken(KEPT);
    let labels: Vec<String> = dialect.channels().map(|input| input.label.clone()).collect();
    let external = dialect.inputs.iter().find(|input| input.trigger_only).expect("a trigger-only input");
    let mut points = vec![
        Point::new(Signal::Rf, labels[0].clone()),
        Point::new(second, labels[1].clone()),
        Point::new(Signal::HeadSwitch, external.label.clone()),
    ];
    points[0].expected_v = Some(2.0);
    points[1].expected_v = Some(if video { 1.0 } else { 5.0 });
    points[1].middle_v = Some(0.0);
    points[2].form = SignalForm::Square;
    (sim, dialect, Hookup { lines: Some(525), points })
}

/// Runs one bench of a storm; the same seed and number do the same.
///
/// # Panics
/// If a runtime cannot be built, or a shipped dialect is faulty.
#[must_use]
pub fn run_bench(seed: u64, number: u64, captures: u64) -> Tally {
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers");
    runtime.block_on(async {
        let mut random = Random::new(seed, number);
        let (name, front_end) = *random.one_of(DIALECTS);
        let mix = Mix::draw(&mut random);
        let video = random.chance(0.4);
        let (sim, dialect, hookup) = pieces(name, front_end, seed ^ (number << 20), video, mix.baud);
        let clock = Clock::virtual_from(WallTime(0));
        let mut link = InProcess::new(SimPeer(sim.scope_port()), clock.clone(), "a scope in a storm");
        if let Some(baud) = mix.baud {
            link = link.with_baud(baud);
        }
        let fate = Fate {
            random: Random::new(seed ^ 0x5eed, number),
            restart: mix.restart,
            another: mix.another,
            calm: true,
            struck: 0,
        };
        let fate = Arc::new(Mutex::new(fate));
        let sent = Arc::new(AtomicU64::new(0));
        let happens = happening(&sim, &fate, &sent);
        let link = Clearing { inner: link, clears: mix.clears.then(|| sim.scope_port()), clock: clock.clone() };
        let link = FarEnd::new(link, clock.clone(), happens);
        let (link, bytes) = Faulty::new(link, clock.clone(), seed.wrapping_add(number * 3), Spoil::default());
        let (link, outage) = Outage::new(link, clock.clone(), seed.wrapping_add(number * 7), Cuts::default());
        let tally = Tally {
            links: BTreeMap::from([(mix.link(), captures)]),
            dialects: BTreeMap::from([(name.to_owned(), captures)]),
            ..Tally::default()
        };
        let name = format!("seed {seed}, bench {number} ({name}, {mix:?})");
        let mut storm = Storm { name, sim, clock, dialect, hookup, mix, bytes, outage, fate, sent, tally };
        storm.pass(Box::new(link), captures, &mut random, video).await;
        storm.tally
    })
}

/// Restarts the instrument, or puts another in its place, as its fate has it.
fn happening(
    sim: &SimBench,
    fate: &Arc<Mutex<Fate>>,
    sent: &Arc<AtomicU64>,
) -> impl FnMut(tapewright_clock::Instant, Moment) + Send + use<> {
    let (mut port, fate, sent) = (sim.scope_port(), Arc::clone(fate), Arc::clone(sent));
    move |now, moment| {
        let mut fate = fate.lock().unwrap_or_else(PoisonError::into_inner);
        match moment {
            Moment::Sending(_) => {
                sent.fetch_add(1, Ordering::Relaxed);
                let chance = fate.restart;
                if !fate.calm && fate.random.chance(chance) {
                    fate.struck += 1;
                    port.restart(now);
                }
            }
            Moment::Reopening => {
                let chance = fate.another;
                if !fate.calm && fate.random.chance(chance) {
                    fate.struck += 1;
                    port.set_identity(Some("Another,Scope,99,1.0"));
                } else {
                    port.set_identity(None);
                }
            }
            Moment::Received(_) => {}
        }
    }
}

impl Storm {
    fn fate(&self) -> std::sync::MutexGuard<'_, Fate> {
        self.fate.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Faults strike from now on, or no longer.
    fn strike(&self, on: bool) {
        self.bytes.set(if on { self.mix.spoil } else { Spoil::default() });
        self.outage.set(if on { self.mix.cuts } else { Cuts::default() });
        self.fate().calm = !on;
        if !on {
            self.sim.scope_port().set_identity(None);
        }
    }

    async fn open(&mut self, link: Box<dyn Link>) -> Option<Scope> {
        let mut opened = Scope::open(link, self.dialect.clone(), self.clock.clone()).await;
        if let Ok(scope) = &mut opened {
            scope.set_read_twice(self.mix.baud.is_some());
        }
        opened.ok()
    }

    async fn pass(&mut self, link: Box<dyn Link>, captures: u64, random: &mut Random, video: bool) {
        // The link is lent to each try, so that its faults go on where they were.
        let link = Lent::new(link);
        let mut scope = None;
        self.strike(self.mix.from_start);
        for _ in 0..OPEN_TRIES {
            if self.mix.from_start && scope.is_none() {
                scope = self.open(Box::new(link.clone())).await;
            }
        }
        self.strike(false);
        for _ in 0..CALM_TRIES {
            if scope.is_none() {
                scope = self.open(Box::new(link.clone())).await;
            }
        }
        let Some(mut scope) = scope else {
            self.tally.unrecovered += 1;
            self.tally.troubles.push(format!("{}: the scope did not open without faults", self.name));
            return;
        };
        for _ in 0..captures {
            let request = mix::request(random, video);
            self.strike(true);
            let refused = self.capture(&mut scope, &request).await;
            self.strike(false);
            if refused {
                self.calm(&mut scope, &request).await;
            }
        }
        let request = mix::request(random, video);
        self.calm(&mut scope, &request).await;
        let struck = self.bytes.spoilt() + self.outage.struck() + self.fate().struck;
        self.tally.faults = struck;
    }

    /// One capture while faults strike; whether it was refused.
    async fn capture(&mut self, scope: &mut Scope, request: &CaptureRequest) -> bool {
        self.tally.captures += 1;
        let from_s = self.clock.now().as_secs_f64();
        match scope.acquire(&self.hookup, request).await {
            Ok(captures) => {
                if !self.told_wrong(&captures, request, from_s) {
                    self.tally.exact += 1;
                }
                false
            }
            Err(error) => {
                *self.tally.refused.entry(reason(&error)).or_default() += 1;
                true
            }
        }
    }

    /// Whether captures are not what the scope took; then it is counted.
    fn told_wrong(&mut self, captures: &[Capture], request: &CaptureRequest, from_s: f64) -> bool {
        let taken = self.sim.taken();
        let asked = Asked { dialect: &self.dialect, hookup: &self.hookup, request, from_s, taken: &taken };
        let Some(why) = asked.lie(captures) else { return false };
        self.tally.wrong += 1;
        self.tally.troubles.push(format!("{}: wrong: {why}; asked {request:?}", self.name));
        true
    }

    /// Without faults a capture must come right in a bounded number of exchanges.
    async fn calm(&mut self, scope: &mut Scope, request: &CaptureRequest) {
        self.tally.calm += 1;
        // Faults that struck last still take their time: a port is gone, a reply late.
        self.clock.sleep(AFTERMATH).await;
        let before = self.sent.load(Ordering::Relaxed);
        let mut last = String::new();
        for _ in 0..CALM_TRIES {
            let from_s = self.clock.now().as_secs_f64();
            match scope.acquire(&self.hookup, request).await {
                Ok(captures) => {
                    if self.told_wrong(&captures, request, from_s) {
                        return;
                    }
                    last.clear();
                    break;
                }
                Err(error) => last = tapewright::report::chain(&error),
            }
        }
        let exchanges = self.sent.load(Ordering::Relaxed) - before;
        self.tally.most_exchanges = self.tally.most_exchanges.max(exchanges);
        if !last.is_empty() || exchanges > MOST_EXCHANGES {
            self.tally.unrecovered += 1;
            self.tally.troubles.push(format!("{}: unrecovered after {exchanges} messages: {last}", self.name));
        }
    }
}

/// Why a capture was refused, in a word.
fn reason(error: &ScopeError) -> String {
    let word = match error {
        ScopeError::Session { source, .. } => match &**source {
            SessionError::Link { .. } => "link",
            SessionError::NoReply { .. } => "no-reply",
            SessionError::Wrong { .. } => "garbled-reply",
            SessionError::Refused { .. } => "garbled-command",
            SessionError::OutOfStep { .. } => "out-of-step",
            SessionError::Lost { .. } => "lost",
            SessionError::Changed { .. } => "another-instrument",
            _ => "conversation",
        },
        ScopeError::NoTrigger { .. } => "no-trigger",
        ScopeError::NotDone { .. } => "not-done",
        ScopeError::BadData { .. } => "bad-data",
        ScopeError::Setting { .. } => "setting",
        ScopeError::Scaling { .. } => "scaling",
        ScopeError::Clipped { .. } => "clipped",
        ScopeError::WrongDialect { .. } => "wrong-dialect",
        _ => "other",
    };
    word.to_owned()
}
