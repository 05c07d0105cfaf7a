//! The place in the stream of answers: known before each exchange, proven after a row of them, and what came
//! that belonged to none.

use super::session::{MOST_STRAYS, POWER_ON, built};
use super::{Session, SessionError, answer, frame};

impl Session {
    /// Starts a row of exchanges that [`Self::confirm`] will end: makes sure of the place in the
    /// stream, and forgets what was in doubt before.
    ///
    /// # Errors
    /// [`SessionError`].
    pub async fn fresh(&mut self) -> Result<(), SessionError> {
        self.begin().await?;
        self.doubt = false;
        self.in_step = true;
        Ok(())
    }

    /// Proves that every answer since the last check was its own question's: the place in the stream
    /// was never lost meanwhile, and the very next line is a value not used lately that was just set.
    ///
    /// An answer too many shifts all later ones, until it is seen here or the place is lost by it.
    ///
    /// # Errors
    /// [`SessionError::OutOfStep`]: nothing read since the last check may be used.
    pub async fn confirm(&mut self) -> Result<(), SessionError> {
        self.begin().await?;
        if core::mem::take(&mut self.doubt) {
            self.in_step = true;
            let why = "the place in the stream had to be found again".into();
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        let (nonce, ask) = self.next_nonce();
        let line = self.ask_line(&ask.and(&self.restore())).await?;
        if answer::integer(self.bare(&line)).ok() != Some(i64::from(nonce)) {
            self.keep_stray(line.as_bytes());
            let why = format!("`{}` came where {nonce} was due", line.chars().take(40).collect::<String>());
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        self.settle_step();
        Ok(())
    }

    /// Whether the instrument was switched on since this was last asked; asking clears the event register.
    ///
    /// # Errors
    /// [`SessionError`]; [`SessionError::Changed`] when another one was switched on in its place.
    pub async fn restarted(&mut self) -> Result<bool, SessionError> {
        let events = self.query_as(&built("*ESR?"), answer::integer).await?;
        self.switched_on(events & POWER_ON != 0).await
    }

    /// After the event register was read: whether it, or a resynchronisation before, told of a switching on.
    pub(super) async fn switched_on(&mut self, told: bool) -> Result<bool, SessionError> {
        let seen = core::mem::take(&mut self.power_on);
        if told {
            // Switched on anew, it may be another one on the same cable.
            self.stranger = true;
            self.in_step = false;
            self.resynchronise().await?;
            self.in_step = true;
        }
        Ok(seen || core::mem::take(&mut self.power_on) || told)
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
    pub(super) async fn begin(&mut self) -> Result<(), SessionError> {
        if !self.in_step || self.something_waits().await {
            self.in_step = false;
            self.doubt = true;
            self.evidence.fault();
            self.resynchronise().await?;
        }
        self.in_step = false;
        Ok(())
    }

    /// Whether bytes are there that nobody asked for, or the link is gone; the bytes go to the log.
    async fn something_waits(&mut self) -> bool {
        let now = self.clock.now();
        let mut gone = false;
        while self.buffer.len() <= MOST_STRAYS {
            if let Err(error) = self.link.receive_into(&mut self.buffer, now).await {
                gone = !error.is_timeout();
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
        waits || gone
    }

    /// After a whole answer: what is left over makes the place unknown.
    pub(super) fn settle_step(&mut self) {
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

    /// After a reply that failed to come: finds the place again and asks the error queue why.
    pub(super) async fn explain(&mut self, error: SessionError) -> SessionError {
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
}
