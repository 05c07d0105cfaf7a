//! The acquisition engine: idle, armed, triggered, done; computed at the instants asked for.

use super::convert::{STEPS, STEPS_A_DIVISION};
use super::shot::{Acquisition, Coupling, Record, Setup, Taken, Trace, TriggerFrom, TriggerOn, TriggeredBy};
use super::specs::{Errors, Specs};
use crate::quirks::STATE_LAG_S;
use crate::rng::Rng;
use crate::source::Slope;
use crate::world::{Tip, World};
use std::collections::VecDeque;

mod render;

/// Entries that the log keeps; a soak of a thousand hours must not grow without end.
const LOG_LENGTH: usize = 10_000;
/// Greatest part of a continuous run that is looked at when it is stopped, beside the record itself.
const RUN_TAIL_S: f64 = 0.2;

/// Where an acquisition stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Progress {
    /// Nothing was started, or it is done.
    Idle,
    /// Waiting for the trigger.
    Armed,
    /// Filling the memory.
    Triggered,
    /// Taking one acquisition after the other.
    Running,
}

/// An acquisition under way.
#[derive(Debug)]
struct Shot {
    number: u64,
    setup: Setup,
    armed_s: f64,
    /// From here a trigger counts: the part before the trigger is in memory.
    ready_s: f64,
    searched_s: f64,
    trigger: Option<(f64, TriggeredBy)>,
    traces: Vec<Option<Trace>>,
    rendered: usize,
    /// Pairs of each channel that were computed before the record was full.
    ahead: Vec<Vec<(f64, f64)>>,
}

/// A scope.
#[derive(Debug)]
pub(crate) struct Scope {
    pub(crate) specs: Specs,
    pub(crate) errors: Errors,
    seed: u64,
    shot: Option<Shot>,
    /// Since when it takes one acquisition after the other.
    running: Option<(f64, Setup)>,
    record: Option<Record>,
    count: u64,
    idle_since_s: f64,
    log: VecDeque<Acquisition>,
    /// The newest acquisitions whole, and how many of them are kept; only where a test asked for it.
    taken: VecDeque<Taken>,
    keep: usize,
    passed: Vec<Progress>,
    /// The state is told late, and the last record is read until the next is whole.
    pub(crate) lags: bool,
    /// Most points in one reading.
    pub(crate) most_a_reading: usize,
    /// Numbers are told with their units.
    pub(crate) units: bool,
}

impl Scope {
    pub(crate) fn new(specs: Specs, seed: u64) -> Self {
        let errors = Errors::draw(&specs, seed);
        Self {
            specs,
            errors,
            seed,
            shot: None,
            running: None,
            record: None,
            count: 0,
            idle_since_s: 0.0,
            log: VecDeque::new(),
            taken: VecDeque::new(),
            keep: 0,
            passed: Vec::new(),
            lags: false,
            units: false,
            most_a_reading: usize::MAX,
        }
    }

    /// Starts one acquisition; one under way is dropped, and so is the last record.
    pub(crate) fn arm(&mut self, setup: Setup, world: &World<'_>) {
        self.abort(world);
        if !self.lags {
            self.record = None;
        }
        self.start(setup, world.now_s);
        self.passed.push(Progress::Armed);
    }

    fn start(&mut self, setup: Setup, at_s: f64) {
        self.count += 1;
        let ready_s = at_s + setup.before_s.max(0.0) * (1.0 + self.errors.timebase);
        let traces =
            setup.channels.iter().map(|channel| channel.on.then(|| Trace { codes: Vec::new(), setup: *channel }));
        self.shot = Some(Shot {
            number: self.count,
            traces: traces.collect(),
            ahead: vec![Vec::new(); setup.channels.len()],
            setup,
            armed_s: at_s,
            ready_s,
            searched_s: ready_s,
            trigger: None,
            rendered: 0,
        });
    }

    /// Takes acquisitions without end, until it is stopped.
    pub(crate) fn run(&mut self, setup: Setup, world: &World<'_>) {
        self.abort(world);
        self.running = Some((world.now_s, setup));
        self.passed.push(Progress::Running);
    }

    /// Ends an acquisition under way; what it took is lost. A continuous run leaves its last record.
    pub(crate) fn stop(&mut self, world: &mut World<'_>) {
        if let Some((since_s, setup)) = self.running.take() {
            let span_s = setup.items() as f64 * setup.dt_s * (1.0 + self.errors.timebase.abs());
            let from_s =
                since_s.max(world.now_s - 2.0 * span_s - setup.before_s.abs() - RUN_TAIL_S - self.specs.auto_s);
            self.record = None;
            self.start(setup, from_s);
            self.settle(world);
        }
        self.abort(world);
    }

    /// Triggers now, or as soon as what lies before the trigger is filled. Whether it waited for a trigger.
    pub(crate) fn force(&mut self, world: &mut World<'_>) -> bool {
        self.settle(world);
        let now_s = world.now_s;
        match &mut self.shot {
            Some(shot) if shot.trigger.is_none() => {
                shot.trigger = Some((shot.ready_s.max(now_s), TriggeredBy::Forced));
                self.passed.push(Progress::Triggered);
                true
            }
            _ => false,
        }
    }

    /// Back to idle.
    pub(crate) fn abort(&mut self, world: &World<'_>) {
        if self.shot.take().is_some() | self.running.take().is_some() {
            self.idle_since_s = world.now_s;
            self.passed.push(Progress::Idle);
        }
    }

    /// Power-on: the memory is lost too.
    pub(crate) fn forget(&mut self, world: &World<'_>) {
        self.abort(world);
        self.record = None;
    }

    /// The last complete record, if nothing is under way.
    pub(crate) fn record(&mut self, world: &mut World<'_>) -> Option<&Record> {
        (self.progress(world) == Progress::Idle || self.lags).then_some(self.record.as_ref()).flatten()
    }

    /// The state that it tells: the present one, or that of a while ago.
    pub(crate) fn told(&mut self, world: &mut World<'_>) -> Progress {
        let now = self.progress(world);
        if !self.lags {
            return now;
        }
        let then_s = world.now_s - STATE_LAG_S;
        match (&self.shot, self.log.back()) {
            (Some(shot), _) if shot.armed_s <= then_s => match shot.trigger {
                Some((at_s, _)) if at_s <= then_s => Progress::Triggered,
                _ => Progress::Armed,
            },
            (None, _) if self.running.is_some() => now,
            (_, Some(last)) if (last.armed_s..last.done_s).contains(&then_s) => {
                if last.trigger_s <= then_s {
                    Progress::Triggered
                } else {
                    Progress::Armed
                }
            }
            _ => Progress::Idle,
        }
    }

    /// Keeps the newest acquisitions whole from now on.
    pub(crate) fn keep(&mut self, count: usize) {
        self.keep = count;
    }

    pub(crate) fn taken(&self) -> Vec<Taken> {
        self.taken.iter().cloned().collect()
    }

    pub(crate) fn log(&self) -> Vec<Acquisition> {
        self.log.iter().cloned().collect()
    }

    /// Where it stands now.
    pub(crate) fn progress(&mut self, world: &mut World<'_>) -> Progress {
        self.settle(world);
        match (&self.running, &self.shot) {
            (Some(_), _) => Progress::Running,
            (None, None) => Progress::Idle,
            (None, Some(shot)) if shot.trigger.is_some_and(|(at_s, _)| at_s <= world.now_s) => Progress::Triggered,
            (None, Some(_)) => Progress::Armed,
        }
    }

    /// Since when nothing is under way.
    pub(crate) fn idle_since(&mut self, world: &mut World<'_>) -> Option<f64> {
        (self.progress(world) == Progress::Idle).then_some(self.idle_since_s)
    }

    /// States that were passed since last asked.
    pub(crate) fn take_passed(&mut self) -> Vec<Progress> {
        core::mem::take(&mut self.passed)
    }

    /// When the acquisition under way will be done, if its trigger came or will come before `until_s`
    /// with the machine as it is now.
    pub(crate) fn expected_done_s(&self, until_s: f64, world: &mut World<'_>) -> Option<f64> {
        let shot = self.shot.as_ref()?;
        let trigger_s = match shot.trigger {
            Some((at_s, _)) => at_s,
            None if until_s > shot.searched_s => {
                let auto_s = shot.setup.auto.then_some(shot.ready_s + self.specs.auto_s);
                self.trigger_after(&shot.setup, shot.searched_s, until_s, world).or(auto_s)?
            }
            None => return None,
        };
        Some(self.time_of(shot, trigger_s, shot.setup.items()))
    }

    /// Exact time of a sample (of a pair: of the beginning of its bin). The clock does not wait for the trigger.
    fn time_of(&self, shot: &Shot, trigger_s: f64, item: usize) -> f64 {
        let place = self.specs.trigger_place * Rng::new(self.seed, "scope trigger place", shot.number).symmetric();
        trigger_s + ((item as f64 + place) * shot.setup.dt_s - shot.setup.before_s) * (1.0 + self.errors.timebase)
    }

    /// Brings the acquisition up to the present: looks for its trigger, and ends it when it is full.
    pub(crate) fn settle(&mut self, world: &mut World<'_>) {
        self.advance(world, false);
    }

    /// Takes the samples of the past, too, of an acquisition that is not full yet. Whoever is about to
    /// change the machine calls this first, so that they are taken from the machine as it then was.
    pub(crate) fn flush(&mut self, world: &mut World<'_>) {
        self.advance(world, true);
    }

    fn advance(&mut self, world: &mut World<'_>, partly: bool) {
        let Some(mut shot) = self.shot.take() else { return };
        if shot.trigger.is_none() {
            self.search(&mut shot, world);
            if shot.trigger.is_some() {
                self.passed.push(Progress::Triggered);
            }
        }
        if let Some((trigger_s, by)) = shot.trigger {
            let items = shot.setup.items();
            let done_s = self.time_of(&shot, trigger_s, items).max(trigger_s);
            let filled = if world.now_s >= done_s {
                items
            } else if !partly {
                0
            } else {
                let dt_s = shot.setup.dt_s * (1.0 + self.errors.timebase);
                (((world.now_s - self.time_of(&shot, trigger_s, 0)) / dt_s).floor().max(0.0) as usize).min(items)
            };
            self.render(&mut shot, trigger_s, filled, world);
            if world.now_s >= done_s {
                if self.log.len() == LOG_LENGTH {
                    self.log.pop_front();
                }
                let acquisition = Acquisition {
                    number: shot.number,
                    armed_s: shot.armed_s,
                    trigger_s,
                    by,
                    first_s: self.time_of(&shot, trigger_s, 0),
                    dt_s: shot.setup.dt_s * (1.0 + self.errors.timebase),
                    done_s,
                    points: shot.setup.points,
                    peak: shot.setup.peak,
                };
                if self.keep > 0 {
                    while self.taken.len() >= self.keep {
                        self.taken.pop_front();
                    }
                    let codes = shot.traces.iter().map(|trace| trace.as_ref().map(|trace| trace.codes.clone()));
                    let (acquisition, codes) = (acquisition.clone(), codes.collect());
                    self.taken.push_back(Taken { acquisition, setup: shot.setup.clone(), codes });
                }
                self.log.push_back(acquisition);
                self.record = Some(Record { setup: shot.setup, traces: shot.traces });
                self.idle_since_s = done_s;
                self.passed.push(Progress::Idle);
                return;
            }
        }
        self.shot = Some(shot);
    }

    fn search(&self, shot: &mut Shot, world: &mut World<'_>) {
        if world.now_s < shot.searched_s {
            return;
        }
        if shot.setup.from == TriggerFrom::Immediate {
            shot.trigger = Some((shot.ready_s, TriggeredBy::Immediate));
            return;
        }
        let auto_s = shot.setup.auto.then_some(shot.ready_s + self.specs.auto_s);
        let until_s = auto_s.unwrap_or(f64::INFINITY).min(world.now_s);
        let by = match shot.setup.on {
            TriggerOn::Edge { .. } => TriggeredBy::Edge,
            TriggerOn::Video { .. } | TriggerOn::Never => TriggeredBy::Video,
        };
        if until_s > shot.searched_s {
            let found = self.trigger_after(&shot.setup, shot.searched_s, until_s, world);
            shot.trigger = found.map(|at_s| (at_s, by));
            shot.searched_s = until_s;
        }
        if let (None, Some(auto_s)) = (shot.trigger, auto_s)
            && world.now_s >= auto_s
        {
            shot.trigger = Some((auto_s, TriggeredBy::Auto));
        }
    }

    fn trigger_after(&self, setup: &Setup, after_s: f64, until_s: f64, world: &mut World<'_>) -> Option<f64> {
        let (probe, channel) = match setup.from {
            TriggerFrom::Immediate => return Some(after_s),
            TriggerFrom::Line => {
                let TriggerOn::Edge { slope, .. } = setup.on else { return None };
                let phase = if slope == Slope::Rising { 0.0 } else { 0.5 };
                let next = ((after_s * self.specs.mains_hz - phase).floor() + 1.0 + phase) / self.specs.mains_hz;
                return (next < until_s).then_some(next);
            }
            TriggerFrom::External => (world.probes.external, None),
            TriggerFrom::Channel(channel) => {
                (world.probes.channels.get(channel).copied().unwrap_or_default(), Some(channel))
            }
        };
        let coupling = channel.and_then(|channel| setup.channels.get(channel)).map_or(Coupling::Dc, |c| c.coupling);
        if coupling == Coupling::Ground {
            return None;
        }
        match setup.on {
            TriggerOn::Never => None,
            TriggerOn::Video { field, line } => Tip::of(probe, world.deck).next_video(field, line, after_s, until_s),
            TriggerOn::Edge { slope, level_v } => {
                // The comparator sits behind the channel's front end and sees its errors.
                let mut level_v =
                    match channel.and_then(|c| Some((self.errors.channels.get(c)?, setup.channels.get(c)?))) {
                        Some((errors, set)) => errors.true_v(level_v, set.full_scale_v / STEPS * STEPS_A_DIVISION),
                        None => level_v,
                    };
                if coupling == Coupling::Ac {
                    let mut baseline = [0.0];
                    self.baseline(probe, after_s, 1.0, world, &mut baseline);
                    level_v += baseline[0];
                }
                Tip::of(probe, world.deck).next_crossing(level_v * probe.factor, slope, after_s, until_s)
            }
        }
    }
}
