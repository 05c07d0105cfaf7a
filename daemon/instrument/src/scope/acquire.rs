//! Acquiring: looks where the level is unknown, wider ranges where it clips, new tries where the
//! link spoilt something.

use super::plan::{self, ChannelPlan, Level, TimePlan, TriggerPlan};
use super::setup::Standing;
use super::{Force, Scope, ScopeError};
use crate::capture::{Capture, ChannelSetup, Setup, Trace};
use crate::hookup::{Hookup, Point};
use crate::request::{CaptureRequest, Detection, Trigger};

/// Tries of one acquisition when the link spoils it.
const TRIES: u32 = 3;
/// How often a clipped capture is taken again at a larger range.
const WIDENINGS: u32 = 4;
/// Looks for a level, each at a range that the last one taught.
const LOOKS: u32 = 6;
/// Longest look: three periods of the slowest pulse of a frame.
const LONGEST_LOOK_S: f64 = 0.1;
/// Points of a look.
const LOOK_POINTS: u32 = 500;
/// By how much a clipped range is widened.
const WIDEN: f64 = 2.0;

/// Everything that stays the same over the acquisitions of a request.
pub(super) struct Job<'a> {
    hookup: &'a Hookup,
    pub(super) request: &'a CaptureRequest,
    pub(super) channels: Vec<ChannelPlan>,
    pub(super) time: TimePlan,
    trigger: Option<TriggerPlan>,
}

/// How the channels stand, and after how many losses of the place that was true.
struct Stands {
    channels: Vec<Standing>,
    resyncs: u64,
}

impl Scope {
    /// Takes the captures that a request asks for, in the order taken.
    ///
    /// A signal whose level the hookup expects gets a fixed range from that, so that an absent
    /// signal is data too; an unknown one is looked at first. A clipped capture is taken again at a
    /// larger range; the captures of one request all have one set-up.
    ///
    /// # Errors
    /// [`ScopeError`]: what was asked, of which channel, and what the scope can do.
    pub async fn acquire(&mut self, hookup: &Hookup, request: &CaptureRequest) -> Result<Vec<Capture>, ScopeError> {
        let job = Job {
            hookup,
            request,
            channels: plan::channels(&self.dialect, hookup, &request.signals)?,
            time: plan::time(&self.dialect, request)?,
            trigger: plan::trigger(&self.dialect, hookup, request.trigger)?,
        };
        let mut levels = self.levels(&job).await?;
        let mut may_narrow = true;
        for round in 0..=WIDENINGS {
            let captures = self.series(&job, &levels).await?;
            let Some(clipped) =
                captures.iter().find_map(|capture| capture.traces.iter().position(|trace| trace.clipped() > 0))
            else {
                // A range that was once widened (a known signal on the same probe, a passing overload) is given up
                // as soon as the signal fits what the hookup expects again: coarse steps would hide it.
                if may_narrow && self.narrow(&job, &mut levels, &captures) {
                    may_narrow = false;
                    continue;
                }
                return Ok(captures);
            };
            let traces = captures.iter().filter_map(|capture| capture.traces.get(clipped));
            let worst = traces.max_by_key(|trace| trace.clipped());
            self.widen(&job.channels[clipped], &mut levels[clipped], worst, round)?;
        }
        // `widen` refuses in the last round, so this is only reached if rounds were none.
        Err(ScopeError::CannotDo { asked: "a capture".into(), can: "no try was left".into() })
    }

    fn widen(
        &mut self,
        plan: &ChannelPlan,
        level: &mut Level,
        worst: Option<&Trace>,
        round: u32,
    ) -> Result<(), ScopeError> {
        let wider = plan::fit(
            &self.dialect,
            plan.point.probe_factor,
            Level { volts_a_division: level.volts_a_division * WIDEN, centre_v: level.centre_v },
        );
        let refuse = |why: String| ScopeError::Clipped {
            signal: plan.signal(),
            channel: plan.input.label.clone(),
            codes: worst.map_or(0, Trace::clipped),
            volts_a_division: level.volts_a_division,
            why,
        };
        if wider.volts_a_division <= level.volts_a_division {
            return Err(refuse(
                "its least sensitive setting; take a probe of a greater factor, or check the point".into(),
            ));
        }
        if round >= WIDENINGS {
            return Err(refuse(format!("after {WIDENINGS} larger ranges; check the expected volts in the hookup")));
        }
        tracing::info!(signal = %plan.signal(), "clipped; trying {} V a division", wider.volts_a_division);
        self.learned.insert(Self::key(&plan.point), wider);
        *level = wider;
        Ok(())
    }

    /// Goes back to the expected range where a wider one was learned and no trace needs it. Whether it did.
    fn narrow(&mut self, job: &Job<'_>, levels: &mut [Level], captures: &[Capture]) -> bool {
        let mut narrowed = false;
        for (place, (plan, level)) in job.channels.iter().zip(levels).enumerate() {
            let Some(expected) =
                plan.level.filter(|expected| expected.volts_a_division < 0.99 * level.volts_a_division)
            else {
                continue;
            };
            let half_v = 0.45 * self.dialect.limits.level_divisions * expected.volts_a_division;
            let fits = |capture: &Capture| {
                // A coarse step shows noise as volts, and a coarse range its offset error: neither counts.
                capture.traces.get(place).is_none_or(|trace| {
                    let slack_v = 1.5 * trace.gain_v.abs() + 2.0 * trace.offset_uncertainty_v;
                    let inside = |(low, high)| {
                        low + slack_v > expected.centre_v - half_v && high - slack_v < expected.centre_v + half_v
                    };
                    trace.volt_range().is_none_or(inside)
                })
            };
            if captures.iter().all(fits) {
                self.learned.remove(&Self::key(&plan.point));
                *level = expected;
                narrowed = true;
            }
        }
        narrowed
    }

    /// What a learned range belongs to: the same point with the same expectation.
    fn key(point: &Point) -> String {
        format!(
            "{} {} {} {:?} {:?} {:?}",
            point.signal,
            point.channel,
            point.probe_factor,
            point.expected_v,
            point.middle_v,
            point.coupling()
        )
    }

    /// Ranges of the channels: learned, expected, or looked for.
    async fn levels(&mut self, job: &Job<'_>) -> Result<Vec<Level>, ScopeError> {
        let known =
            |scope: &Self, plan: &ChannelPlan| scope.learned.get(&Self::key(&plan.point)).copied().or(plan.level);
        if job.channels.iter().any(|plan| known(self, plan).is_none()) {
            self.look(job).await?;
        }
        Ok(job
            .channels
            .iter()
            .map(|plan| known(self, plan).unwrap_or_else(|| plan::widest(&self.dialect, &plan.point)))
            .collect())
    }

    /// Looks at the channels of unknown level, in free run, until each fills its range or the most
    /// sensitive one is reached.
    async fn look(&mut self, job: &Job<'_>) -> Result<(), ScopeError> {
        let channels: Vec<ChannelPlan> = job
            .channels
            .iter()
            .filter(|plan| plan.level.is_none() && !self.learned.contains_key(&Self::key(&plan.point)))
            .cloned()
            .collect();
        let peak = self.dialect.limits.peak_pulse_s.is_some();
        let mut request = CaptureRequest::free(
            channels.iter().map(ChannelPlan::signal).collect::<Vec<_>>(),
            job.request.span_s.min(LONGEST_LOOK_S).max(self.dialect.limits.least_span_s),
        );
        request.detection = if peak { Detection::Peak } else { Detection::Sample };
        let most = (self.dialect.limits.greatest_rate_hz * request.span_s).max(2.0) as u32;
        request.least_points = LOOK_POINTS.min(self.dialect.limits.greatest_points).min(most);
        let time = plan::time(&self.dialect, &request)?;
        let mut levels: Vec<Level> = channels.iter().map(|plan| plan::widest(&self.dialect, &plan.point)).collect();
        let look = Job { hookup: job.hookup, request: &request, channels, time, trigger: None };
        for _ in 0..LOOKS {
            let captures = self.series(&look, &levels).await?;
            let Some(capture) = captures.first() else { break };
            let mut settled = true;
            for ((trace, plan), level) in capture.traces.iter().zip(&look.channels).zip(&mut levels) {
                let next = self.next_look(trace, plan, level)?;
                // Within a third is good enough; a range that only shrinks ends at the most sensitive.
                settled &= trace.clipped() == 0 && next.volts_a_division > level.volts_a_division * 0.66;
                *level = next;
            }
            if settled {
                break;
            }
        }
        for (plan, level) in look.channels.iter().zip(levels) {
            self.learned.insert(Self::key(&plan.point), level);
        }
        Ok(())
    }

    fn next_look(&self, trace: &Trace, plan: &ChannelPlan, level: &Level) -> Result<Level, ScopeError> {
        let Some((low_v, high_v)) = trace.volt_range() else { return Ok(*level) };
        if trace.clipped() > 0 {
            let wider = Level { volts_a_division: level.volts_a_division * 4.0, centre_v: level.centre_v };
            let wider = plan::fit(&self.dialect, plan.point.probe_factor, wider);
            if wider.volts_a_division <= level.volts_a_division {
                return Err(ScopeError::Clipped {
                    signal: plan.signal(),
                    channel: plan.input.label.clone(),
                    codes: trace.clipped(),
                    volts_a_division: level.volts_a_division,
                    why: "its least sensitive setting; take a probe of a greater factor, or check the point".into(),
                });
            }
            return Ok(wider);
        }
        // What spans a few steps is known only to a step: one on either side is allowed for.
        let step = trace.gain_v.abs();
        let next = plan::seen_level(&self.dialect, &plan.point, low_v - step, high_v + step);
        // One look never narrows by more than 16, since a coarse step hides what it is.
        let most = plan::fit(
            &self.dialect,
            plan.point.probe_factor,
            Level { volts_a_division: level.volts_a_division / 16.0, centre_v: 0.0 },
        );
        Ok(Level { volts_a_division: next.volts_a_division.max(most.volts_a_division), centre_v: next.centre_v })
    }

    /// All acquisitions of a job at given ranges.
    async fn series(&mut self, job: &Job<'_>, levels: &[Level]) -> Result<Vec<Capture>, ScopeError> {
        let mut captures = Vec::new();
        let mut standings: Option<Stands> = None;
        let mut tries = 0;
        self.careful = false;
        while captures.len() < job.request.count as usize {
            let taken = self.one(job, levels, &mut standings).await;
            match taken {
                Ok(capture) => {
                    tries = 0;
                    let clipped = capture.traces.iter().any(|trace| trace.clipped() > 0);
                    captures.push(capture);
                    if clipped {
                        // The rest would be taken at a range that is known to be wrong.
                        break;
                    }
                }
                Err(error) if error.is_fault() && tries + 1 < TRIES => {
                    tries += 1;
                    // What was set before a fault may be gone; and from now on each step is proven by itself, so
                    // that the one that fails is known.
                    standings = None;
                    self.forget_set_up();
                    self.careful = true;
                    if error.is_refusal() {
                        self.force = Force::Absent;
                    }
                    tracing::warn!("acquisition spoilt: {error}; trying again");
                }
                Err(error) => {
                    self.forget_set_up();
                    return Err(error);
                }
            }
        }
        Ok(captures)
    }

    /// After a fault nothing that was told to the scope is taken to stand.
    fn forget_set_up(&mut self) {
        self.stood = None;
        self.parts.clear();
        self.wanted.clear();
    }

    async fn one(
        &mut self,
        job: &Job<'_>,
        levels: &[Level],
        standings: &mut Option<Stands>,
    ) -> Result<Capture, ScopeError> {
        let fresh = self.session.fresh().await;
        fresh.map_err(|source| self.failed("find the place in the conversation", source))?;
        // What was set before the place was lost may be gone with whatever lost it.
        let found = standings.take().filter(|stands| stands.resyncs == self.session.resyncs());
        let standing = match found {
            Some(stands) => stands.channels,
            None => {
                // What the event register held before is of no matter.
                let asked = self.session.restarted().await;
                if asked.map_err(|source| self.failed("read the event register", source))? {
                    self.stood = None;
                }
                self.set_up(&job.channels, levels, &job.time, job.request, job.trigger.as_ref(), job.hookup).await?
            }
        };
        let text = Self::trigger_text(job.request, job.trigger.as_ref());
        let opened = self.session.reopened();
        let (trigger, traces) = self.take_record(job, &standing, &text).await?;
        if self.session.reopened() != opened {
            return Err(ScopeError::gone(
                "the capture",
                "the link was opened anew meanwhile: the record may be another",
            ));
        }
        *standings = Some(Stands { channels: standing.clone(), resyncs: self.session.resyncs() });
        let channels = job.channels.iter().zip(&standing).map(|(plan, standing)| ChannelSetup {
            signal: plan.signal(),
            channel: plan.input.label.clone(),
            probe_factor: plan.point.probe_factor,
            coupling: plan.point.coupling(),
            step_v: standing.volts_a_division / self.dialect.limits.steps_a_division,
            centre_v: standing.centre_v,
        });
        let setup = Setup {
            instrument: self.identity.to_string(),
            dialect: self.dialect.name.clone(),
            channels: channels.collect(),
            span_s: job.time.span_s,
            before_s: job.time.before_s,
            points: job.time.points,
            detection: job.request.detection,
            request: job.request.clone(),
        };
        Ok(Capture {
            trigger_s: trigger.at_s,
            trigger_uncertainty_s: trigger.uncertainty_s,
            timebase_uncertainty: self.dialect.limits.timebase_tolerance / 3_f64.sqrt(),
            triggered: job.request.trigger != Trigger::Free,
            traces,
            setup,
        })
    }
}
