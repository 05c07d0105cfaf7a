//! The operations that set something: sent, looked for in the error queue, asked back by their own headers.

use super::compare::{about_answer, about_complaint, cut, same};
use super::{Draft, ScopeError, TrialOutcome, Walk};
use crate::dialect::{Input, Op, RangeIs, Slot, TimebaseIs, Values};
use crate::scpi::{Message, answer};

/// Volts a division that are tried, at the input; the instrument's own limits count.
const DIVISIONS_V: [f64; 3] = [0.1, 0.5, 2.0];
/// Seconds a division that are tried.
const DIVISIONS_S: [f64; 2] = [1e-3, 5e-3];

impl Walk<'_> {
    pub(super) async fn settings(&mut self) -> Result<(), ScopeError> {
        let Some(input) = self.scope.dialect.channels().next().cloned() else { return Ok(()) };
        let name = named(&input);
        self.set(Op::Prepare, &Values::new(), "no complaint").await?;
        self.set(Op::Stop, &Values::new(), "no complaint").await?;
        let channels: Vec<Input> = self.scope.dialect.channels().cloned().collect();
        for (place, input) in channels.iter().enumerate() {
            self.set(Op::ChannelOn, &named(input), "the same when asked").await?;
            if place > 0 {
                self.set(Op::ChannelOff, &named(input), "the same when asked").await?;
            }
        }
        for coupling in ["AC", "DC"] {
            self.set(Op::Coupling, &name.clone().word(Slot::Coupling, coupling), "the same when asked").await?;
        }
        for probe in [10.0, 1.0] {
            self.set(Op::Probe, &name.clone().number(Slot::Probe, probe), "the same when asked").await?;
        }
        self.ranges(&name).await?;
        self.set(Op::Sample, &Values::new(), "the same when asked").await?;
        self.set(Op::Peak, &Values::new(), "the same when asked").await?;
        self.set(Op::Sample, &Values::new(), "the same when asked").await?;
        self.points().await?;
        self.timebases().await?;
        self.triggers().await?;
        self.set(Op::Format16, &Values::new(), "the same when asked").await?;
        self.set(Op::Format8, &Values::new(), "the same when asked").await?;
        self.set(Op::Select, &name, "the same when asked").await?;
        self.short_words();
        Ok(())
    }

    /// Sends an operation and asks each of its settings back.
    async fn set(&mut self, op: Op, values: &Values, expected: &str) -> Result<(), ScopeError> {
        let Some(words) = self.words(op, values, expected) else { return Ok(()) };
        let mut draft = Draft::new(op, expected);
        let complaints = self.send(&mut draft, &words).await?;
        if !complaints.is_empty() {
            self.rows.push(draft.differs(about_complaint(op, &complaints)));
            return Ok(());
        }
        let row = self.asked_back(op, draft, &words).await?;
        self.rows.push(row);
        self.in_short(&words, None).await
    }

    /// Asks what was set by the same headers. A setting that cannot be asked is no fault of the file.
    async fn asked_back(&mut self, op: Op, mut draft: Draft, words: &[Message]) -> Result<super::TrialRow, ScopeError> {
        if self.scope.dialect.not_answered.contains(&op) {
            return Ok(draft.good());
        }
        for message in words {
            let Some((header, set)) = cut(message) else { continue };
            // Later commands of the same header count.
            let later = words.iter().rev().find(|other| cut(other).is_some_and(|(other, _)| other == header));
            if later != Some(message) {
                continue;
            }
            let Ok(question) = Message::raw(format!("{header}?")) else { continue };
            let told = self.ask(&mut draft, &question).await?;
            let key = format!("commands.{op}");
            match &told {
                Ok(told) if same(&set, told) => {}
                Ok(told) if answer::without_header(question.text(), told) != told => {
                    return Ok(draft.differs(about_answer(&key, question.text(), Ok(told))));
                }
                Ok(told) => {
                    let advice = format!(
                        "`{}` was set, and `{told}` is told: look the words of {key} up, and whether `{header}?` asks for them",
                        set.join(",")
                    );
                    return Ok(draft.differs(advice));
                }
                Err(why) => {
                    let advice = format!(
                        "`{header}?` is not answered ({why}): if this setting cannot be asked, name \"{op}\" in read-back.not-answered"
                    );
                    return Ok(draft.differs(advice));
                }
            }
        }
        Ok(draft.good())
    }

    /// Sends an operation and asks the question that belongs to it; the number that came.
    async fn set_and_ask(
        &mut self,
        draft: &mut Draft,
        set: (Op, &Values),
        ask: (Op, &Values),
    ) -> Result<Result<f64, String>, ScopeError> {
        let words = self.scope.dialect.render(set.0, set.1).unwrap_or_default();
        let complaints = self.send(draft, &words).await?;
        if !complaints.is_empty() {
            return Ok(Err(about_complaint(set.0, &complaints)));
        }
        let question = self.scope.dialect.render(ask.0, ask.1).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(Err(format!("commands.{} cannot be built", ask.0))) };
        let told = self.ask(draft, &question).await?;
        self.in_short(&words, None).await?;
        if let Ok(told) = &told {
            self.in_short(core::slice::from_ref(&question), Some(told)).await?;
        }
        let key = format!("commands.{}", ask.0);
        Ok(match &told {
            Ok(text) => answer::value(text).map_err(|_| about_answer(&key, question.text(), Ok(text))),
            Err(why) => Err(about_answer(&key, question.text(), Err(why))),
        })
    }

    async fn ranges(&mut self, name: &Values) -> Result<(), ScopeError> {
        let limits = self.scope.dialect.limits.clone();
        let (least_v, greatest_v) = (limits.least_volts_a_division, limits.greatest_volts_a_division);
        for volts in [least_v].into_iter().chain(DIVISIONS_V).chain([greatest_v]) {
            let division_v = volts.clamp(least_v, greatest_v);
            let full_v = limits.full_scale(division_v);
            let values = name.clone().number(Slot::VoltsADivision, division_v).number(Slot::FullScale, full_v);
            let (expected_v, what) = match self.scope.dialect.range_is {
                RangeIs::VoltsADivision => (division_v, "V a division"),
                RangeIs::FullScale => (full_v, "V over all steps"),
            };
            let mut draft = Draft::new(Op::Range, format!("{expected_v} {what}"));
            let told = self.set_and_ask(&mut draft, (Op::Range, &values), (Op::AskRange, name)).await?;
            self.number_row(draft, told, expected_v, "[limits] and read-back.range, or the words of commands.range");
            // The middle, a division off: the offset as the file has it.
            let centre_v = division_v;
            let values = values.number(Slot::Centre, centre_v);
            let mut draft = Draft::new(Op::Offset, format!("{centre_v} V at the middle of the screen"));
            let told = self.set_and_ask(&mut draft, (Op::Offset, &values), (Op::AskOffset, name)).await?;
            let told = told.map(|told| self.scope.dialect.centre_of(told, division_v));
            self.number_row(draft, told, centre_v, "read-back.offset, or the words of commands.offset");
        }
        Ok(())
    }

    async fn points(&mut self) -> Result<(), ScopeError> {
        let limits = self.scope.dialect.limits.clone();
        for points in [limits.least_points, limits.greatest_points, limits.usual_points] {
            let values = Values::new().number(Slot::Points, f64::from(points));
            let mut draft = Draft::new(Op::Points, format!("{points} points"));
            let told = self.set_and_ask(&mut draft, (Op::Points, &values), (Op::AskPoints, &Values::new())).await?;
            self.number_row(
                draft,
                told,
                f64::from(points),
                "the point counts in [limits], or the words of commands.points",
            );
        }
        let values = Values::new().number(Slot::Points, f64::from(limits.usual_points));
        let mut quiet = Draft::new(Op::Points, "");
        self.set_and_ask(&mut quiet, (Op::Points, &values), (Op::AskPoints, &Values::new())).await.map(|_told| ())
    }

    async fn timebases(&mut self) -> Result<(), ScopeError> {
        let limits = &self.scope.dialect.limits;
        // The shortest record that the greatest rate still fills.
        let least_s = limits.least_span_s.max(f64::from(limits.usual_points) / limits.greatest_rate_hz);
        let ends_s = [
            limits.span_steps.at_least(least_s / limits.time_divisions),
            limits.greatest_span_s / limits.time_divisions,
        ];
        for division_s in ends_s.into_iter().chain(DIVISIONS_S) {
            let (values, expected_s, what) = self.timebase(division_s, 0.0);
            let mut draft = Draft::new(Op::Timebase, format!("{expected_s} {what}"));
            let told = self.set_and_ask(&mut draft, (Op::Timebase, &values), (Op::AskTimebase, &Values::new())).await?;
            self.number_row(draft, told, expected_s, "read-back.timebase, or the words of commands.timebase");
        }
        Ok(())
    }

    /// Values for a time base of so many seconds a division, and what its question is expected to tell.
    pub(super) fn timebase(&self, division_s: f64, before_s: f64) -> (Values, f64, &'static str) {
        let limits = &self.scope.dialect.limits;
        let span_s = division_s * limits.time_divisions;
        let points = f64::from(limits.usual_points);
        let (interval_s, between_s) = (span_s / points, span_s / points * (points - 1.0));
        let values = Values::new()
            .number(Slot::Points, points)
            .number(Slot::SecondsADivision, division_s)
            .number(Slot::Span, between_s)
            .number(Slot::Interval, interval_s)
            .number(Slot::CentreTime, span_s / 2.0 - before_s)
            .number(Slot::Reference, (before_s / between_s).clamp(0.0, 1.0))
            .number(Slot::ReferenceOffset, 0.0);
        let (expected_s, what) = match self.scope.dialect.timebase_is {
            TimebaseIs::SecondsADivision => (division_s, "s a division"),
            TimebaseIs::Interval => (interval_s, "s from point to point"),
            TimebaseIs::Span => (span_s, "s in all"),
        };
        (values, expected_s, what)
    }

    async fn triggers(&mut self) -> Result<(), ScopeError> {
        let Some(input) = self.scope.dialect.inputs.first().cloned() else { return Ok(()) };
        let base =
            Values::new().word(Slot::Source, &input.trigger).number(Slot::Level, 0.25).number(Slot::Lines, 525.0);
        for slope in ["NEGative", "POSitive"] {
            self.set(Op::TriggerEdge, &base.clone().word(Slot::Slope, slope), "the same when asked").await?;
        }
        let others: Vec<Input> = self.scope.dialect.inputs.iter().skip(1).cloned().collect();
        for other in others {
            let values = base.clone().word(Slot::Source, &other.trigger).word(Slot::Slope, "POSitive");
            self.set(Op::TriggerEdge, &values, "the same when asked").await?;
        }
        for field in [1.0, 2.0] {
            self.set(Op::TriggerField, &base.clone().number(Slot::Field, field), "the same when asked").await?;
        }
        self.set(Op::TriggerAnyField, &base, "the same when asked").await?;
        self.set(Op::TriggerLine, &base.clone().number(Slot::Line, 17.0), "the same when asked").await?;
        self.set(Op::TriggerFree, &Values::new(), "the same when asked").await
    }

    /// A row for a number that was set and asked.
    fn number_row(&mut self, mut draft: Draft, told: Result<f64, String>, expected: f64, where_: &str) {
        let row = match told {
            Ok(told) if (told - expected).abs() <= 0.01 * expected.abs().max(told.abs()) => draft.good(),
            Ok(told) => draft.differs(format!("{told} is told where {expected} was set: look at {where_}")),
            Err(advice) => {
                if draft.came.is_empty() {
                    draft.came.push("nothing".into());
                }
                draft.end(TrialOutcome::Differs, Some(advice))
            }
        };
        self.rows.push(row);
    }
}

/// Values that name a channel.
pub(super) fn named(input: &Input) -> Values {
    Values::new().word(Slot::Channel, &input.label).number(Slot::Number, f64::from(input.number.unwrap_or(1)))
}
