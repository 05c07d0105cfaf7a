//! Arming, waiting and the end of a record, each looked at by itself.

use super::compare::{about_answer, about_complaint};
use super::message::IN_A_MESSAGE;
use super::settings::named;
use super::{Draft, ScopeError, TrialOutcome, Walk};
use crate::causes::chain;
use crate::dialect::{Op, Slot, State, Values};
use crate::scpi::OperationComplete;
use core::time::Duration;

/// Seconds a division of the records that are looked at.
pub(super) const DIVISION_S: f64 = 1e-3;
/// Seconds a division of the record that `*OPC?` is tried on: long enough to tell waiting from not.
const SLOW_DIVISION_S: f64 = 0.05;
/// The row of a state that is told late.
const LAG: &str = "manners.state-lag-s";
/// Why what needs a record was not tried.
pub(super) const NO_RECORD: &str = "no record came to its end";
/// How long a record may take beyond its length.
pub(super) const PATIENCE: Duration = Duration::from_secs(3);
/// Pause between questions for the state.
pub(super) const PAUSE: Duration = Duration::from_millis(10);
/// A trigger level that nothing reaches, in divisions of the least sensitive range; it is still on the converter.
const FAR_DIVISIONS: f64 = 4.5;
/// How long a trigger that cannot come is waited for.
const WAIT: Duration = Duration::from_millis(100);

impl Walk<'_> {
    pub(super) async fn records(&mut self) -> Result<(), ScopeError> {
        let Some(input) = self.scope.dialect.channels().next().cloned() else { return Ok(()) };
        let name = named(&input);
        self.come_to_rest(&name, 1.0, 0.0, DIVISION_S).await?;
        if !self.shot().await? {
            let behind = [
                "the scaling",
                Op::AskData.key(),
                "manners.short-readings",
                "volts at other settings",
                "the edge of a trigger",
            ];
            for what in [&behind[..], &IN_A_MESSAGE, &["manners.operation-complete", LAG]] {
                self.not_tried(what, NO_RECORD);
            }
            return Ok(());
        }
        self.waiting(&input.trigger, &name).await?;
        let scaled = self.scaling(&name).await?;
        let read = self.parts(&name).await?;
        self.messages(&name).await?;
        if scaled && read {
            self.other_settings(&name).await?;
            self.edges().await?;
        }
        self.operation_complete().await?;
        self.state_lag(&name).await
    }

    /// While a record fills, the state must not be the one that the record before ended with: not later, after
    /// arming, than the file says.
    async fn state_lag(&mut self, name: &Values) -> Result<(), ScopeError> {
        let says_s = self.scope.dialect.profile.state_lag.as_secs_f64();
        let mut draft = Draft::new(LAG, format!("another state than done, {says_s} s after arming and later"));
        self.come_to_rest(name, 1.0, 0.0, DIVISION_S).await?;
        let rows = self.rows.len();
        if !self.shot().await? {
            self.not_tried(&[LAG], NO_RECORD);
            return Ok(());
        }
        self.rows.truncate(rows);
        self.come_to_rest(name, 1.0, 0.0, SLOW_DIVISION_S).await?;
        let arm = self.scope.dialect.render(Op::Arm, &Values::new()).unwrap_or_default();
        let question = self.scope.dialect.render(Op::AskState, &Values::new()).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(()) };
        let sent = self.scope.session.commands(&arm).await;
        sent.map_err(|source| self.scope.failed("arm the scope", source))?;
        let armed = self.scope.clock.now();
        self.scope.clock.sleep(self.scope.dialect.profile.state_lag).await;
        // The record is not whole before this.
        let fills_s = 0.9 * SLOW_DIVISION_S * self.scope.dialect.limits.time_divisions;
        let mut asked = Draft::new("", "");
        let mut lags_s: Option<f64> = None;
        loop {
            let after_s = self.scope.clock.now().since(armed).as_secs_f64();
            let text = match self.ask(&mut asked, &question).await? {
                Ok(text) => text,
                Err(why) => {
                    self.not_tried(&[LAG], &why);
                    return Ok(());
                }
            };
            if self.state_told(&text) != Some(State::Done) || after_s >= fills_s {
                break;
            }
            lags_s = Some(after_s);
            self.scope.clock.sleep(PAUSE).await;
        }
        draft.sent.push(format!("{question} while a record of {:.1} s fills", fills_s / 0.9));
        let row = match lags_s {
            None => draft.good(),
            Some(lags_s) => {
                draft.came.push(format!("done, still {lags_s:.2} s after arming"));
                draft.differs(format!(
                    "the state of the record before is told so long: set manners.state-lag-s to more than {lags_s:.2}, and look the words of [state] up"
                ))
            }
        };
        self.rows.push(row);
        if let Err(error) = self.scope.halt().await {
            self.rows.push(Draft::new(Op::Stop, "no complaint").differs(chain(&error)));
        }
        Ok(())
    }

    /// Sets a range, a middle and a time base, in free run; complaints were told by the rows before.
    pub(super) async fn come_to_rest(
        &mut self,
        name: &Values,
        division_v: f64,
        centre_v: f64,
        division_s: f64,
    ) -> Result<(), ScopeError> {
        let full_v = self.scope.dialect.limits.full_scale(division_v);
        let values = name
            .clone()
            .number(Slot::VoltsADivision, division_v)
            .number(Slot::FullScale, full_v)
            .number(Slot::Centre, centre_v);
        let (time, ..) = self.timebase(division_s, 0.0);
        let none = Values::new();
        let ops = [
            (Op::Stop, &none),
            (Op::Range, &values),
            (Op::Offset, &values),
            (Op::Sample, &none),
            (Op::Points, &time),
            (Op::Timebase, &time),
            (Op::TriggerFree, &none),
            (Op::Format8, &none),
        ];
        let mut quiet = Draft::new("", "");
        for (op, values) in ops {
            let words = self.scope.dialect.render(op, values).unwrap_or_default();
            self.send(&mut quiet, &words).await?;
        }
        Ok(())
    }

    /// Arms and waits for the end of a record in free run; rows for arming and for the state. Whether it came.
    pub(super) async fn shot(&mut self) -> Result<bool, ScopeError> {
        let Some(words) = self.words(Op::Arm, &Values::new(), "no complaint") else { return Ok(false) };
        let mut draft = Draft::new(Op::Arm, "no complaint");
        let complaints = self.send(&mut draft, &words).await?;
        let armed =
            if complaints.is_empty() { draft.good() } else { draft.differs(about_complaint(Op::Arm, &complaints)) };
        let armed_well = armed.outcome == TrialOutcome::Ok;
        self.rows.push(armed);
        if !armed_well {
            return Ok(false);
        }
        if let Some(words) = self.words(Op::Force, &Values::new(), "no complaint") {
            let mut draft = Draft::new(Op::Force, "no complaint; a scope that triggered by itself may say that it did");
            let complaints = self.send(&mut draft, &words).await?;
            // -211: it had triggered already.
            let bad = complaints.iter().any(|complaint| complaint.starts_with("-1"));
            let row = if bad { draft.differs(about_complaint(Op::Force, &complaints)) } else { draft.good() };
            self.rows.push(row);
        }
        let Some(question) = self.words(Op::AskState, &Values::new(), "").and_then(|mut list| list.pop()) else {
            return Ok(false);
        };
        let mut draft = Draft::new(Op::AskState, "states that the file knows, and in the end one that means done");
        draft.sent.push(question.text().to_owned());
        let until = self.scope.clock.now() + PATIENCE;
        let lag = self.scope.dialect.profile.state_lag;
        self.scope.clock.sleep(lag).await;
        loop {
            let mut asked = Draft::new("", "");
            let told = self.ask(&mut asked, &question).await?;
            let text = match &told {
                Ok(text) => text.clone(),
                Err(why) => {
                    draft.came.push(why.clone());
                    let row = draft.differs(about_answer("commands.ask-state", question.text(), Err(why)));
                    self.rows.push(row);
                    return Ok(false);
                }
            };
            if draft.came.last() != Some(&text) {
                draft.came.push(text.clone());
            }
            match self.state_told(&text) {
                None => {
                    let advice =
                        format!("`{text}` is no state that the file knows: add it to [state], with what it means");
                    self.rows.push(draft.differs(advice));
                    return Ok(false);
                }
                Some(State::Done) => {
                    self.rows.push(draft.good());
                    return Ok(true);
                }
                Some(_) if self.scope.clock.now() >= until => {
                    let advice = "the record never came to its end: look at commands.arm and commands.trigger-free, and \
                                  at what its last state means in [state]";
                    self.rows.push(draft.differs(advice));
                    return Ok(false);
                }
                Some(_) => self.scope.clock.sleep(PAUSE).await,
            }
        }
    }

    /// A trigger that cannot come: the state must be one that means waiting.
    async fn waiting(&mut self, trigger: &str, name: &Values) -> Result<(), ScopeError> {
        let division_v = self.scope.dialect.limits.greatest_volts_a_division;
        let mut draft = Draft::new(Op::AskState, "a state that means waiting, while no trigger can come");
        self.come_to_rest(name, division_v, 0.0, DIVISION_S).await?;
        let values = Values::new()
            .word(Slot::Source, trigger)
            .word(Slot::Slope, "POSitive")
            .number(Slot::Level, FAR_DIVISIONS * division_v);
        let mut quiet = Draft::new("", "");
        for (op, values) in [(Op::TriggerEdge, &values), (Op::Arm, &Values::new())] {
            let words = self.scope.dialect.render(op, values).unwrap_or_default();
            self.send(&mut quiet, &words).await?;
        }
        self.scope.clock.sleep(self.scope.dialect.profile.state_lag + WAIT).await;
        let question = self.scope.dialect.render(Op::AskState, &Values::new()).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(()) };
        let row = match self.ask(&mut draft, &question).await? {
            Err(why) => draft.differs(about_answer("commands.ask-state", question.text(), Err(&why))),
            Ok(text) => match self.state_told(&text) {
                Some(State::Waiting) => draft.good(),
                Some(_) => {
                    let advice = format!(
                        "`{text}` is told while no trigger can come: check what it means in [state], and commands.trigger-edge"
                    );
                    draft.differs(advice)
                }
                None => {
                    let advice =
                        format!("`{text}` is no state that the file knows: add it to [state], with what it means");
                    draft.differs(advice)
                }
            },
        };
        self.rows.push(row);
        let stop = self.scope.dialect.render(Op::Stop, &Values::new()).unwrap_or_default();
        self.send(&mut quiet, &stop).await?;
        Ok(())
    }

    /// Whether `*OPC?` waits for the end of a record, as the file says.
    async fn operation_complete(&mut self) -> Result<(), ScopeError> {
        let Some(input) = self.scope.dialect.channels().next().cloned() else { return Ok(()) };
        let says = self.scope.dialect.profile.operation_complete;
        let word = |is: OperationComplete| match is {
            OperationComplete::Waits => "waits",
            OperationComplete::AtOnce => "at-once",
            OperationComplete::Absent => "absent",
        };
        let mut draft = Draft::new("manners.operation-complete", format!("`*OPC?`: {}", word(says)));
        self.come_to_rest(&named(&input), 1.0, 0.0, SLOW_DIVISION_S).await?;
        let arm = self.scope.dialect.render(Op::Arm, &Values::new()).unwrap_or_default();
        self.send(&mut Draft::new("", ""), &arm).await?;
        let asked = crate::scpi::Message::new("*OPC?");
        let Ok(asked) = asked else { return Ok(()) };
        draft.sent.push("*OPC? while a record of half a second fills".into());
        let began = self.scope.clock.now();
        let told = self.scope.session.query_within(&asked, PATIENCE).await;
        let after_s = self.scope.clock.now().since(began).as_secs_f64();
        let is = match told {
            Ok(answer) => {
                draft.came.push(format!("`{answer}` after {after_s:.2} s"));
                if after_s > 0.5 * SLOW_DIVISION_S * self.scope.dialect.limits.time_divisions {
                    OperationComplete::Waits
                } else {
                    OperationComplete::AtOnce
                }
            }
            Err(source) => {
                let why = self.survivable(source)?;
                draft.came.push(why);
                OperationComplete::Absent
            }
        };
        let row = if is == says {
            draft.good()
        } else {
            draft.differs(format!("set manners.operation-complete = \"{}\"", word(is)))
        };
        self.rows.push(row);
        let quiet = self.scope.halt().await;
        if let Err(error) = quiet {
            self.rows.push(Draft::new(Op::Stop, "no complaint").differs(chain(&error)));
        }
        Ok(())
    }
}
