//! Setting up: channels, time base, trigger; each setting that matters is read back, since
//! instruments round.

use super::plan::{ChannelPlan, Level, TimePlan, TriggerPlan};
use super::{Scope, ScopeError};
use crate::dialect::{Op, RangeIs, Slot, TimebaseIs, Values};
use crate::hookup::{Coupling, Hookup};
use crate::request::{CaptureRequest, Detection, Slope, Trigger};
use crate::scpi::answer;
use core::time::Duration;

/// How a channel stands, read back; volts at the test point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Standing {
    pub(super) volts_a_division: f64,
    pub(super) centre_v: f64,
}

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

    /// Sets everything up and reads it back.
    pub(super) async fn set_up(
        &mut self,
        channels: &[ChannelPlan],
        levels: &[Level],
        time: &TimePlan,
        request: &CaptureRequest,
        trigger: Option<&TriggerPlan>,
        hookup: &Hookup,
    ) -> Result<Vec<Standing>, ScopeError> {
        self.group(Op::Stop, &Values::new(), "stop what runs").await?;
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
        self.groups(&others, "switch off the channels that are not asked for").await?;
        for (plan, level) in channels.iter().zip(levels) {
            self.set_channel(plan, level).await?;
        }
        // A trigger on a channel that is not sampled still needs that channel to stand right.
        if let Some(source) = trigger.filter(|source| !source.input.trigger_only)
            && channels.iter().all(|plan| plan.input.label != source.input.label)
        {
            let found = super::plan::channels(&self.dialect, hookup, &[source.signal])?;
            for plan in found {
                let level = plan.level.unwrap_or_else(|| super::plan::widest(&self.dialect, &plan.point));
                self.set_channel(&plan, &level).await?;
            }
        }
        self.set_time(time, request).await?;
        self.set_trigger(request, trigger, hookup).await?;
        let mut standings = Vec::new();
        for (plan, level) in channels.iter().zip(levels) {
            standings.push(self.read_channel(plan, level).await?);
        }
        self.read_time(time).await?;
        self.words_proven = true;
        self.clock.sleep(Duration::from_secs_f64(self.dialect.limits.settle_s)).await;
        Ok(standings)
    }

    /// Volts as the instrument means them, of volts at the test point.
    fn told(&self, plan: &ChannelPlan, volts: f64) -> f64 {
        if self.dialect.volts_at_tip { volts } else { volts / plan.point.probe_factor }
    }

    async fn set_channel(&mut self, plan: &ChannelPlan, level: &Level) -> Result<(), ScopeError> {
        let name = Self::channel_values(plan);
        let coupling = if plan.point.coupling() == Coupling::Ac { "AC" } else { "DC" };
        let full = self.dialect.limits.full_scale(level.volts_a_division);
        let range = name
            .clone()
            .number(Slot::VoltsADivision, self.told(plan, level.volts_a_division))
            .number(Slot::FullScale, self.told(plan, full));
        let ops = [
            (Op::ChannelOn, name.clone()),
            (Op::Coupling, name.clone().word(Slot::Coupling, coupling)),
            (Op::Probe, name.clone().number(Slot::Probe, plan.point.probe_factor)),
            (Op::Range, range),
            (Op::Offset, name.number(Slot::Centre, self.told(plan, level.centre_v))),
        ];
        self.groups(&ops, &format!("set up {} for `{}`", plan.input.label, plan.signal())).await
    }

    async fn set_time(&mut self, time: &TimePlan, request: &CaptureRequest) -> Result<(), ScopeError> {
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
        let ops = [(detection, none.clone()), (Op::Points, values.clone()), (Op::Timebase, values), (format, none)];
        self.groups(&ops, "set up the time base").await
    }

    async fn set_trigger(
        &mut self,
        request: &CaptureRequest,
        plan: Option<&TriggerPlan>,
        hookup: &Hookup,
    ) -> Result<(), ScopeError> {
        let Some(plan) = plan else {
            return self.group(Op::TriggerFree, &Values::new(), "let the scope run free").await;
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
        self.group(op, &values, &format!("set the trigger to {}", Self::trigger_text(request, Some(plan)))).await
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

    async fn ask_number(&mut self, op: Op, values: &Values, doing: &str) -> Result<f64, ScopeError> {
        let message = self.built(op, values, doing)?;
        let answer = self.session.query_as(&message, answer::value).await;
        answer.map_err(|source| self.failed(doing, source))
    }

    async fn read_channel(&mut self, plan: &ChannelPlan, level: &Level) -> Result<Standing, ScopeError> {
        let label = &plan.input.label;
        let name = Self::channel_values(plan);
        let back = if self.dialect.volts_at_tip { 1.0 } else { plan.point.probe_factor };
        let range = self.ask_number(Op::AskRange, &name, &format!("read back the range of {label}")).await? * back;
        let centre_v = self.ask_number(Op::AskOffset, &name, &format!("read back the offset of {label}")).await? * back;
        let volts_a_division = match self.dialect.range_is {
            RangeIs::VoltsADivision => range,
            RangeIs::FullScale => range * self.dialect.limits.steps_a_division / self.dialect.limits.steps(),
        };
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

    /// Reads the time base back; the seconds from point to point that it means.
    async fn read_time(&mut self, time: &TimePlan) -> Result<(), ScopeError> {
        let is = self.ask_number(Op::AskTimebase, &Values::new(), "read back the time base").await?;
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
