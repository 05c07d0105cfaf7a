//! Being sure: numbers that scale a result are asked until the answers agree, and every setting is asked
//! back, since a garbled or lost command leaves no other trace.

use super::{Scope, ScopeError};
use crate::dialect::{Op, Slot, Values};
use crate::scpi::{Message, answer};

/// Most passes over the same questions, for each one that must agree.
const PASSES: u32 = 3;
/// Greatest relative difference between a number that was set and the same read back: printing, not rounding.
const PRINTED: f64 = 1e-3;
/// Share of the record by which its place may be rounded where it is told with the data.
const PLACE: f64 = 2e-3;
/// The same where nothing tells it but what was set: the first point's time is computed from that.
const UNTOLD_PLACE: f64 = 1e-6;

/// How far read-back numbers may lie from what was set.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slack {
    /// Length of the record, in seconds.
    pub(super) span_s: f64,
    /// Volts, as the instrument means them, that a trigger's level may be rounded by.
    pub(super) level_v: f64,
}

impl Scope {
    /// Asks questions until enough whole passes gave the same answers. Each pass but that of a sound link ends
    /// with the proof that no answer was another's.
    ///
    /// A link with a checksum needs one pass. On a line without one, a digit that the line spoilt would be
    /// wrong volts or seconds without any error.
    pub(super) async fn agreed(&mut self, questions: &[Message], doing: &str) -> Result<Vec<String>, ScopeError> {
        let mut heard: Vec<(Vec<String>, u32)> = Vec::new();
        let mut passes = 0;
        loop {
            passes += 1;
            let answers = if let [question] = questions {
                self.session.query(question).await.map(|answer| vec![answer])
            } else {
                self.session.query_list(questions, |text| Ok(text.to_owned())).await
            };
            let answers = answers.map_err(|source| self.failed(doing, source))?;
            if !self.read_twice {
                return Ok(answers);
            }
            // A question that also chooses what is asked may have been refused in part.
            if questions.iter().any(|question| question.text().contains(';')) {
                let quiet = self.session.uncomplaining(questions).await;
                quiet.map_err(|source| self.failed(doing, source))?;
            }
            self.confirm(doing).await?;
            let bytes = answers.iter().map(|answer| answer.len() + 1).sum();
            let count = match heard.iter_mut().find(|(known, _)| *known == answers) {
                Some((_, count)) => {
                    *count += 1;
                    *count
                }
                None => {
                    if !heard.is_empty() {
                        self.session.note_garbled();
                    }
                    heard.push((answers.clone(), 1));
                    1
                }
            };
            let needed = self.readings(bytes);
            if count >= needed {
                return Ok(answers);
            }
            if passes >= needed * PASSES {
                return Err(ScopeError::garbled(doing, &format!("of {passes} answers"), needed));
            }
        }
    }

    /// How many readings of so many bytes must agree.
    pub(super) fn readings(&self, bytes: usize) -> u32 {
        if self.read_twice { self.session.readings(bytes) } else { 1 }
    }

    /// Sends commands that must arrive, with the proof that they did.
    pub(super) async fn surely(&mut self, ops: &[(Op, Values)], doing: &str) -> Result<(), ScopeError> {
        let list = self.rendered(ops, doing)?;
        if list.is_empty() {
            return Ok(());
        }
        let sent = self.session.acknowledged(&list).await;
        sent.map_err(|source| self.failed(doing, source))
    }

    /// On a line that may spoil or lose what is sent: asks every setting back that these operations made, and
    /// compares. What is told with the data, or read back for its value, is left out: the instrument may round that.
    pub(super) async fn verify(&mut self, ops: &[(Op, Values)], slack: Slack) -> Result<(), ScopeError> {
        if !self.read_twice {
            return Ok(());
        }
        for (op, values) in ops {
            if matches!(op, Op::Range | Op::Offset | Op::Points | Op::ChannelOff) {
                continue;
            }
            let doing = format!("read back `{op}` (name it under `not-answered` in the dialect if the scope cannot)");
            let questions = self.dialect.questions(*op, values);
            let questions = questions.map_err(|source| ScopeError::Build { doing: doing.clone(), source })?;
            for question in questions {
                let told_elsewhere = |slot: &Option<Slot>| {
                    matches!(slot, Some(Slot::SecondsADivision | Slot::Span | Slot::Interval | Slot::Points))
                };
                if question.set.iter().all(|(slot, _)| told_elsewhere(slot)) {
                    continue;
                }
                let mut is = String::new();
                let mut good = false;
                // One more asking: the answer, not the setting, may be what the line spoilt.
                for _ in 0..2 {
                    let answer = self.session.query(&question.ask).await;
                    is = answer.map_err(|source| self.failed(&doing, source))?;
                    good = holds(&question.set, &is, slack);
                    if good {
                        break;
                    }
                    self.session.note_garbled();
                }
                if !good {
                    let asked: Vec<&str> = question.set.iter().map(|(_, text)| text.as_str()).collect();
                    return Err(ScopeError::Setting {
                        what: "the setting",
                        channel: format!("`{}`", question.ask.text().trim_end_matches('?')),
                        asked: asked.join(","),
                        is: is.escape_debug().to_string(),
                        hint: "check that nobody works the scope's knobs, and the command in the dialect",
                    });
                }
            }
        }
        Ok(())
    }
}

/// Whether an answer tells what was set.
fn holds(set: &[(Option<Slot>, String)], is: &str, slack: Slack) -> bool {
    let parts = answer::parts(is);
    parts.len() == set.len() && set.iter().zip(parts).all(|((slot, set), is)| same(*slot, set, is, slack))
}

fn same(slot: Option<Slot>, set: &str, is: &str, slack: Slack) -> bool {
    if let (Ok(set), Ok(is)) = (answer::value(set), answer::value(is)) {
        let allowed = match slot {
            Some(Slot::Reference) => UNTOLD_PLACE,
            Some(Slot::ReferenceOffset) => UNTOLD_PLACE * slack.span_s,
            Some(Slot::CentreTime) => PRINTED * set.abs() + PLACE * slack.span_s,
            Some(Slot::Level) => PRINTED * set.abs() + slack.level_v,
            _ => PRINTED * set.abs(),
        };
        return (is - set).abs() <= allowed;
    }
    if let (Ok(set), Ok(is)) = (answer::boolean(set), answer::boolean(is)) {
        return set == is;
    }
    // A word is answered in its long or its short form (SCPI-99 vol. 1, 6.2.1): the capitals and digits.
    let short: String = set.chars().filter(|c| !c.is_ascii_lowercase()).collect();
    is.eq_ignore_ascii_case(set) || is.eq_ignore_ascii_case(&short)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(slot: Option<Slot>, set: &str, is: &str, expected: bool) {
        let slack = Slack { span_s: 1e-3, level_v: 0.01 };
        assert_eq!(holds(&[(slot, set.into())], is, slack), expected, "{set} read back as {is}");
    }

    #[test]
    fn what_counts_as_the_same_setting() {
        check(None, "NORMal", "NORM", true);
        check(None, "NORMal", "normal", true);
        check(None, "NORMal", "NOR", false);
        check(Some(Slot::Source), "CHANnel1", "CHAN1", true);
        check(Some(Slot::Source), "CHANnel1", "CHAN2", false);
        check(None, "ON", "1", true);
        check(None, "ON", "0", false);
        check(Some(Slot::Probe), "10", "1.000000E+01", true);
        check(Some(Slot::Probe), "10", "18", false);
        check(Some(Slot::Level), "5E-1", "0.504", true);
        check(Some(Slot::Level), "5E-1", "0.4", false);
        check(Some(Slot::CentreTime), "2.5E-4", "2.51E-4", true);
        check(Some(Slot::CentreTime), "2.5E-4", "2.6E-4", false);
        check(Some(Slot::Reference), "5.0210084E-1", "5.021008E-01", true);
        check(Some(Slot::Reference), "5.0210084E-1", "5.010084E-1", false);
        check(Some(Slot::Line), "17", "17", true);
        check(Some(Slot::Line), "17", "37", false);
        check(None, "8", "8,1", false);
    }
}
