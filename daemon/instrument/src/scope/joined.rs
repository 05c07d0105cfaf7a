//! A whole capture in one message: the trigger's state, each channel's scaling and codes, and the check at the
//! end, all in one response (IEEE 488.2, 8.4.1); in free run the arming too. Nothing of it is used unless the
//! state in that same response says that the record was whole, and its end proves that it answers this message.
//!
//! What is to be read follows from the scaling, which comes in the same response: so it is taken from the
//! capture before, and compared after. Where they differ the record is still in the scope, and is read step by
//! step.

use super::acquire::Job;
use super::record::READINGS;
use super::setup::Standing;
use super::wait::{Armed, TriggerTime};
use super::{Force, Scope, ScopeError};
use crate::capture::Trace;
use crate::dialect::{Op, PreambleForm, Slot, State, Values};
use crate::request::Trigger;
use crate::scpi::{Answer, Due, Message, SessionError, Settled, answer};
use core::time::Duration;
use tapewright_clock::Instant;

/// Most bytes of a descriptor.
const MOST_DESCRIPTOR: usize = 4096;
/// Failures before a first success after which it is tried no more.
const MOST_FAILURES: u32 = 2;

/// Whether the instrument answers a whole capture in one response, as far as it has shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Joins {
    /// So many tries failed, which may have been the line.
    Failed(u32),
    Works,
}

/// Messages of one capture, and which part of each channel they ask for.
struct Whole {
    units: Vec<(Message, Due)>,
    /// How many answers come before those of the channels: of `*OPC?` and the state.
    before: usize,
    parts: Vec<(u32, u32)>,
    /// The words that chose each part.
    words: Vec<Vec<Message>>,
}

impl Scope {
    /// Arms, waits until the record is whole, reads it, and proves that each answer was its own question's.
    pub(super) async fn take_record(
        &mut self,
        job: &Job<'_>,
        standings: &[Standing],
        trigger: &str,
    ) -> Result<(TriggerTime, Vec<Trace>), ScopeError> {
        let free = job.request.trigger == Trigger::Free;
        let waits = self.complete_waits;
        // Sent without looking first, so only where the record is sure to be whole soon.
        let at_once = free && self.dialect.profile.state_lag.is_zero() && (waits || self.force == Force::Works);
        let mut at = self.clock.now();
        let mut early = None;
        if at_once && waits && !self.read_twice && self.force != Force::Unknown {
            let mut ops = vec![(Op::Arm, Values::new())];
            if self.force == Force::Works {
                ops.push((Op::Force, Values::new()));
            }
            early = self.whole(job, &ops, true)?;
        }
        let mut armed = Armed { at, told: at };
        if early.is_none() {
            armed = self.arm_now(job).await?;
            at = armed.at;
            if at_once {
                early = self.whole(job, &[], true)?;
            }
            if early.is_some() && !waits {
                self.clock.sleep_until(at + Duration::from_secs_f64(job.time.span_s)).await;
            }
        }
        if let Some(whole) = early
            && let Some((traces, heard)) = self.joined(job, standings, &whole).await?
            && let Some(time) = job.time.by_answer(at, heard)
        {
            return Ok((time, traces));
        }
        let time = self.wait(armed, &job.time, job.request, trigger).await?;
        if let Some(whole) = self.whole(job, &[], false)?
            && let Some((traces, _)) = self.joined(job, standings, &whole).await?
        {
            return Ok((time, traces));
        }
        // Nothing is believed before it is proven that each answer was its own question's.
        if self.careful {
            self.confirm("check that the answers were in step").await?;
        }
        let mut traces = Vec::new();
        for (plan, standing) in job.channels.iter().zip(standings) {
            traces.push(self.read_trace(plan, standing, &job.time, job.request).await?);
        }
        let doing = "check what the scope says of the capture";
        let settled = self.session.settle().await.map_err(|source| self.failed(doing, source))?;
        self.settled_well(settled)?;
        Ok((time, traces))
    }

    /// Nothing was complained of, and the scope was not switched on anew.
    fn settled_well(&self, settled: Settled) -> Result<(), ScopeError> {
        if settled.restarted {
            let why = "the scope was switched on anew meanwhile: its settings and its record are gone";
            return Err(ScopeError::gone("the capture", why));
        }
        if settled.complaints.is_empty() {
            return Ok(());
        }
        let (asked, complaints) = ("arming and reading".to_owned(), settled.complaints);
        let refused = SessionError::Refused { asked, link: self.session.describe(), complaints };
        Err(self.failed("check what the scope says of the capture", refused))
    }

    /// The messages of a capture, `ops` first; `gated`: with the end of the acquisition and its state. None where
    /// the instrument does not take that, or it is not known yet what to read.
    fn whole(&self, job: &Job<'_>, ops: &[(Op, Values)], gated: bool) -> Result<Option<Whole>, ScopeError> {
        let profile = &self.dialect.profile;
        let able = profile.blocks_joined && !profile.short_readings && !self.careful;
        let parts: Option<Vec<(u32, u32)>> =
            job.channels.iter().map(|plan| self.wanted.get(&plan.input.label).copied()).collect();
        let (part, in_time) = (self.part(self.data_bits()), self.part_in_time(self.data_bits()));
        let fit = |parts: &Vec<(u32, u32)>| {
            parts.iter().all(|(_, count)| *count <= part)
                && parts.iter().map(|(_, count)| u64::from(*count)).sum::<u64>() <= u64::from(in_time)
        };
        let Some(parts) = parts.filter(|parts| able && self.joins != Joins::Failed(MOST_FAILURES) && fit(parts)) else {
            return Ok(None);
        };
        let doing = "take a whole capture";
        let mut units: Vec<(Message, Due)> =
            self.rendered(ops, doing)?.into_iter().map(|m| (m, Due::Nothing)).collect();
        let commands = units.len();
        if gated {
            if self.complete_waits {
                let asked = Message::new("*OPC?");
                units.push((asked.map_err(|source| ScopeError::Build { doing: doing.into(), source })?, Due::Texts(1)));
            }
            units.push((self.built(Op::AskState, &Values::new(), doing)?, Due::Texts(1)));
        }
        let before = units.len() - commands;
        let mut words = Vec::new();
        for (plan, &(first, count)) in job.channels.iter().zip(&parts) {
            let values = Self::part_values(&Self::channel_values(plan), first, count);
            let choose = self.rendered(&[(Op::Chunk, values.clone())], doing)?;
            // On a line that garbles, what was said once may have been heard wrong.
            let stands = !self.read_twice && self.part_stands(&plan.input.label, &choose);
            let bytes = count * self.data_bits() / 8;
            units.extend(self.channel_row(&values, if stands { &[] } else { &choose }, bytes, doing)?);
            words.push(choose);
        }
        if profile.short_words {
            units = units.into_iter().map(|(message, due)| (message.short(), due)).collect();
        }
        Ok(self.session.row_fits(&units).then_some(Whole { units, before, parts, words }))
    }

    /// The messages that choose a part of a channel's record and ask for its scaling and so many bytes of codes.
    pub(super) fn channel_row(
        &self,
        values: &Values,
        choose: &[Message],
        bytes: u32,
        doing: &str,
    ) -> Result<Vec<(Message, Due)>, ScopeError> {
        let commands = self.rendered(&[(Op::Select, values.clone())], doing)?;
        let mut units: Vec<(Message, Due)> =
            commands.iter().chain(choose).map(|command| (command.clone(), Due::Nothing)).collect();
        let asked: &[Op] = match &self.dialect.preamble {
            PreambleForm::Descriptor | PreambleForm::TenFields | PreambleForm::Header => &[Op::AskPreamble],
            PreambleForm::NamedFields(_) => &[Op::AskPreamble, Op::AskPoints],
            PreambleForm::Queries => &[Op::AskTimebase, Op::AskPoints],
        };
        for op in asked {
            let message = self.built(*op, values, doing)?;
            let due = match &self.dialect.preamble {
                PreambleForm::Descriptor => Due::Block(MOST_DESCRIPTOR),
                // Its fields stand between semicolons as answers do.
                PreambleForm::NamedFields(fields) if *op == Op::AskPreamble => Due::Texts(fields.len()),
                _ => Due::texts(&message),
            };
            units.push((message, due));
        }
        units.push((self.built(Op::AskData, values, doing)?, Due::Block(bytes.max(64) as usize * 2)));
        Ok(units)
    }

    /// Sends the messages of a capture and reads all that comes; on a line without a checksum until enough responses
    /// agree. None where the record was not whole, or another part of it is wanted.
    async fn joined(
        &mut self,
        job: &Job<'_>,
        standings: &[Standing],
        whole: &Whole,
    ) -> Result<Option<(Vec<Trace>, Instant)>, ScopeError> {
        let doing = "take a whole capture";
        let within = self.dialect.profile.first_byte + job.time.longest_free();
        let mut heard: Vec<(Vec<Answer>, u32)> = Vec::new();
        let (mut first, mut readings) = (None, 0);
        loop {
            let row = match self.session.row(&whole.units, within).await {
                Ok(row) => row,
                Err(source) => {
                    if let Joins::Failed(count) = self.joins {
                        self.joins = Joins::Failed((count + 1).min(MOST_FAILURES));
                    }
                    return Err(self.failed(doing, source));
                }
            };
            self.joins = Joins::Works;
            for (plan, words) in job.channels.iter().zip(&whole.words) {
                self.note_part(&plan.input.label, words.clone());
            }
            self.settled_well(row.settled)?;
            let mut answers = row.answers;
            let before: Vec<Answer> = answers.drain(..whole.before).collect();
            if let [complete @ .., state] = before.as_slice() {
                if complete.iter().any(|answer| answer::integer(answer.text()) != Ok(1)) {
                    let why = format!("`*OPC?` is answered `{}`, expected 1", complete[0].text().escape_debug());
                    return Err(ScopeError::misfit("the acquisition's state", why));
                }
                match self.dialect.read_state(state.text()) {
                    Some(State::Done) => {}
                    Some(_) => {
                        // So `*OPC?` does not wait, whatever the dialect says.
                        self.complete_waits &= complete.is_empty();
                        return Ok(None);
                    }
                    None => return Err(self.strange_state(state.text())),
                }
            }
            let first = *first.get_or_insert(row.heard);
            readings += 1;
            let needed = self.readings(answers.iter().map(Answer::bytes).sum());
            let place = heard.iter().position(|(known, _)| *known == answers).unwrap_or_else(|| {
                if !heard.is_empty() {
                    self.session.note_garbled();
                }
                heard.push((answers, 0));
                heard.len() - 1
            });
            heard[place].1 += 1;
            if heard[place].1 >= needed {
                let traces = self.traces(job, standings, whole, heard.swap_remove(place).0)?;
                if traces.is_none() {
                    self.wanted.clear();
                }
                return Ok(traces.map(|traces| (traces, first)));
            }
            if readings >= needed * READINGS {
                return Err(ScopeError::garbled("the capture", &format!("of {readings} readings"), needed));
            }
        }
    }

    /// Traces of the answers; none where the scaling says that other parts are wanted.
    fn traces(
        &self,
        job: &Job<'_>,
        standings: &[Standing],
        whole: &Whole,
        answers: Vec<Answer>,
    ) -> Result<Option<Vec<Trace>>, ScopeError> {
        let (mut answers, mut traces) = (answers.into_iter(), Vec::new());
        let mut next = || answers.next().unwrap_or(Answer::Text(String::new()));
        for ((plan, standing), &(first, count)) in job.channels.iter().zip(standings).zip(&whole.parts) {
            let label = &plan.input.label;
            let bad = |why: String| ScopeError::misfit(label, why);
            let number = |answer: Answer| answer::value(answer.text()).map_err(|trouble| bad(trouble.to_string()));
            let scaling = match (&self.dialect.preamble, next()) {
                (PreambleForm::Descriptor, Answer::Block(block)) => {
                    let raw = self.dialect.read_descriptor(&block).map_err(|trouble| bad(trouble.to_string()))?;
                    self.scaling(label, &raw, raw.points, job.request)?
                }
                (PreambleForm::Queries, told) => {
                    let (told, points) = (number(told)?, number(next())?);
                    self.scaling_by_settings(plan, standing, &job.time, told, points)
                }
                (form, told) => {
                    let raw = self.raw_preamble(label, told.text())?;
                    let points = match form {
                        PreambleForm::NamedFields(_) => Self::points_told(next().text())?,
                        _ => raw.points,
                    };
                    self.scaling(label, &raw, points, job.request)?
                }
            };
            let preamble = self.fitting(label, scaling, &job.time, job.request)?;
            let Answer::Block(bytes) = next() else { return Err(bad("no block came".into())) };
            if Self::part_asked_for(&preamble, job.request) != (first, count) {
                return Ok(None);
            }
            let due = (count * self.data_bits() / 8) as usize;
            if bytes.len() != due {
                return Err(bad(format!("{} bytes came where {due} were due", bytes.len())));
            }
            traces.push(self.trace(plan, standing, job.request, &preamble, first, &bytes)?);
        }
        Ok(Some(traces))
    }

    /// Values that name a part of a channel.
    pub(super) fn part_values(name: &Values, first: u32, count: u32) -> Values {
        let last = f64::from(first + count);
        let values = name.clone().number(Slot::First, f64::from(first + 1));
        values.number(Slot::Last, last).number(Slot::Count, f64::from(count))
    }
}
