//! Commands and questions in one message, with all answers in one response (IEEE 488.2, 8.4.1) that ends
//! with the proof that it is the answer to this message and to no other. On a serial line each message
//! that is not sent is time for data.

use super::complaints::ERRORS;
use super::rows::split;
use super::session::{POWER_ON, built};
use super::{ErrorClass, ErrorEntry, ErrorForm, Message, Session, SessionError, answer};
use core::time::Duration;
use tapewright_clock::Instant;

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

/// What a message of a row is answered by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Due {
    /// Nothing: it is a command.
    Nothing,
    /// So many texts, with `;` between them: a question may be answered by several.
    Texts(usize),
    /// A definite block of at most so many bytes.
    Block(usize),
}

/// One answer of a row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Answer {
    /// Text, header words taken off.
    Text(String),
    /// A block's data.
    Block(Vec<u8>),
}

impl Due {
    /// A text for each question of a message.
    pub(crate) fn texts(message: &Message) -> Self {
        Self::Texts(split(message.text()).into_iter().filter(|unit| unit.contains('?')).count())
    }
}

impl Answer {
    /// Its text; nothing of a block.
    pub(crate) fn text(&self) -> &str {
        if let Self::Text(text) = self { text } else { "" }
    }

    /// Bytes that it took on the line, about.
    pub(crate) const fn bytes(&self) -> usize {
        match self {
            Self::Text(text) => text.len() + 1,
            Self::Block(data) => data.len() + 1,
        }
    }
}

/// What came to a row.
#[derive(Debug)]
pub(crate) struct Row {
    /// The answers, in the order of their questions.
    pub(crate) answers: Vec<Answer>,
    /// When the first of them was there.
    pub(crate) heard: Instant,
    /// What the check at its end found.
    pub(crate) settled: Settled,
}

impl Session {
    /// Whether these messages go in one, with the check at its end.
    pub(crate) fn row_fits(&self, units: &[(Message, Due)]) -> bool {
        let bytes: usize = units.iter().map(|(message, _)| message.text().len() + 2).sum();
        self.profile.compound && bytes + self.ending(u8::MAX).text().len() < self.profile.most_message
    }

    /// Sends messages as one and reads all their answers, then what the error queue holds, whether the instrument
    /// was switched on anew, and a value not used lately that the same message set: it proves that the message
    /// arrived, and that each answer before it was its own question's.
    ///
    /// # Errors
    /// As [`Session::confirm`]: nothing read since the last check may be used.
    pub(crate) async fn row(&mut self, units: &[(Message, Due)], first_byte: Duration) -> Result<Row, SessionError> {
        self.begin().await?;
        if core::mem::take(&mut self.doubt) {
            self.in_step = true;
            let why = "the place in the stream had to be found again".into();
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        let mut complaints = core::mem::take(&mut self.drained);
        let (nonce, _) = self.next_nonce();
        let ending = self.ending(nonce);
        let sent = units.iter().map(|(message, _)| message).chain([&ending]).cloned();
        let message = sent.reduce(|all, next| all.and(&next)).unwrap_or(ending);
        self.send(&message).await?;
        let (answers, heard, line) = match self.read_row(units, message.text(), first_byte).await {
            Ok(read) => read,
            Err(error) => return Err(self.explain(error).await),
        };
        let parts = split(&line);
        let queue = self.profile.errors == ErrorForm::Queue;
        let read = match parts.as_slice() {
            [events, between @ .., last]
                if between.len() == usize::from(queue)
                    && answer::integer(self.bare_of("*ESE?", last)).ok() == Some(i64::from(nonce)) =>
            {
                let entry = between.first().map(|entry| answer::error_entry(self.bare_of("SYSTem:ERRor?", entry)).ok());
                answer::integer(self.bare_of("*ESR?", events)).ok().zip(entry.unwrap_or(Some(ErrorEntry::none())))
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
        if !queue && events & ERRORS != 0 {
            complaints.extend(self.readable_errors(events).await?);
        }
        let settled = self.settled(complaints, events).await?;
        Ok(Row { answers, heard, settled })
    }

    /// The end of a row: event register, error queue where there is one, and a value set, asked and put back.
    fn ending(&self, nonce: u8) -> Message {
        let register = built("*ESR?");
        let errors = if self.profile.errors == ErrorForm::Queue {
            register.and(&built("SYSTem:ERRor?").short())
        } else {
            register
        };
        errors.and(&Self::nonce_message(nonce)).and(&self.restore())
    }

    /// The answers of a row, when the first was there, and the line at the end.
    async fn read_row(
        &mut self,
        units: &[(Message, Due)],
        asked: &str,
        first_byte: Duration,
    ) -> Result<(Vec<Answer>, Instant, String), SessionError> {
        let (mut answers, mut heard, mut wait) = (Vec::new(), None, first_byte);
        for (message, due) in units {
            match due {
                Due::Nothing => continue,
                Due::Block(most) => answers.push(Answer::Block(self.read_block(asked, *most, false).await?)),
                Due::Texts(count) => {
                    let mut texts = Vec::new();
                    for _ in 0..*count {
                        texts.push(self.read_unit(asked, wait).await?);
                        heard.get_or_insert(self.clock.now());
                        wait = self.profile.first_byte;
                    }
                    answers.push(Answer::Text(self.bare_of(message.text(), &texts.join(";")).to_owned()));
                }
            }
            heard.get_or_insert(self.clock.now());
            wait = self.profile.first_byte;
        }
        let line = self.read_line(asked, wait).await?;
        Ok((answers, heard.unwrap_or_else(|| self.clock.now()), line))
    }

    /// Ends a row of exchanges that [`Self::fresh`] began: what the error queue holds, whether the
    /// instrument was switched on anew, and the proof of [`Self::confirm`]; in one message where the
    /// instrument takes that.
    ///
    /// # Errors
    /// As [`Self::confirm`]: nothing read since the last check may be used.
    pub async fn settle(&mut self) -> Result<Settled, SessionError> {
        if self.profile.compound {
            return Ok(self.row(&[], self.profile.first_byte).await?.settled);
        }
        let complaints = self.errors().await?;
        let events = self.query_as(&built("*ESR?"), answer::integer).await?;
        let settled = self.settled(complaints, events).await?;
        self.confirm().await?;
        Ok(settled)
    }

    async fn settled(&mut self, mut complaints: Vec<ErrorEntry>, events: i64) -> Result<Settled, SessionError> {
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
