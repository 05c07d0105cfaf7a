//! Setting up: channels, time base, trigger; each setting that matters is read back, since
//! instruments round.

use super::plan::{ChannelPlan, Level, TimePlan, TriggerPlan};
use super::sure::Slack;
use super::{Scope, ScopeError};
use crate::dialect::{Op, RangeIs, Slot, TimebaseIs, Values};
use crate::hookup::{Coupling, Hookup};
use crate::request::{CaptureRequest, Detection, Slope, Trigger};
use crate::scpi::{Message, SessionError, answer};
use core::time::Duration;

/// How a channel stands, read back; volts at the test point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Standing {
    pub(super) volts_a_division: f64,
    pub(super) centre_v: f64,
}

/// How the scope stands since its last whole set-up.
#[derive(Debug, Clone)]
pub(super) struct Stood {
    /// Every message that was sent for it.
    words: Vec<Message>,
    /// What was read back.
    standings: Vec<Standing>,
    /// Resynchronisations up to then: after another, what was set may be gone.
    resyncs: u64,
}

/// What is done, in words, and its operations.
type Step = (String, Vec<(Op, Values)>);

/// How far a read-back setting may lie above what was set: a knob of 1, 2, 5 rounds by at most 2.5.
const MOST_ROUNDING: f64 = 2.6;
/// How far it may lie below.
const LEAST_ROUNDING: f64 = 0.95;

impl Scope {
    /// Values that name a channel.
    pub(super) fn channel_values(plan: &ChannelPlan) -> Values {
        let number = f64::from(plan.input.number.unwrap_or(1));
        Values::new().word(Slot::Channel, &plan.input.label).number(Slot::Number, number)
    }

    /// Sets everything up and reads it back. What stands already is not set again, only read back: a knob
    /// may have been turned.
    pub(super) async fn set_up(
        &mut self,
        channels: &[ChannelPlan],
        levels: &[Level],
        time: &TimePlan,
        request: &CaptureRequest,
        trigger: Option<&TriggerPlan>,
        hookup: &Hookup,
    ) -> Result<Vec<Standing>, ScopeError> {
        let mut steps = self.steps(channels, levels, trigger, hookup)?;
        steps.push(self.time_step(time, request));
        let slack = self.slack(channels, levels, time, trigger);
        let trigger = Self::trigger_step(request, trigger, hookup);
        let mut words = Vec::new();
        for (doing, ops) in steps.iter().chain([&trigger]) {
            words.extend(self.rendered(ops, doing)?);
        }
        if let Some(stood) = self.stood.take()
            && stood.words == words
            && stood.resyncs == self.session.resyncs()
            && !self.careful
        {
            // What triggers cannot be read back in every dialect, so that is said again.
            self.tell(&trigger.1, &trigger.0).await?;
            self.verify(&trigger.1, slack).await?;
            let standings = self.read_back(channels, levels, time).await;
            if standings.is_ok_and(|standings| standings == stood.standings) {
                let standings = stood.standings.clone();
                self.stood = Some(stood);
                return Ok(standings);
            }
        }
        steps.push(trigger);
        self.wanted.clear();
        self.take(&steps, &words).await?;
        for (_, ops) in &steps {
            self.verify(ops, slack).await?;
        }
        let standings = self.read_back(channels, levels, time).await?;
        self.words_proven = true;
        self.clock.sleep(Duration::from_secs_f64(self.dialect.limits.settle_s)).await;
        self.stood = Some(Stood { words, standings: standings.clone(), resyncs: self.session.resyncs() });
        Ok(standings)
    }

    /// How far settings read back may lie from what was set: a knob's step of a tenth of a division of the
    /// trigger's channel, or a hundredth of the level where nothing is known of that.
    fn slack(
        &self,
        channels: &[ChannelPlan],
        levels: &[Level],
        time: &TimePlan,
        trigger: Option<&TriggerPlan>,
    ) -> Slack {
        let division_v = trigger.and_then(|trigger| {
            let place = channels.iter().position(|plan| plan.input.label == trigger.input.label)?;
            Some(self.told(&channels[place], levels[place].volts_a_division))
        });
        let level_v = 0.1 * division_v.unwrap_or(0.0) + trigger.map_or(0.0, |trigger| 0.01 * trigger.level_v.abs());
        Slack { span_s: time.span_s, level_v }
    }

    /// Takes steps: all at once where the instrument takes that, and one by one where it is to be known which
    /// of them it refuses.
    async fn take(&mut self, steps: &[Step], words: &[Message]) -> Result<(), ScopeError> {
        if self.dialect.profile.compound && !self.careful {
            match self.session.group(words).await {
                Ok(()) => return Ok(()),
                Err(SessionError::Refused { .. }) => {}
                Err(source) => return Err(self.failed("set the scope up", source)),
            }
        }
        for (doing, ops) in steps {
            self.groups(ops, doing).await?;
        }
        Ok(())
    }

    /// The steps up to the channels' settings.
    fn steps(
        &self,
        channels: &[ChannelPlan],
        levels: &[Level],
        trigger: Option<&TriggerPlan>,
        hookup: &Hookup,
    ) -> Result<Vec<Step>, ScopeError> {
        let others: Vec<(Op, Values)> = self
            .dialect
            .channels()
            .filter(|input| channels.iter().all(|plan| plan.input.label != input.label))
            .filter(|input| trigger.is_none_or(|trigger| trigger.input.label != input.label))
            .map(|input| {
                let number = f64::from(input.number.unwrap_or(1));
                (Op::ChannelOff, Values::new().word(Slot::Channel, &input.label).number(Slot::Number, number))
            })
            .collect();
        let mut steps = vec![
            ("stop what runs".to_owned(), vec![(Op::Stop, Values::new()), (Op::Prepare, Values::new())]),
            ("switch off the channels that are not asked for".to_owned(), others),
        ];
        steps.extend(channels.iter().zip(levels).map(|(plan, level)| self.channel_step(plan, level)));
        // A trigger on a channel that is not sampled still needs that channel to stand right.
        if let Some(source) = trigger.filter(|source| !source.input.trigger_only)
            && channels.iter().all(|plan| plan.input.label != source.input.label)
        {
            let found = super::plan::channels(&self.dialect, hookup, &[source.signal])?;
            for plan in found {
                let level = plan.level.unwrap_or_else(|| super::plan::widest(&self.dialect, &plan.point));
                steps.push(self.channel_step(&plan, &level));
            }
        }
        Ok(steps)
    }

    /// Volts as the instrument means them, of volts at the test point.
    fn told(&self, plan: &ChannelPlan, volts: f64) -> f64 {
        if self.dialect.volts_at_tip { volts } else { volts / plan.point.probe_factor }
    }

    fn channel_step(&self, plan: &ChannelPlan, level: &Level) -> Step {
        let name = Self::channel_values(plan);
        let coupling = if plan.point.coupling() == Coupling::Ac { "AC" } else { "DC" };
        let full = self.dialect.limits.full_scale(level.volts_a_division);
        let range = name
            .clone()
            .number(Slot::VoltsADivision, self.told(plan, level.volts_a_division))
            .number(Slot::FullScale, self.told(plan, full));
        let ops = vec![
            (Op::ChannelOn, name.clone()),
            (Op::Coupling, name.clone().word(Slot::Coupling, coupling)),
            (Op::Probe, name.clone().number(Slot::Probe, plan.point.probe_factor)),
            (Op::Range, range),
            (
                Op::Offset,
                name.number(Slot::Centre, self.told(plan, level.centre_v))
                    .number(Slot::VoltsADivision, self.told(plan, level.volts_a_division)),
            ),
        ];
        (format!("set up {} for `{}`", plan.input.label, plan.signal()), ops)
    }

    fn time_step(&self, time: &TimePlan, request: &CaptureRequest) -> Step {
        let points = f64::from(time.points);
        let interval = time.span_s / points;
        let between = interval * (points - 1.0);
        let values = Values::new()
            .number(Slot::Points, points)
            .number(Slot::SecondsADivision, time.span_s / self.dialect.limits.time_divisions)
            .number(Slot::Span, between)
            .number(Slot::Interval, interval)
            .number(Slot::CentreTime, time.span_s / 2.0 - time.before_s)
            .number(Slot::Reference, (time.before_s / between).clamp(0.0, 1.0))
            .number(Slot::ReferenceOffset, 0.0);
        let detection = if request.detection == Detection::Peak { Op::Peak } else { Op::Sample };
        let format = if self.data_bits() == 16 { Op::Format16 } else { Op::Format8 };
        let none = Values::new();
        let ops = vec![(detection, none.clone()), (Op::Points, values.clone()), (Op::Timebase, values), (format, none)];
        ("set up the time base".to_owned(), ops)
    }

    fn trigger_step(request: &CaptureRequest, plan: Option<&TriggerPlan>, hookup: &Hookup) -> Step {
        let Some(plan) = plan else {
            return ("let the scope run free".to_owned(), vec![(Op::TriggerFree, Values::new())]);
        };
        let values = Values::new()
            .word(Slot::Source, &plan.input.trigger)
            .number(Slot::Level, plan.level_v)
            .number(Slot::Lines, f64::from(hookup.lines.unwrap_or(0)));
        let (op, values) = match request.trigger {
            Trigger::Edge(edge) => {
                let slope = if edge.slope == Slope::Rising { "POSitive" } else { "NEGative" };
                (Op::TriggerEdge, values.word(Slot::Slope, slope))
            }
            Trigger::Field(0) => (Op::TriggerAnyField, values),
            Trigger::Field(field) => (Op::TriggerField, values.number(Slot::Field, f64::from(field))),
            Trigger::Line(line) => (Op::TriggerLine, values.number(Slot::Line, f64::from(line))),
            Trigger::Free => (Op::TriggerFree, values),
        };
        (format!("set the trigger to {}", Self::trigger_text(request, Some(plan))), vec![(op, values)])
    }

    /// A trigger in words, for messages.
    pub(super) fn trigger_text(request: &CaptureRequest, plan: Option<&TriggerPlan>) -> String {
        let place = plan.map_or_else(String::new, |plan| format!(" of `{}` on {}", plan.signal, plan.input.label));
        match request.trigger {
            Trigger::Free => "free run".into(),
            Trigger::Edge(edge) => {
                let slope = if edge.slope == Slope::Rising { "a rising edge" } else { "a falling edge" };
                let level = plan.map_or(0.0, |plan| plan.level_at_point_v);
                format!("{slope}{place} through {level} V")
            }
            Trigger::Field(0) => format!("any field{place}"),
            Trigger::Field(field) => format!("field {field}{place}"),
            Trigger::Line(line) => format!("line {line}{place}"),
        }
    }

    /// Reads back the settings that matter.
    async fn read_back(
        &mut self,
        channels: &[ChannelPlan],
        levels: &[Level],
        time: &TimePlan,
    ) -> Result<Vec<Standing>, ScopeError> {
        let mut asked = Vec::new();
        for plan in channels {
            let (name, label) = (Self::channel_values(plan), &plan.input.label);
            asked.push((Op::AskRange, name.clone(), format!("read back the range of {label}")));
            asked.push((Op::AskOffset, name, format!("read back the offset of {label}")));
        }
        asked.push((Op::AskTimebase, Values::new(), "read back the time base".to_owned()));
        let told = self.ask_numbers(&asked).await?;
        let mut standings = Vec::new();
        for ((plan, level), told) in channels.iter().zip(levels).zip(told.chunks(2)) {
            standings.push(self.check_channel(plan, level, told)?);
        }
        self.check_span(time, told.last().copied().unwrap_or(f64::NAN))?;
        Ok(standings)
    }

    pub(super) async fn ask_numbers(&mut self, asked: &[(Op, Values, String)]) -> Result<Vec<f64>, ScopeError> {
        let mut messages = Vec::new();
        for (op, values, doing) in asked {
            messages.push(self.built(*op, values, doing)?);
        }
        if self.read_twice {
            let doing = "read the settings back";
            let told = self.agreed(&messages, doing).await?;
            let read = told.iter().zip(&messages).map(|(text, message)| {
                answer::value(text).map_err(|trouble| ScopeError::misfit(format!("`{message}`"), trouble.to_string()))
            });
            return read.collect();
        }
        if self.dialect.profile.compound && !self.careful {
            let told = self.session.query_list(&messages, answer::value).await;
            return told.map_err(|source| self.failed("read the settings back", source));
        }
        let mut told = Vec::new();
        for (message, (_, _, doing)) in messages.iter().zip(asked) {
            let value = self.session.query_as(message, answer::value).await;
            told.push(value.map_err(|source| self.failed(doing, source))?);
        }
        Ok(told)
    }

    fn check_channel(&self, plan: &ChannelPlan, level: &Level, told: &[f64]) -> Result<Standing, ScopeError> {
        let label = &plan.input.label;
        let back = if self.dialect.volts_at_tip { 1.0 } else { plan.point.probe_factor };
        let &[range, offset] = told else {
            return Err(self.strange_state("too few answers"));
        };
        let range = range * back;
        let volts_a_division = match self.dialect.range_is {
            RangeIs::VoltsADivision => range,
            RangeIs::FullScale => range * self.dialect.limits.steps_a_division / self.dialect.limits.steps(),
        };
        let centre_v = self.dialect.centre_of(offset, volts_a_division / back) * back;
        let ratio = volts_a_division / level.volts_a_division;
        if !(LEAST_ROUNDING..=MOST_ROUNDING).contains(&ratio) {
            return Err(ScopeError::Setting {
                what: "the vertical range",
                channel: label.clone(),
                asked: format!("{} V a division", level.volts_a_division),
                is: format!("{volts_a_division} V a division"),
                hint: "check the limits in the dialect, and that nobody works the scope's knobs",
            });
        }
        if (centre_v - level.centre_v).abs() > 0.5 * volts_a_division {
            return Err(ScopeError::Setting {
                what: "the offset",
                channel: label.clone(),
                asked: format!("{} V", level.centre_v),
                is: format!("{centre_v} V"),
                hint: "check the limits in the dialect, and that nobody works the scope's knobs",
            });
        }
        Ok(Standing { volts_a_division, centre_v })
    }

    /// The record must be as long as was set.
    fn check_span(&self, time: &TimePlan, is: f64) -> Result<(), ScopeError> {
        let span_s = match self.dialect.timebase_is {
            TimebaseIs::SecondsADivision => is * self.dialect.limits.time_divisions,
            TimebaseIs::Interval => is * f64::from(time.points),
            TimebaseIs::Span => is,
        };
        if (LEAST_ROUNDING..=MOST_ROUNDING).contains(&(span_s / time.span_s)) {
            return Ok(());
        }
        Err(ScopeError::Setting {
            what: "the length",
            channel: "the record".into(),
            asked: format!("{} s", time.span_s),
            is: format!("{span_s} s"),
            hint: "check the limits in the dialect, and that nobody works the scope's knobs",
        })
    }
}
