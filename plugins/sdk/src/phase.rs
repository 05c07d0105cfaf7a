//! Looks at the phase of a pulse train against the head switch: three signals on two channels.
//!
//! The head switch may be on an input that only triggers and the train on a channel, or the other way round: the edge
//! that triggers lies at time 0, the other's edge is sampled. A first look reaches half a period and a little more to
//! either side; where the phase stands, later looks are only as long as it takes, and so as fine as the scope's points
//! allow. (Permission `captures`.)

use crate::bench::{Abilities, Point, abilities, hooked_up};
use crate::bursts::{BURST, Bursts, Followed};
use crate::captures::{Acquire, Capture, Slope};
use crate::own_rate::other_rate;
use crate::unable::{Result, Unable};
use tapewright_formats::{LineStandard, Signal, SignalForm, UnableCode};
use tapewright_measure::pulses::{Pulses, pulses_in};
use tapewright_measure::servo::{Look, Nominal, Turns};
use tapewright_measure::{Estimate, MeasureError};

pub use crate::bursts::Met;

/// How long an edge has to trigger: dozens of frames.
const TRIGGER_S: f64 = 2.0;
/// A look shall take no longer than this on the link.
const BEARABLE_S: f64 = 0.4;
/// Points of a look, at least and at most.
const POINTS: core::ops::RangeInclusive<u32> = 300..=2_500;

/// Looks at a train.
#[derive(Debug)]
pub struct PhaseTaker {
    train: Point,
    switch: Point,
    scope: Abilities,
    period_s: f64,
    bursts: Bursts,
    followed: Followed,
    /// Level of the train in the last look in which it showed.
    pub level: Option<Estimate>,
    /// Relative standard uncertainty of the scope's time base.
    pub timebase_u: f64,
}

impl PhaseTaker {
    /// For a train that has one pulse a frame.
    ///
    /// # Errors
    /// `not-hooked-up`; `not-possible` where neither of the two is on a channel that samples.
    pub fn new(train: Signal, lines: LineStandard) -> Result<Self> {
        let (train, switch) = (hooked_up(train)?, hooked_up(Signal::HeadSwitch)?);
        if train.trigger_only && switch.trigger_only {
            let why = format!(
                "{} and the head switch are both on inputs that only trigger: put one of them on a channel",
                train.signal
            );
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        let period_s = 1.0 / lines.frame_rate_hz();
        let bursts = Bursts::new(period_s, !train.trigger_only, train.form != SignalForm::Spike);
        Ok(Self {
            train,
            switch,
            scope: abilities(),
            period_s,
            bursts,
            followed: Followed::default(),
            level: None,
            timebase_u: 0.0,
        })
    }

    /// Period that is expected, in seconds.
    #[must_use]
    pub const fn period_s(&self) -> f64 {
        self.period_s
    }

    /// How the phases of its looks go round; `nominal` is the one of the two that keeps the format's rate.
    #[must_use]
    pub const fn turns(&self, nominal: Nominal) -> Turns {
        Turns { period_s: self.period_s, nominal, train_triggers: !self.samples_train() }
    }

    fn form(&self) -> SignalForm {
        if self.train.form == SignalForm::Spike { SignalForm::Spike } else { SignalForm::Square }
    }

    /// Whether the train is the one that is sampled.
    const fn samples_train(&self) -> bool {
        !self.train.trigger_only
    }

    fn points(&self) -> u32 {
        let bearable = (BEARABLE_S / self.scope.seconds_a_point.max(1e-9)).min(1e6) as u32;
        bearable.clamp(*POINTS.start(), *POINTS.end()).min(self.scope.greatest_points)
    }

    fn request(&self, span_s: f64, before_s: f64) -> Acquire {
        let selects_a = if self.switch.high_is_a { Slope::Rising } else { Slope::Falling };
        let ask = if self.samples_train() {
            Acquire::of(&[self.train.signal]).edge(Signal::HeadSwitch, selects_a)
        } else {
            Acquire::of(&[Signal::HeadSwitch]).edge(self.train.signal, Slope::Rising)
        };
        ask.span_s(span_s).before_s(before_s).least_points(self.points()).deadline_s(TRIGGER_S)
    }

    /// How many looks were taken, and how many met nothing.
    #[must_use]
    pub const fn met(&self) -> Met {
        self.bursts.met
    }

    /// A burst of looks. Those that show no edge are left out, and counted; none at all: the train is not there.
    ///
    /// # Errors
    /// What the daemon says; `clipped`, `bad-data`.
    pub fn burst(&mut self) -> Result<Vec<Look>> {
        let mut bursts = self.bursts.clone();
        let looks = bursts.burst(|span_s, before_s| {
            let captures = self.request(span_s, before_s).count(BURST).take()?;
            self.looks(&captures)
        })?;
        self.bursts = bursts;
        Ok(looks)
    }

    /// What each capture shows; none: no edge.
    fn looks(&mut self, captures: &[Capture]) -> Result<Vec<Option<Look>>> {
        let mut looks = Vec::new();
        for capture in captures {
            if !capture.info.triggered {
                return Err(Unable::new(
                    UnableCode::NoTrigger,
                    "a capture came without the edge that it was to begin at",
                ));
            }
            self.timebase_u = self.timebase_u.max(capture.info.timebase_uncertainty);
            let signal = if self.samples_train() { self.train.signal } else { Signal::HeadSwitch };
            let trace = capture.trace(signal)?.samples()?;
            trace.conversion().demand_unclipped("pulses")?;
            let form = if self.samples_train() { self.form() } else { SignalForm::Square };
            let pulses = match pulses_in(&trace, form) {
                Ok(pulses) => pulses,
                Err(MeasureError::InNoise { .. }) => {
                    looks.push(None);
                    continue;
                }
                Err(error) => return Err(error.into()),
            };
            let look = self.look(capture, &trace, &pulses);
            if look.is_some() && self.samples_train() {
                self.level = Some(pulses.level);
            }
            looks.push(look);
        }
        Ok(looks)
    }

    fn look(&mut self, capture: &Capture, trace: &tapewright_measure::Trace, pulses: &Pulses) -> Option<Look> {
        let (phase_s, edge_u_s) = if self.samples_train() {
            (-self.followed.edge_s(&pulses.times_s, self.period_s)?, pulses.time_u_s)
        } else {
            // The sampled head switch: its edge that selects head A.
            let states = tapewright_measure::edges::state_levels(trace).ok()?;
            let edges = tapewright_measure::edges::edges(trace, &states).ok()?;
            let wanted = if self.switch.high_is_a {
                tapewright_measure::edges::Polarity::Rising
            } else {
                tapewright_measure::edges::Polarity::Falling
            };
            let times: Vec<f64> = edges.iter().filter(|e| e.polarity == wanted).map(|e| e.time_s).collect();
            (self.followed.edge_s(&times, self.period_s)?, trace.dt_s() / 12.0_f64.sqrt())
        };
        Some(Look {
            at_s: capture.info.trigger_s,
            at_u_s: capture.info.trigger_uncertainty_s,
            phase_s,
            // The trigger lies anywhere between two samples.
            phase_u_s: edge_u_s.hypot(trace.dt_s() / 12.0_f64.sqrt()),
        })
    }

    /// The signal that is sampled and its rate, in hertz, where this is surely another one than once a frame. Of an edge that only
    /// triggers nothing tells the rate.
    ///
    /// # Errors
    /// What the daemon says; `clipped`, `bad-data`.
    pub fn other_rate(&self) -> Result<Option<(Signal, Estimate)>> {
        let point = if self.samples_train() { &self.train } else { &self.switch };
        Ok(other_rate(point, self.period_s)?.map(|rate| (point.signal, rate)))
    }

    /// Looks until `observe_s` are covered and there are `least` of them.
    ///
    /// # Errors
    /// `signal-absent` where most looks show nothing; else as [`Self::burst`].
    pub fn series(&mut self, observe_s: f64, least: usize, mut progress: impl FnMut(f64)) -> Result<Vec<Look>> {
        let mut looks: Vec<Look> = Vec::new();
        let mut empty = 0;
        // A slow link sets the end by the count, a fast one by the time.
        while looks.len() < 2_000 {
            let burst = self.burst()?;
            empty = if burst.is_empty() { empty + 1 } else { 0 };
            if empty > 1 {
                let why = format!(
                    "{} on {} shows no pulses at the head-switch edges: run `signal-presence`, which proves whether it is absent",
                    self.train.signal, self.train.channel
                );
                return Err(Unable::new(UnableCode::SignalAbsent, why).on(self.train.signal.as_str()));
            }
            looks.extend(burst);
            let covered_s = match (looks.first(), looks.last()) {
                (Some(first), Some(last)) => last.at_s - first.at_s,
                _ => 0.0,
            };
            progress((covered_s / observe_s).min(looks.len() as f64 / least as f64).min(1.0));
            // Where most pulses are missing, more looks prove no more.
            if covered_s >= observe_s && (looks.len() >= least || self.met().too_few("").is_some()) {
                break;
            }
        }
        Ok(looks)
    }
}
