//! Questions for settings: what a command has set, asked back by its own header.
//!
//! A set command `HEADER data` has the query `HEADER?`, which answers with the data (IEEE 488.2, 6.4.3 has
//! both forms of a header; SCPI-99 vol. 1, 5.1: what can be set can be asked). A garbled or lost command is
//! found by nothing else.

use super::template::{Op, Slot, Values};
use super::{Dialect, Template};
use crate::scpi::{BuildError, Message};

/// One setting asked back.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// The question.
    pub ask: Message,
    /// The data that were set, element by element, each with the place that it came from if it is all of it.
    pub set: Vec<(Option<Slot>, String)>,
}

impl Dialect {
    /// The questions for what the messages of an operation set, in their order; none for messages without
    /// data, and none where the dialect says that the instrument does not answer.
    ///
    /// # Errors
    /// [`BuildError`] when a value cannot be sent.
    pub fn questions(&self, op: Op, values: &Values) -> Result<Vec<Question>, BuildError> {
        if self.not_answered.contains(&op) || op.asks() {
            return Ok(Vec::new());
        }
        let values = self.told(values);
        self.templates_of(op).iter().filter_map(|template| template.question(&values).transpose()).collect()
    }
}

impl Template {
    /// The question for what this message sets; none if it has no data.
    fn question(&self, values: &Values) -> Result<Option<Question>, BuildError> {
        let text = self.render(values)?.text().to_owned();
        let Some((header, data)) = text.split_once(' ') else { return Ok(None) };
        if data.contains(['"', '\'', '(', '#', ';']) {
            return Ok(None);
        }
        let ask = Message::raw(format!("{header}?"))?;
        let places = self.places();
        let set = data.split(',').enumerate();
        let set = set.map(|(i, element)| (places.get(i).copied().flatten(), element.trim().to_owned())).collect();
        Ok(Some(Question { ask, set }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(dialect: &str, op: Op, expected: &str) {
        let dialect = Dialect::shipped(dialect).unwrap();
        let mut values = Values::new().word(Slot::Channel, "CHANnel1").word(Slot::Coupling, "AC");
        values = values.word(Slot::Source, "EXTernal").word(Slot::Slope, "NEGative");
        for slot in [Slot::Number, Slot::Probe, Slot::SecondsADivision, Slot::CentreTime, Slot::Level, Slot::Field] {
            values = values.number(slot, 1.0);
        }
        for slot in [Slot::Span, Slot::Reference, Slot::ReferenceOffset, Slot::Lines] {
            values = values.number(slot, 0.25);
        }
        let told = dialect.questions(op, &values).unwrap();
        let told: Vec<String> = told
            .iter()
            .map(|question| {
                let set = question.set.iter().map(|(slot, text)| match slot {
                    Some(slot) => format!("{text} ({slot})"),
                    None => text.clone(),
                });
                format!("{} {}", question.ask, set.collect::<Vec<_>>().join(" "))
            })
            .collect();
        assert_eq!(told.join("; "), expected, "{op}");
    }

    #[test]
    fn what_was_set_is_asked_by_its_own_header() {
        let a = "channel-timebase-waveform";
        check(a, Op::Stop, "");
        check(a, Op::Coupling, ":CHANnel1:COUPling? AC (coupling)");
        check(a, Op::Timebase, ":TIMebase:SCALe? 1 (seconds-a-division); :TIMebase:POSition? 1 (centre-s)");
        check(
            a,
            Op::TriggerField,
            ":TRIGger:MODE? TV; :TRIGger:SWEep? NORMal; :TRIGger:TV:SOURce? EXTernal (source); :TRIGger:TV:LINES? 2.5E-1 (lines); :TRIGger:TV:MODE? FIELd1; :TRIGger:TV:POLarity? NEGative",
        );
        check("scpi-99", Op::Format8, ":FORMat:DATA? INTeger 8");
        check("scpi-99", Op::AskState, "");
    }
}
