//! Several exchanges at a time: commands and questions in one message where the instrument takes that
//! (SCPI-99 vol. 1, 6.2.4), and the check that ends a row of them. On a serial line each message that
//! is not sent is time for data.

use super::complaints::ERRORS;
use super::session::{POWER_ON, built};
use super::{ErrorClass, ErrorEntry, ErrorForm, Message, Session, SessionError, Trouble, answer};

/// The event that tells of switching on (SCPI-99 vol. 2, SYSTem:ERRor).
const SWITCHED_ON: i32 = -500;

/// What the check at the end of a row found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Settled {
    /// What the error queue held, events apart.
    pub complaints: Vec<ErrorEntry>,
    /// Whether the instrument was switched on since this was last asked.
    pub restarted: bool,
}

impl Session {
    /// Joins messages as far as the instrument's input buffer goes; as they are where it takes one
    /// command a message.
    fn joined(&self, messages: &[Message]) -> Vec<Message> {
        if !self.profile.compound {
            return messages.to_vec();
        }
        let mut out: Vec<Message> = Vec::new();
        for message in messages {
            match out.last_mut() {
                Some(last) if last.text().len() + message.text().len() + 2 < self.profile.most_message => {
                    *last = last.clone().and(message);
                }
                _ => out.push(message.clone()),
            }
        }
        out
    }

    /// Sends commands and asks nothing: whoever does so looks at the error queue later.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn commands(&mut self, messages: &[Message]) -> Result<(), SessionError> {
        for message in self.joined(messages) {
            self.command(&message).await?;
        }
        Ok(())
    }

    /// Sends commands, then reads the error queue.
    ///
    /// # Errors
    /// [`SessionError::Refused`] with what the queue says, and others.
    pub async fn group(&mut self, messages: &[Message]) -> Result<(), SessionError> {
        self.begin().await?;
        self.in_step = true;
        // What the queue said before is no answer to this group.
        self.drained.clear();
        let resyncs = self.resyncs;
        self.commands(messages).await?;
        self.no_complaints(messages, resyncs).await
    }

    /// Reads the error queue after some messages: it must be empty, and the place never lost since.
    pub(super) async fn no_complaints(&mut self, messages: &[Message], resyncs: u64) -> Result<(), SessionError> {
        let mut complaints = self.errors().await?;
        complaints.retain(|entry| entry.class() != ErrorClass::Event);
        if complaints.is_empty() {
            if self.resyncs == resyncs {
                return Ok(());
            }
            // A command may have been lost with the place in the stream.
            let why = "the place was lost between commands".into();
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        let asked: Vec<&str> = messages.iter().map(Message::text).collect();
        Err(SessionError::Refused { asked: asked.join("; "), link: self.describe(), complaints })
    }

    /// Asks several questions, in one message where the instrument takes that; answers in their order, read
    /// by one of the functions of [`answer`].
    ///
    /// # Errors
    /// [`SessionError`]; [`SessionError::Wrong`] when their number is not right.
    pub async fn query_list<T>(
        &mut self,
        messages: &[Message],
        read: impl Fn(&str) -> Result<T, Trouble>,
    ) -> Result<Vec<T>, SessionError> {
        let mut answers = Vec::new();
        for message in self.joined(messages) {
            let line = self.query_whole(&message).await?;
            let questions = if self.profile.compound { split(message.text()) } else { vec![message.text()] };
            let count = questions.len();
            let parts = if count == 1 { vec![line.as_str()] } else { split(&line) };
            let told: Result<Vec<T>, Trouble> = if parts.len() == count {
                parts.into_iter().zip(questions).map(|(part, asked)| read(self.bare_of(asked, part))).collect()
            } else {
                Err(Trouble::Wrong(format!("{} answers came to {count} questions", parts.len())))
            };
            answers.extend(told.map_err(|trouble| {
                // A whole line of the wrong kind may be another query's answer.
                self.in_step = false;
                self.wrong(&message, &trouble)
            })?);
        }
        Ok(answers)
    }

    /// Ends a row of exchanges that [`Self::fresh`] began: what the error queue holds, whether the
    /// instrument was switched on anew, and the proof of [`Self::confirm`]; in one message where the
    /// instrument takes that.
    ///
    /// # Errors
    /// As [`Self::confirm`]: nothing read since the last check may be used.
    pub async fn settle(&mut self) -> Result<Settled, SessionError> {
        if !self.profile.compound || self.profile.errors != ErrorForm::Queue {
            let mut complaints = self.errors().await?;
            let told = complaints.iter().any(|entry| entry.code == SWITCHED_ON);
            complaints.retain(|entry| entry.class() != ErrorClass::Event);
            let events = self.query_as(&built("*ESR?"), answer::integer).await?;
            self.untroubled(events)?;
            let restarted = self.switched_on(told || events & POWER_ON != 0).await?;
            self.confirm().await?;
            return Ok(Settled { complaints, restarted });
        }
        self.begin().await?;
        if core::mem::take(&mut self.doubt) {
            self.in_step = true;
            let why = "the place in the stream had to be found again".into();
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        let mut complaints = core::mem::take(&mut self.drained);
        let (nonce, ask) = self.next_nonce();
        let message = built("*ESR?").and(&built("SYSTem:ERRor?")).and(&ask).and(&self.restore());
        let line = self.ask_line(&message).await?;
        let parts = split(&line);
        let read = match parts.as_slice() {
            [events, entry, last] if answer::integer(self.bare(last)).ok() == Some(i64::from(nonce)) => {
                answer::integer(self.bare(events)).ok().zip(answer::error_entry(self.bare(entry)).ok())
            }
            _ => None,
        };
        let Some((events, entry)) = read else {
            self.keep_stray(line.as_bytes());
            let shown: String = line.chars().take(60).collect();
            let why = format!("`{shown}` came where event register, error queue and {nonce} were due");
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        };
        self.settle_step();
        if entry.code != 0 {
            complaints.push(entry);
            complaints.extend(self.errors().await?);
        }
        let told = complaints.iter().any(|entry| entry.code == SWITCHED_ON);
        complaints.retain(|entry| entry.class() != ErrorClass::Event);
        if complaints.is_empty() && !told {
            self.untroubled(events)?;
        }
        let restarted = self.switched_on(told || events & POWER_ON != 0).await?;
        Ok(Settled { complaints, restarted })
    }

    /// An event register that tells of an error that nobody complained of, and not of switching on, was spoilt on
    /// the line: 128 that lost its first digit is 28, and would hide that the instrument was switched on.
    fn untroubled(&self, events: i64) -> Result<(), SessionError> {
        if (0..256).contains(&events) && (events & POWER_ON != 0 || events & ERRORS == 0) {
            return Ok(());
        }
        let why = format!("the event register is {events}, which tells of an error that nobody complained of");
        Err(SessionError::Wrong { asked: "*ESR?".into(), link: self.describe(), why })
    }
}

/// Cuts a line at the semicolons outside of strings (IEEE 488.2, 8.4.1).
fn split(line: &str) -> Vec<&str> {
    let (mut parts, mut from, mut quote) = (Vec::new(), 0, None);
    for (place, c) in line.char_indices() {
        match (quote, c) {
            (Some(open), _) if open == c => quote = None,
            (None, '"' | '\'') => quote = Some(c),
            (None, ';') => {
                parts.push(line[from..place].trim());
                from = place + 1;
            }
            _ => {}
        }
    }
    parts.push(line[from..].trim());
    parts
}

#[cfg(test)]
mod tests {
    use super::split;

    #[test]
    fn a_line_is_cut_outside_of_strings() {
        assert_eq!(split("1; 2"), ["1", "2"]);
        assert_eq!(split("0;-113,\"Undefined header;X\";7"), ["0", "-113,\"Undefined header;X\"", "7"]);
        assert_eq!(split("\"a\"\"b;c\""), ["\"a\"\"b;c\""]);
        assert_eq!(split(""), [""]);
    }
}
