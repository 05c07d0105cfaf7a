//! Arming, waiting, scaling and reading, each looked at by itself; then what no read-back shows.

use super::compare::{about_answer, about_complaint};
use super::settings::named;
use super::{Draft, ScopeError, TrialOutcome, TrialRow, Walk, chain};
use crate::dialect::{CodeScale, Formula, Op, PreambleForm, RawPreamble, Slot, State, Values, decode};
use crate::scpi::OperationComplete;
use core::time::Duration;

/// Seconds a division of the records that are looked at.
const DIVISION_S: f64 = 1e-3;
/// Seconds a division of the record that `*OPC?` is tried on: long enough to tell waiting from not.
const SLOW_DIVISION_S: f64 = 0.05;
/// How long a record may take beyond its length.
const PATIENCE: Duration = Duration::from_secs(3);
/// Pause between questions for the state.
const PAUSE: Duration = Duration::from_millis(10);
/// A trigger level that nothing reaches, in divisions of the least sensitive range; it is still on the converter.
const FAR_DIVISIONS: f64 = 4.5;
/// How long a trigger that cannot come is waited for.
const WAIT: Duration = Duration::from_millis(100);
/// Greatest difference of the same volts at other settings, in divisions.
const SAME_DIVISIONS: f64 = 0.35;

/// A record read at one setting: volts as the instrument means them.
struct Seen {
    mean_v: f64,
    clipped: bool,
}

impl Walk<'_> {
    pub(super) async fn records(&mut self) -> Result<(), ScopeError> {
        let Some(input) = self.scope.dialect.channels().next().cloned() else { return Ok(()) };
        let name = named(&input);
        self.come_to_rest(&name, 1.0, 0.0, DIVISION_S).await?;
        if !self.shot().await? {
            for what in ["the scaling", Op::AskData.key(), "volts at other settings"] {
                let row = Draft::new(what, "").end(TrialOutcome::NotTried, Some("no record came to its end".into()));
                self.rows.push(row);
            }
            return Ok(());
        }
        self.waiting(&input.trigger, &name).await?;
        let scaled = self.scaling(&name).await?;
        let read = self.parts(&name).await?;
        if scaled && read {
            self.other_settings(&name).await?;
        }
        self.operation_complete().await
    }

    /// Sets a range, a middle and a time base, in free run; complaints were told by the rows before.
    async fn come_to_rest(
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
    async fn shot(&mut self) -> Result<bool, ScopeError> {
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
            match self.scope.dialect.read_state(&text) {
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
            Ok(text) => match self.scope.dialect.read_state(&text) {
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

    /// Asks the scaling of the record; `Ok(None)` where it comes from settings alone.
    async fn told_scaling(
        &mut self,
        name: &Values,
        draft: &mut Draft,
    ) -> Result<Result<Option<RawPreamble>, String>, ScopeError> {
        let dialect = self.scope.dialect.clone();
        if dialect.preamble == PreambleForm::Queries {
            return Ok(Ok(None));
        }
        let select = dialect.render(Op::Select, name).unwrap_or_default();
        self.send(draft, &select).await?;
        let question = dialect.render(Op::AskPreamble, name).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(Err("commands.ask-preamble cannot be built".into())) };
        if dialect.preamble == PreambleForm::Descriptor {
            draft.sent.push(question.text().to_owned());
            return match self.scope.session.query_block(&question, 4096).await {
                Ok(block) => {
                    draft.came.push(format!("{} bytes", block.len()));
                    Ok(dialect
                        .read_descriptor(&block)
                        .map(Some)
                        .map_err(|trouble| format!("{trouble}: check data.scaling-from and data.first-byte")))
                }
                Err(source) => {
                    let why = self.survivable(source)?;
                    draft.came.push(why.clone());
                    Ok(Err(about_answer("commands.ask-preamble", question.text(), Err(&why))))
                }
            };
        }
        let told = self.ask(draft, &question).await?;
        Ok(match told {
            Ok(text) => dialect.read_preamble(&text).map(Some).map_err(|trouble| {
                format!("{trouble}: check data.scaling-from, and data.fields where the fields have names")
            }),
            Err(why) => Err(about_answer("commands.ask-preamble", question.text(), Err(&why))),
        })
    }

    /// The scaling must fit the settings: volts a division, the middle, seconds a division.
    async fn scaling(&mut self, name: &Values) -> Result<bool, ScopeError> {
        // Off the middle, and apart from it by another number than the range: no two formulas look alike then.
        let (division_v, centre_v) = (1.0, 1.5);
        self.come_to_rest(name, division_v, centre_v, DIVISION_S).await?;
        let rows = self.rows.len();
        let came = self.shot().await?;
        if came {
            self.rows.truncate(rows);
        }
        let mut draft =
            Draft::new(Op::AskPreamble, "a scaling that fits 1 V a division, 1.5 V in the middle, 1 ms a division");
        let raw = match self.told_scaling(name, &mut draft).await? {
            Ok(Some(raw)) => raw,
            Ok(None) => {
                self.rows.push(draft.end(TrialOutcome::NotOffered, None));
                return Ok(true);
            }
            Err(advice) => {
                self.rows.push(draft.differs(advice));
                return Ok(false);
            }
        };
        let row = self.fitting(draft, &raw, division_v, centre_v);
        let good = row.outcome == TrialOutcome::Ok;
        self.rows.push(row);
        Ok(good)
    }

    fn fitting(&self, draft: Draft, raw: &RawPreamble, division_v: f64, centre_v: f64) -> TrialRow {
        let dialect = &self.scope.dialect;
        let limits = &dialect.limits;
        if raw.format != dialect.format_code_8 {
            let advice = format!(
                "8-bit data are told to have form {}: set data.format-code-8 = {} if that is so, or look commands.format-8 up",
                raw.format, raw.format
            );
            return draft.differs(advice);
        }
        if raw.kind == dialect.type_code_peak {
            let advice = format!(
                "samples are told to be of type {}, which data.type-code-peak says of pairs: look both up",
                raw.kind
            );
            return draft.differs(advice);
        }
        let middle_code = if dialect.signed { 0.0 } else { limits.steps() / 2.0 };
        let fits = |scale: CodeScale, steps_a_division: f64| {
            let division = scale.gain_v * steps_a_division;
            let middle = scale.offset_v + middle_code * scale.gain_v;
            let good = (division / division_v - 1.0).abs() < 0.02 && (middle - centre_v).abs() < 0.3 * division_v;
            (good, division, middle)
        };
        let (good, division, middle) = fits(dialect.formula.scale(raw), limits.steps_a_division);
        let span_s = raw.x_increment_s * f64::from(raw.points);
        let divisions = span_s / DIVISION_S;
        if !good {
            if (division / division_v - 1.0).abs() >= 0.02 {
                let steps = division_v / raw.y_increment_v;
                let advice = format!(
                    "a division would be {division:.4} V, and {division_v} V were set: limits.steps-a-division would have to be {steps:.2}"
                );
                return draft.differs(advice);
            }
            let others: Vec<&str> = Formula::ALL
                .iter()
                .zip(Formula::WORDS)
                .filter(|(formula, _)| self.fits_data(**formula) && fits(formula.scale(raw), limits.steps_a_division).0)
                .map(|(_, word)| *word)
                .collect();
            let advice = if others.is_empty() {
                format!(
                    "the middle would be {middle:.4} V, and {centre_v} V were set: no formula fits; check data.codes and read-back.offset"
                )
            } else {
                format!(
                    "the middle would be {middle:.4} V, and {centre_v} V were set: data.formula = \"{}\" would fit",
                    others.join("\" or \"")
                )
            };
            return draft.differs(advice);
        }
        if self.whole_record(raw) && (divisions / limits.time_divisions - 1.0).abs() > 0.02 {
            let advice = format!(
                "the record is {span_s:.6} s long at {DIVISION_S} s a division: limits.time-divisions would have to be {divisions:.2}"
            );
            return draft.differs(advice);
        }
        draft.good()
    }

    /// Whether a formula goes with this form of scaling and these codes.
    fn fits_data(&self, formula: Formula) -> bool {
        let named = matches!(self.scope.dialect.preamble, PreambleForm::NamedFields(_));
        match formula {
            Formula::Range => false,
            Formula::B => named,
            Formula::A3 => !named && self.scope.dialect.signed,
            Formula::A1 | Formula::A2 | Formula::A4 => !named && !self.scope.dialect.signed,
        }
    }

    /// Whether the scaling's count is that of the whole record.
    fn whole_record(&self, raw: &RawPreamble) -> bool {
        !matches!(self.scope.dialect.preamble, PreambleForm::NamedFields(_))
            || raw.points == self.scope.dialect.limits.usual_points
    }

    /// Reads points `first` to `last`, counted from 1.
    async fn part(
        &mut self,
        name: &Values,
        first: u32,
        last: u32,
        draft: &mut Draft,
    ) -> Result<Result<Vec<u8>, String>, ScopeError> {
        let dialect = self.scope.dialect.clone();
        let values = name
            .clone()
            .number(Slot::First, f64::from(first))
            .number(Slot::Last, f64::from(last))
            .number(Slot::Count, f64::from(last + 1 - first));
        for op in [Op::Select, Op::Chunk] {
            let words = dialect.render(op, &values).unwrap_or_default();
            let complaints = self.send(draft, &words).await?;
            if !complaints.is_empty() {
                return Ok(Err(about_complaint(op, &complaints)));
            }
        }
        let question = dialect.render(Op::AskData, &values).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(Err("commands.ask-data cannot be built".into())) };
        draft.sent.push(question.text().to_owned());
        match self.scope.session.query_block(&question, 1 << 20).await {
            Ok(block) => {
                draft.came.push(format!("{} bytes", block.len()));
                Ok(Ok(block))
            }
            Err(source) => {
                let why = self.survivable(source)?;
                draft.came.push(why.clone());
                let advice = about_answer("commands.ask-data", question.text(), Err(&why));
                Ok(Err(format!(
                    "{advice}; a block of another shape is told by the keys block-... and padding in [manners]"
                )))
            }
        }
    }

    /// A part read by itself must be the same as in a longer one.
    async fn parts(&mut self, name: &Values) -> Result<bool, ScopeError> {
        let mut draft =
            Draft::new(Op::AskData, "100 bytes, 11 of them once more, the same, and the last 10 of the record");
        let whole = match self.part(name, 1, 100, &mut draft).await? {
            Ok(whole) => whole,
            Err(advice) => {
                self.rows.push(draft.differs(advice));
                return Ok(false);
            }
        };
        let can_part = self.scope.dialect.can(Op::Chunk)
            || self.scope.dialect.limits.points_a_read < self.scope.dialect.limits.greatest_points;
        let row = if !can_part {
            draft.good()
        } else if whole.len() != 100 {
            draft.differs(format!(
                "{} bytes came where 100 were asked for: look commands.chunk up, and whether points count from 1 or from 0",
                whole.len()
            ))
        } else {
            match self.part(name, 20, 30, &mut draft).await? {
                Ok(part) if part.len() == 11 && part[..] == whole[19..30] => self.last_points(name, draft).await?,
                Ok(part) => {
                    let place = whole.windows(part.len().max(1)).position(|window| window == part);
                    let told =
                        place.map_or_else(String::new, |place| format!(" (they begin with point {})", place + 1));
                    draft.differs(format!(
                        "points 20 to 30 are not those of the longer reading{told}: look commands.chunk up, and whether points count from 1 ({{first}}, {{last}}) or from 0 ({{first-from-0}})"
                    ))
                }
                Err(advice) => draft.differs(advice),
            }
        };
        let good = row.outcome == TrialOutcome::Ok;
        self.rows.push(row);
        Ok(good)
    }

    /// The last ten points must be ten: counted from the wrong place, every reading is off by one and agrees with
    /// every other.
    async fn last_points(&mut self, name: &Values, mut draft: Draft) -> Result<TrialRow, ScopeError> {
        let last = self.scope.dialect.limits.usual_points;
        Ok(match self.part(name, last - 9, last, &mut draft).await? {
            Ok(part) if part.len() == 10 => draft.good(),
            Ok(part) => draft.differs(format!(
                "the last 10 of {last} points came as {}: points count from another number than commands.chunk has it, from 1 ({{first}}) or from 0 ({{first-from-0}}), or the record is shorter than commands.points says",
                part.len()
            )),
            Err(advice) => draft.differs(advice),
        })
    }

    /// Takes a record at a setting and means it.
    async fn seen(
        &mut self,
        name: &Values,
        division_v: f64,
        centre_v: f64,
        draft: &mut Draft,
    ) -> Result<Result<Seen, String>, ScopeError> {
        self.come_to_rest(name, division_v, centre_v, DIVISION_S).await?;
        let rows = self.rows.len();
        if !self.shot().await? {
            return Ok(Err("no record came to its end".into()));
        }
        self.rows.truncate(rows);
        let raw = match self.told_scaling(name, &mut Draft::new("", "")).await? {
            Ok(raw) => raw,
            Err(why) => return Ok(Err(why)),
        };
        let dialect = self.scope.dialect.clone();
        let scale = match &raw {
            Some(raw) => dialect.formula.scale(raw),
            None => CodeScale { gain_v: dialect.limits.full_scale(division_v) / 256.0, offset_v: centre_v },
        };
        let count = dialect.limits.usual_points.min(dialect.limits.points_a_read);
        let block = match self.part(name, 1, count, &mut Draft::new("", "")).await? {
            Ok(block) => block,
            Err(why) => return Ok(Err(why)),
        };
        let decoded = match decode(&dialect, &block, 8, scale) {
            Ok(decoded) => decoded,
            Err(trouble) => return Ok(Err(trouble.to_string())),
        };
        let total: f64 =
            decoded.codes.iter().map(|&code| decoded.scale.offset_v + f64::from(code) * decoded.scale.gain_v).sum();
        let mean_v = total / decoded.codes.len().max(1) as f64;
        let ends = [decoded.code_low, decoded.code_high];
        let clipped = decoded.codes.iter().any(|&code| ends.contains(&i32::from(code)));
        draft.came.push(format!("{mean_v:.4} V at {division_v} V a division about {centre_v} V"));
        Ok(Ok(Seen { mean_v, clipped }))
    }

    /// The same volts must come whatever the range and the middle are: so a wrong sign, a wrong number of steps
    /// and signed codes taken for unsigned ones show.
    async fn other_settings(&mut self, name: &Values) -> Result<(), ScopeError> {
        let least_v = 2.0_f64.clamp(
            self.scope.dialect.limits.least_volts_a_division,
            self.scope.dialect.limits.greatest_volts_a_division,
        );
        let most_v = (2.0 * least_v).min(self.scope.dialect.limits.greatest_volts_a_division);
        let mut draft = Draft::new("volts at other settings", "the same mean volts, whatever the range and the middle");
        draft.sent.push("what is on the first channel, at three settings".into());
        let mut seen = Vec::new();
        for (division_v, centre_v) in [(least_v, 0.0), (least_v, 1.5 * least_v), (most_v, 0.0)] {
            match self.seen(name, division_v, centre_v, &mut draft).await? {
                Ok(one) => seen.push(one),
                Err(why) => {
                    self.rows.push(draft.end(TrialOutcome::NotTried, Some(why)));
                    return Ok(());
                }
            }
        }
        let [first, moved, wider] = seen.as_slice() else { return Ok(()) };
        let row = if seen.iter().any(|one| one.clipped) {
            draft.end(
                TrialOutcome::NotTried,
                Some("what is on the first channel runs against an end of the converter".into()),
            )
        } else if (moved.mean_v - first.mean_v).abs() > SAME_DIVISIONS * least_v {
            let twice = (moved.mean_v - first.mean_v).abs() / (1.5 * least_v);
            draft.differs(format!(
                "the volts follow the middle ({twice:.2} of its move): check the sign of the offset (read-back.offset, {{centre-v}} or {{minus-centre-v}}), data.codes and data.formula"
            ))
        } else if (wider.mean_v - first.mean_v).abs() > SAME_DIVISIONS * most_v {
            draft.differs("the volts follow the range: check data.formula, data.codes and limits.steps-a-division")
        } else {
            draft.good()
        };
        self.rows.push(row);
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
