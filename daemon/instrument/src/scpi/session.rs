//! A session with one instrument: one query outstanding, and no late reply taken for another's.
//!
//! The rule: before a query is sent, the place in the stream must be known. Any fault (a timeout,
//! bytes too many or too few, a dropped future) makes it unknown, and the next exchange first
//! resynchronises. What came in order still may have been spoilt by a reply too many; so whoever
//! uses several answers together ends with [`Session::confirm`], which proves that the last
//! answer was the last.

use super::evidence::Evidence;
use super::{ErrorEntry, ErrorForm, Identity, Message, Profile, SessionError, Trouble, answer};
use crate::link::Link;
use core::time::Duration;
use std::collections::VecDeque;
use tapewright_clock::Clock;

/// Most entries read from an error queue at once: some sets repeat one for ever.
const MOST_ERRORS: usize = 64;
/// Most stray bytes kept for the log.
pub(super) const MOST_STRAYS: usize = 64 * 1024;

/// Bit of the standard event register that says power on (IEEE 488.2, 11.5.1).
pub(super) const POWER_ON: i64 = 0x80;

/// A session over a link.
pub struct Session {
    pub(super) link: Box<dyn Link>,
    pub(super) clock: Clock,
    pub(super) profile: Profile,
    /// Bytes that have come and are not used yet.
    pub(super) buffer: Vec<u8>,
    /// Whether the place in the stream is known.
    pub(super) in_step: bool,
    /// Bytes of a block that is known to be on its way still.
    pub(super) on_its_way: usize,
    pub(super) nonce: u8,
    pub(super) identity: Option<Identity>,
    pub(super) strays: VecDeque<u8>,
    pub(super) resyncs: u64,
    pub(super) reopened: u64,
    pub(super) power_on: bool,
    /// Whether anything since the last check may have been another's answer.
    pub(super) doubt: bool,
    /// Whether it is to be asked yet who answers, since the link was opened anew.
    pub(super) stranger: bool,
    pub(super) drained: Vec<ErrorEntry>,
    /// What was sent last: an answer's header is known by it.
    pub(super) asked: String,
    /// How well the line carries bytes, as far as it has shown.
    pub(super) evidence: Evidence,
}

impl Session {
    /// A session; nothing is sent yet. The first exchange resynchronises.
    #[must_use]
    pub fn new(link: Box<dyn Link>, clock: Clock, profile: Profile) -> Self {
        Self {
            link,
            clock,
            profile,
            buffer: Vec::new(),
            in_step: false,
            on_its_way: 0,
            nonce: 0,
            identity: None,
            strays: VecDeque::new(),
            resyncs: 0,
            reopened: 0,
            power_on: false,
            doubt: false,
            stranger: false,
            drained: Vec::new(),
            asked: String::new(),
            evidence: Evidence::default(),
        }
    }

    /// The clock.
    #[must_use]
    pub const fn clock(&self) -> &Clock {
        &self.clock
    }

    /// The profile.
    #[must_use]
    pub const fn profile(&self) -> &Profile {
        &self.profile
    }

    /// What the link calls itself.
    #[must_use]
    pub fn describe(&self) -> String {
        self.link.describe()
    }

    /// Seconds a byte takes on the wire.
    #[must_use]
    pub fn byte_s(&self) -> f64 {
        self.link.byte_s()
    }

    /// How often it had to resynchronise. Settings may be gone when [`Self::reopened`] grows.
    #[must_use]
    pub const fn resyncs(&self) -> u64 {
        self.resyncs
    }

    /// How often the link was opened anew.
    #[must_use]
    pub const fn reopened(&self) -> u64 {
        self.reopened
    }

    /// Bytes that belonged to no answer, newest last, at most 64 KiB.
    #[must_use]
    pub fn strays(&self) -> Vec<u8> {
        self.strays.iter().copied().collect()
    }

    /// Who the instrument is, as last asked.
    #[must_use]
    pub const fn identity(&self) -> Option<&Identity> {
        self.identity.as_ref()
    }

    /// Forgets who the instrument was, so that another may take its place.
    pub fn forget_identity(&mut self) {
        self.identity = None;
        self.stranger = false;
    }

    /// Sends a command that has no answer.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn command(&mut self, message: &Message) -> Result<(), SessionError> {
        self.begin().await?;
        self.send(message).await?;
        self.in_step = true;
        Ok(())
    }

    /// Asks, and returns the line that is the answer, without blanks around it.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn query(&mut self, message: &Message) -> Result<String, SessionError> {
        self.query_within(message, self.profile.first_byte).await
    }

    /// As [`Self::query`], for answers that take their time.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn query_within(&mut self, message: &Message, first_byte: Duration) -> Result<String, SessionError> {
        let line = self.whole_line(message, first_byte).await?;
        Ok(self.bare(&line).to_owned())
    }

    /// As [`Self::query`], header words included.
    pub(super) async fn query_whole(&mut self, message: &Message) -> Result<String, SessionError> {
        self.whole_line(message, self.profile.first_byte).await
    }

    async fn whole_line(&mut self, message: &Message, first_byte: Duration) -> Result<String, SessionError> {
        self.begin().await?;
        self.send(message).await?;
        match self.read_line(message.text(), first_byte).await {
            Ok(line) => {
                self.settle_step();
                Ok(line)
            }
            Err(error) => Err(self.explain(error).await),
        }
    }

    /// Asks for a definite block of at most `most` bytes.
    ///
    /// # Errors
    /// [`SessionError`]; a count that is off is [`SessionError::Wrong`].
    pub async fn query_block(&mut self, message: &Message, most: usize) -> Result<Vec<u8>, SessionError> {
        self.begin().await?;
        self.send(message).await?;
        match self.read_block(message.text(), most.min(self.profile.most_block), true).await {
            Ok(data) => {
                self.settle_step();
                Ok(data)
            }
            Err(error) => Err(self.explain(error).await),
        }
    }

    /// Asks, and reads the answer by one of the functions of [`answer`].
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn query_as<T>(
        &mut self,
        message: &Message,
        read: impl FnOnce(&str) -> Result<T, Trouble>,
    ) -> Result<T, SessionError> {
        let line = self.query(message).await?;
        read(&line).map_err(|trouble| {
            // A whole line of the wrong kind may be another query's answer.
            self.in_step = false;
            self.wrong(message, &trouble)
        })
    }

    /// Reads the error queue to its end.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn errors(&mut self) -> Result<Vec<ErrorEntry>, SessionError> {
        if self.profile.errors != ErrorForm::Queue {
            return self.family_errors().await;
        }
        let asked = built("SYSTem:ERRor?");
        let mut entries = core::mem::take(&mut self.drained);
        while entries.len() < MOST_ERRORS {
            let entry = self.query_as(&asked, answer::error_entry).await?;
            if entry.code == 0 {
                break;
            }
            entries.push(entry);
        }
        Ok(entries)
    }

    /// Sends a question and reads the line that comes; whether it was the answer is for the caller to say.
    pub(super) async fn ask_line(&mut self, message: &Message) -> Result<String, SessionError> {
        self.send(message).await?;
        match self.read_line(message.text(), self.profile.first_byte).await {
            Ok(line) => Ok(line),
            Err(error) => Err(self.explain(error).await),
        }
    }

    pub(super) async fn send(&mut self, message: &Message) -> Result<(), SessionError> {
        message.text().clone_into(&mut self.asked);
        let mut bytes = message.text().as_bytes().to_vec();
        bytes.extend_from_slice(self.profile.terminator.bytes());
        let deadline = self.clock.now() + self.profile.whole_with(bytes.len(), self.link.byte_s());
        let sent = self.link.send(&bytes, deadline).await;
        sent.map_err(|source| SessionError::Link {
            asked: message.text().to_owned(),
            link: self.describe(),
            source: Box::new(source),
        })?;
        if self.profile.echo {
            let line = self.read_line(message.text(), self.profile.first_byte).await?;
            if line != message.text() {
                let why = format!("its echo is `{}`", line.escape_debug());
                return Err(SessionError::Wrong { asked: message.text().to_owned(), link: self.describe(), why });
            }
        }
        Ok(())
    }

    pub(super) fn bare<'a>(&self, line: &'a str) -> &'a str {
        self.bare_of(&self.asked, line)
    }

    /// An answer without the header word of what was asked, where this instrument sends one.
    pub(super) fn bare_of<'a>(&self, asked: &str, line: &'a str) -> &'a str {
        if self.profile.reply_header { answer::without_header(asked, line) } else { line }
    }

    pub(super) fn wrong(&self, asked: &Message, trouble: &Trouble) -> SessionError {
        self.wrong_text(asked.text(), trouble)
    }

    pub(super) fn wrong_text(&self, asked: &str, trouble: &Trouble) -> SessionError {
        SessionError::Wrong { asked: asked.to_owned(), link: self.describe(), why: trouble.to_string() }
    }
}

/// A message of a header that is known to be one.
pub(super) fn built(header: &'static str) -> Message {
    Message::new(header).expect("a header written in this file is one")
}
