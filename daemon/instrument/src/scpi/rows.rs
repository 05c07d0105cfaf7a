//! Several exchanges at a time: commands, or questions for text, in one message where the instrument takes that
//! (SCPI-99 vol. 1, 6.2.4).

use super::{ErrorClass, ErrorEntry, Message, Session, SessionError, Trouble};

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
        self.unrefused(messages, complaints)?;
        if self.resyncs == resyncs {
            return Ok(());
        }
        // A command may have been lost with the place in the stream.
        let why = "the place was lost between commands".into();
        Err(SessionError::OutOfStep { link: self.describe(), why })
    }

    /// Complaints are a refusal of what was sent.
    pub(super) fn unrefused(&self, messages: &[Message], complaints: Vec<ErrorEntry>) -> Result<(), SessionError> {
        if complaints.is_empty() {
            return Ok(());
        }
        let asked: Vec<&str> = messages.iter().map(Message::text).collect();
        Err(SessionError::Refused { asked: asked.join("; "), link: self.describe(), complaints })
    }

    /// Asks several questions, in one message where the instrument takes that; answers in their order, read
    /// by one of the functions of [`answer`](super::answer).
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
}

/// Cuts a line at the semicolons outside of strings (IEEE 488.2, 8.4.1).
pub(super) fn split(line: &str) -> Vec<&str> {
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
