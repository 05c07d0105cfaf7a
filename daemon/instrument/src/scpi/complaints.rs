//! Errors of instruments without `SYSTem:ERRor?`: events behind `*ESR?`, or a register a class
//! (instrument makers' manuals, not named).

use super::session::{POWER_ON, built};
use super::{ErrorEntry, ErrorForm, Message, Session, SessionError, Trouble, answer};

/// Bits of the standard event register that tell of an error: query, device, execution, command
/// (IEEE 488.2, 11.5.1).
pub(super) const ERRORS: i64 = 0x3C;

impl Session {
    /// Reads errors in another way from now on: while it is looked for which one an instrument has.
    pub(crate) fn set_errors(&mut self, form: ErrorForm) {
        self.profile.errors = form;
        self.in_step = false;
    }

    /// Takes header words off answers from now on (or no longer): while it is looked for whether there are any.
    pub(crate) fn set_reply_header(&mut self, on: bool) {
        self.profile.reply_header = on;
        self.in_step = false;
    }

    /// Sends several commands and questions in one message from now on (or no longer): while it is looked for whether
    /// the instrument takes them.
    pub(crate) const fn set_compound(&mut self, on: bool) {
        self.profile.compound = on;
    }

    /// Reads the errors of an instrument without an error queue.
    pub(super) async fn family_errors(&mut self) -> Result<Vec<ErrorEntry>, SessionError> {
        let mut entries = core::mem::take(&mut self.drained);
        let events = self.query_as(&built("*ESR?"), answer::integer).await?;
        if events & POWER_ON != 0 {
            // Reading clears the bit: whoever asks for it later is told.
            self.power_on = true;
            self.stranger = true;
        }
        if events & ERRORS != 0 {
            entries.extend(self.readable_errors(events).await?);
        }
        Ok(entries)
    }

    /// Asks for the errors that an event register tells of.
    pub(super) async fn readable_errors(&mut self, events: i64) -> Result<Vec<ErrorEntry>, SessionError> {
        let mut entries = Vec::new();
        for asked in self.questions(events) {
            let told = self.query(&asked).await?;
            entries.extend(self.entries(&asked, &told)?);
        }
        Ok(entries)
    }

    /// As [`Self::family_errors`], while the place in the stream is looked for.
    pub(super) async fn told_errors(&mut self, events: i64) -> Result<Vec<ErrorEntry>, SessionError> {
        let mut entries = Vec::new();
        for asked in self.questions(events) {
            self.send(&asked).await?;
            let line = self.read_line(asked.text(), self.profile.first_byte).await?;
            let told = self.bare(&line).to_owned();
            entries.extend(self.entries(&asked, &told)?);
        }
        Ok(entries)
    }

    /// What is to be asked, by the event register.
    fn questions(&self, events: i64) -> Vec<Message> {
        let bit = |bits: i64, header: &'static str| (events & bits != 0).then(|| built(header));
        match self.profile.errors {
            ErrorForm::Queue => Vec::new(),
            ErrorForm::Events => vec![built("ALLEv?")],
            ErrorForm::Registers => {
                [bit(0x20, "CMR?"), bit(0x10, "EXR?"), bit(0x08, "DDR?")].into_iter().flatten().collect()
            }
        }
    }

    fn entries(&self, asked: &Message, told: &str) -> Result<Vec<ErrorEntry>, SessionError> {
        let read = match self.profile.errors {
            ErrorForm::Registers => register(asked.text(), told),
            _ => events(told),
        };
        read.map_err(|trouble| self.wrong(asked, &trouble))
    }
}

/// `number,"text",number,"text"...`; the numbers are the standard's without their sign, and 401 to 403 are
/// events that are no errors (instrument makers' manuals, not named).
pub(super) fn events(text: &str) -> Result<Vec<ErrorEntry>, Trouble> {
    let parts = answer::parts(text);
    if !parts.len().is_multiple_of(2) {
        return Err(Trouble::Wrong(format!("expected numbers and texts in turn, but `{text}` came")));
    }
    let mut entries = Vec::new();
    for pair in parts.chunks_exact(2) {
        let mut entry = answer::error_entry(&pair.join(","))?;
        entry.code = match entry.code {
            0 | 1 => continue,
            401 => -500,
            402 => -800,
            403 => -600,
            code @ 100..=499 => -code,
            code => code,
        };
        entries.push(entry);
    }
    Ok(entries)
}

/// The number of the last error of a class; 0: none.
fn register(asked: &str, told: &str) -> Result<Vec<ErrorEntry>, Trouble> {
    let number = answer::integer(told)?;
    if number == 0 {
        return Ok(Vec::new());
    }
    let (code, class) = match asked {
        "CMR?" => (-100, "Command error"),
        "EXR?" => (-200, "Execution error"),
        _ => (-300, "Device-specific error"),
    };
    let info = format!("{} {number}", asked.trim_end_matches('?'));
    Ok(vec![ErrorEntry { code, text: class.to_owned(), info: Some(info) }])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, expected: &str) {
        let got = match events(text) {
            Ok(list) => list.iter().map(ToString::to_string).collect::<Vec<_>>().join(" "),
            Err(trouble) => trouble.to_string(),
        };
        assert_eq!(got, expected, "{text}");
    }

    #[test]
    fn events_of_a_queue_without_signs() {
        check("0,\"No events to report\"", "");
        check("1,\"No events to report; new events pending *ESR?\"", "");
        check("113,\"Undefined header; CH1:SCALL\"", "-113,\"Undefined header; CH1:SCALL\"");
        check("401,\"Power on\",222,\"Data, out of range\"", "-500,\"Power on\" -222,\"Data, out of range\"");
        check("2244,\"CH2 is not turned on\"", "2244,\"CH2 is not turned on\"");
        check("113", "expected numbers and texts in turn, but `113` came");
    }

    #[test]
    fn registers_of_classes() {
        let text =
            |asked, told| register(asked, told).map(|list| list.iter().map(ToString::to_string).collect::<String>());
        assert_eq!(text("CMR?", "0"), Ok(String::new()));
        assert_eq!(text("CMR?", "1"), Ok("-100,\"Command error;CMR 1\"".into()));
        assert_eq!(text("EXR?", "25"), Ok("-200,\"Execution error;EXR 25\"".into()));
        assert!(text("DDR?", "x").is_err());
    }
}
