//! A session with one instrument: one query outstanding, and no late reply taken for another's.
//!
//! The rule: before a query is sent, the place in the stream must be known. Any fault (a timeout,
//! bytes too many or too few, a dropped future) makes it unknown, and the next exchange first
//! resynchronises. What came in order still may have been spoilt by a reply too many; so whoever
//! uses several answers together ends with [`Session::confirm`], which proves that the last
//! answer was the last.

use super::{ErrorClass, ErrorEntry, Identity, Message, Profile, Trouble, answer, frame};
use crate::link::{Link, LinkError};
use core::time::Duration;
use std::collections::VecDeque;
use tapewright_clock::{Clock, Instant};

/// Why an exchange with an instrument failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SessionError {
    /// The link failed.
    #[error("{link}: sending or receiving failed at `{asked}`")]
    Link {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// Why.
        #[source]
        source: Box<LinkError>,
    },
    /// No reply, or only part of one.
    #[error("{link}: no whole answer to `{asked}`: {got} bytes came, then nothing for {waited_s:.3} s{}", say(.complaints))]
    NoReply {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// Bytes that came.
        got: usize,
        /// How long the wait was.
        waited_s: f64,
        /// What the instrument's error queue says.
        complaints: Vec<ErrorEntry>,
    },
    /// A reply that is not what was asked for.
    #[error("{link}: the answer to `{asked}` is wrong: {why}")]
    Wrong {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// What is wrong.
        why: String,
    },
    /// The instrument refused.
    #[error("{link}: the instrument refused `{asked}`{}", say(.complaints))]
    Refused {
        /// What was sent.
        asked: String,
        /// Which link.
        link: String,
        /// What its error queue says.
        complaints: Vec<ErrorEntry>,
    },
    /// More answers came than questions were asked, so none since the last check can be trusted.
    #[error("{link}: answers came out of step ({why}); nothing read since the last check is used")]
    OutOfStep {
        /// Which link.
        link: String,
        /// What was seen.
        why: String,
    },
    /// The instrument does not come back.
    #[error(
        "{link}: the instrument is lost: {tried}, and opening the link anew did not help; check its power, its cable and, on a serial line, the baud rate"
    )]
    Lost {
        /// Which link.
        link: String,
        /// What was tried.
        tried: String,
        /// The last failure of the link, if it was one.
        #[source]
        source: Option<Box<LinkError>>,
    },
    /// Another instrument answers than before.
    #[error(
        "{link}: another instrument answers than before: it was `{was}`, now it is `{is}`; put the first one back, or set the bench up anew"
    )]
    Changed {
        /// Which link.
        link: String,
        /// Who it was.
        was: Box<Identity>,
        /// Who it is.
        is: Box<Identity>,
    },
}

fn say(entries: &[ErrorEntry]) -> String {
    if entries.is_empty() {
        return String::new();
    }
    let list: Vec<String> = entries.iter().map(ToString::to_string).collect();
    format!("; it says: {}", list.join(", "))
}

impl SessionError {
    /// Whether asking again may help: the exchange was spoilt, the instrument did not say no.
    #[must_use]
    pub const fn is_fault(&self) -> bool {
        matches!(self, Self::NoReply { .. } | Self::Wrong { .. } | Self::OutOfStep { .. } | Self::Link { .. })
    }

    /// What the instrument's error queue said, if it said anything.
    #[must_use]
    pub fn complaints(&self) -> &[ErrorEntry] {
        match self {
            Self::NoReply { complaints, .. } | Self::Refused { complaints, .. } => complaints,
            _ => &[],
        }
    }
}

/// Most entries read from an error queue at once: some sets repeat one for ever.
const MOST_ERRORS: usize = 64;
/// Most stray bytes kept for the log.
const MOST_STRAYS: usize = 64 * 1024;

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
    pub(super) drained: Vec<ErrorEntry>,
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
            drained: Vec::new(),
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

    /// Asks who it is, and keeps it: after the link was opened anew the same one must answer.
    ///
    /// # Errors
    /// [`SessionError`]; [`SessionError::Changed`] when another one answers than before.
    pub async fn identify(&mut self) -> Result<Identity, SessionError> {
        let asked = built("*IDN?");
        let text = self.query(&asked).await?;
        let is = answer::identity(&text).map_err(|trouble| self.wrong(&asked, &trouble))?;
        // The answer becomes the measure of all later ones, so it must be in step for certain.
        self.confirm().await?;
        match self.identity.clone() {
            Some(was) if was != is => {
                Err(SessionError::Changed { link: self.describe(), was: Box::new(was), is: Box::new(is) })
            }
            _ => {
                self.identity = Some(is.clone());
                Ok(is)
            }
        }
    }

    /// Forgets who the instrument was, so that another may take its place.
    pub fn forget_identity(&mut self) {
        self.identity = None;
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

    /// Sends commands one by one, then reads the error queue.
    ///
    /// # Errors
    /// [`SessionError::Refused`] with what the queue says, and others.
    pub async fn group(&mut self, messages: &[Message]) -> Result<(), SessionError> {
        self.begin().await?;
        self.in_step = true;
        // What the queue said before is no answer to this group.
        self.drained.clear();
        let resyncs = self.resyncs;
        for message in messages {
            self.command(message).await?;
        }
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
        self.begin().await?;
        self.send(message).await?;
        match self.read_line(message.text(), first_byte).await {
            Ok(line) => {
                self.settle_step();
                Ok(if self.profile.reply_header { answer::without_header(&line).to_owned() } else { line })
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
        match self.read_block(message.text(), most.min(self.profile.most_block)).await {
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

    /// Proves that no answer too many stands in the stream: a value not used lately is set and
    /// asked, and its very next line must be it.
    ///
    /// # Errors
    /// [`SessionError::OutOfStep`]: nothing read since the last check may be used.
    pub async fn confirm(&mut self) -> Result<(), SessionError> {
        if !self.in_step {
            self.begin().await?;
            return Err(SessionError::OutOfStep {
                link: self.describe(),
                why: "bytes came that nobody asked for".into(),
            });
        }
        // `begin` would hide that it had to resynchronise, so what is there already is looked at here.
        if self.something_waits().await {
            self.in_step = false;
            self.begin().await?;
            return Err(SessionError::OutOfStep {
                link: self.describe(),
                why: "bytes came that nobody asked for".into(),
            });
        }
        self.in_step = false;
        let (nonce, message) = self.next_nonce();
        self.send(&message).await?;
        let line = match self.read_line(message.text(), self.profile.first_byte).await {
            Ok(line) => line,
            Err(error) => return Err(self.explain(error).await),
        };
        if answer::integer(self.bare(&line)).ok() != Some(i64::from(nonce)) {
            self.keep_stray(line.as_bytes());
            let why = format!("`{}` came where {nonce} was due", line.chars().take(40).collect::<String>());
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        self.settle_step();
        let clean = core::mem::replace(&mut self.in_step, false);
        let restore = self.restore();
        self.send(&restore).await?;
        self.in_step = clean;
        Ok(())
    }

    /// Whether the instrument was switched on since this was last asked; asking clears the event register.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn restarted(&mut self) -> Result<bool, SessionError> {
        let seen = core::mem::take(&mut self.power_on);
        let events = self.query_as(&built("*ESR?"), answer::integer).await?;
        Ok(seen || self.power_on || events & POWER_ON != 0)
    }

    /// Makes sure of the place in the stream now.
    ///
    /// # Errors
    /// [`SessionError::Lost`] and others.
    pub async fn synchronise(&mut self) -> Result<(), SessionError> {
        self.in_step = false;
        self.begin().await?;
        self.in_step = true;
        Ok(())
    }

    /// Before an exchange: in step, and nothing waits. Leaves `in_step` false, so that an exchange
    /// that is dropped half-way is found by the next.
    async fn begin(&mut self) -> Result<(), SessionError> {
        if !self.in_step || self.something_waits().await {
            self.in_step = false;
            self.resynchronise().await?;
        }
        self.in_step = false;
        Ok(())
    }

    /// Whether bytes are there that nobody asked for; they go to the log.
    async fn something_waits(&mut self) -> bool {
        let now = self.clock.now();
        while let Ok(bytes) = self.link.receive(now).await {
            self.buffer.extend_from_slice(&bytes);
            if self.buffer.len() > MOST_STRAYS {
                break;
            }
        }
        let waits = if self.profile.padding {
            self.buffer.iter().any(|&b| !frame::is_blank(b))
        } else {
            !self.buffer.is_empty()
        };
        let bytes = core::mem::take(&mut self.buffer);
        self.keep_stray(&bytes);
        waits
    }

    /// After a whole answer: what is left over makes the place unknown.
    fn settle_step(&mut self) {
        let clean =
            if self.profile.padding { self.buffer.iter().all(|&b| frame::is_blank(b)) } else { self.buffer.is_empty() };
        let left = core::mem::take(&mut self.buffer);
        self.keep_stray(&left);
        self.on_its_way = 0;
        self.in_step = clean;
    }

    pub(super) fn keep_stray(&mut self, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        tracing::debug!(link = %self.link.describe(), bytes = bytes.len(), "stray bytes: {}", bytes[..bytes.len().min(80)].escape_ascii());
        self.strays.extend(bytes);
        let over = self.strays.len().saturating_sub(MOST_STRAYS);
        self.strays.drain(..over);
    }

    pub(super) async fn send(&mut self, message: &Message) -> Result<(), SessionError> {
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

    pub(super) async fn read_line(&mut self, asked: &str, first_byte: Duration) -> Result<String, SessionError> {
        let whole = self.clock.now()
            + self.profile.whole_with(self.profile.most_line.min(4096), self.link.byte_s())
            + first_byte;
        let mut first = Some(first_byte);
        loop {
            self.skip_padding();
            match frame::line(&self.buffer, self.profile.most_line) {
                Ok((used, text)) => {
                    let text = text.to_owned();
                    self.buffer.drain(..used);
                    return Ok(text);
                }
                Err(Trouble::Incomplete(_)) => self.more(asked, &mut first, whole).await?,
                Err(trouble) => return Err(self.wrong_text(asked, &trouble)),
            }
        }
    }

    async fn read_block(&mut self, asked: &str, most: usize) -> Result<Vec<u8>, SessionError> {
        let byte_s = self.link.byte_s();
        let mut whole = self.clock.now() + self.profile.whole_with(64, byte_s);
        let mut first = Some(self.profile.first_byte);
        let mut head = None;
        loop {
            self.skip_padding();
            if self.profile.reply_header {
                // A header word stands before the block: letters up to a blank.
                let text = self.buffer.iter().take(64).position(|&b| b == b' ').filter(|_| self.buffer[0] != b'#');
                self.buffer.drain(..text.map_or(0, |place| place + 1));
            }
            if head.is_none() {
                match frame::block_header(&self.buffer, most) {
                    Ok(header) => {
                        let bytes = header.header + header.data.unwrap_or(most) + 2;
                        self.buffer.reserve(header.data.unwrap_or(0) + 2);
                        whole = self.clock.now() + self.profile.whole_with(bytes, byte_s);
                        head = Some(header);
                    }
                    Err(Trouble::Incomplete(_)) => {
                        self.more(asked, &mut first, whole).await?;
                        continue;
                    }
                    Err(trouble) => return Err(self.wrong_text(asked, &trouble)),
                }
            }
            let size = head.and_then(|head| head.data.map(|data| head.header + data));
            self.on_its_way = size.map_or(0, |size| size.saturating_sub(self.buffer.len()));
            // Only the bytes that decide are looked at again, not the whole block at each chunk.
            match size {
                Some(size) if self.buffer.len() <= size => {
                    let data = self.buffer.len() == size;
                    match self.more(asked, &mut first, whole).await {
                        Err(SessionError::NoReply { .. }) if data && self.profile.bare_block => {
                            let header = head.map_or(0, |head| head.header);
                            return Ok(core::mem::take(&mut self.buffer).split_off(header));
                        }
                        other => other?,
                    }
                }
                Some(_) => match frame::block(&self.buffer, most, self.profile.padding) {
                    Ok((used, data)) => {
                        let data = data.to_vec();
                        self.buffer.drain(..used);
                        return Ok(data);
                    }
                    Err(Trouble::Incomplete(_)) => self.more(asked, &mut first, whole).await?,
                    Err(trouble) => return Err(self.wrong_text(asked, &trouble)),
                },
                None => {
                    let why = "it is indefinite (`#0`), and on this link nothing marks its end; choose another format of data";
                    return Err(self.wrong_text(asked, &Trouble::Hopeless(why.into())));
                }
            }
        }
    }

    /// Waits for more bytes of a reply.
    async fn more(&mut self, asked: &str, first: &mut Option<Duration>, whole: Instant) -> Result<(), SessionError> {
        let wait = match *first {
            Some(wait) if self.buffer.is_empty() => wait,
            _ => self.profile.gap_with(self.link.byte_s()),
        };
        let began = self.clock.now();
        match self.link.receive((began + wait).min(whole)).await {
            Ok(bytes) => {
                *first = None;
                self.buffer.extend_from_slice(&bytes);
                Ok(())
            }
            Err(error) if error.is_timeout() => Err(SessionError::NoReply {
                asked: asked.to_owned(),
                link: self.describe(),
                got: self.buffer.len(),
                waited_s: self.clock.now().since(began).as_secs_f64(),
                complaints: Vec::new(),
            }),
            Err(source) => {
                Err(SessionError::Link { asked: asked.to_owned(), link: self.describe(), source: Box::new(source) })
            }
        }
    }

    fn skip_padding(&mut self) {
        if self.profile.padding {
            let blank = frame::blanks(&self.buffer);
            self.buffer.drain(..blank);
        }
    }

    /// After a reply that failed to come: finds the place again and asks the error queue why.
    async fn explain(&mut self, error: SessionError) -> SessionError {
        match error {
            SessionError::NoReply { asked, link, got, waited_s, .. } => match self.synchronise().await {
                Ok(()) => {
                    SessionError::NoReply { asked, link, got, waited_s, complaints: core::mem::take(&mut self.drained) }
                }
                Err(worse) => worse,
            },
            other => other,
        }
    }

    pub(super) fn bare<'a>(&self, line: &'a str) -> &'a str {
        if self.profile.reply_header { answer::without_header(line) } else { line }
    }

    pub(super) fn wrong(&self, asked: &Message, trouble: &Trouble) -> SessionError {
        self.wrong_text(asked.text(), trouble)
    }

    fn wrong_text(&self, asked: &str, trouble: &Trouble) -> SessionError {
        SessionError::Wrong { asked: asked.to_owned(), link: self.describe(), why: trouble.to_string() }
    }
}

/// A message of a header that is known to be one.
pub(super) fn built(header: &'static str) -> Message {
    Message::new(header).expect("a header written in this file is one")
}
