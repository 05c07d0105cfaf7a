//! Exchanges that leave no doubt: a command that is known to have arrived, a question asked until its
//! answers agree, an event register that shows nothing untoward.

use super::session::built;
use super::{Due, Identity, Message, Session, SessionError, answer};

/// Most askings of who the instrument is.
const MOST_IDENTITIES: usize = 5;
impl Session {
    /// Asks who it is, and keeps it: after the link was opened anew the same one must answer.
    ///
    /// # Errors
    /// [`SessionError`]; [`SessionError::Changed`] when another one answers than before.
    pub async fn identify(&mut self) -> Result<Identity, SessionError> {
        self.fresh().await?;
        // The answer becomes the measure of all later ones: a letter that the line spoilt would make a stranger
        // of the instrument for ever.
        let is = self.who_alike(None).await?;
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

    /// Sends commands as one message, together with a value not used lately and the question for it: its answer
    /// proves that the message arrived. Then reads the error queue.
    ///
    /// A lost command has no other sign: the instrument simply goes on as it was.
    ///
    /// # Errors
    /// [`SessionError::Refused`] with what the queue says, [`SessionError::OutOfStep`], and others.
    pub(crate) async fn acknowledged(&mut self, messages: &[Message]) -> Result<(), SessionError> {
        // What the queue said before is no answer to this.
        self.begin().await?;
        self.in_step = true;
        self.drained.clear();
        let units: Vec<(Message, Due)> = messages.iter().map(|message| (message.clone(), Due::Nothing)).collect();
        if self.row_fits(&units) {
            let settled = self.row(&units, self.profile.first_byte).await?.settled;
            // Whoever asks for it later is told.
            self.power_on |= settled.restarted;
            return self.unrefused(messages, settled.complaints);
        }
        let resyncs = self.resyncs();
        self.begin().await?;
        let (nonce, question) = self.next_nonce();
        let joined = messages.iter().chain([&question]).cloned().reduce(|all, next| all.and(&next));
        let message = joined.unwrap_or(question);
        let line = self.ask_line(&message).await?;
        if answer::integer(self.bare(&line)).ok() != Some(i64::from(nonce)) {
            self.keep_stray(line.as_bytes());
            let why = format!("`{}` came where {nonce} was due", line.chars().take(40).collect::<String>());
            return Err(SessionError::OutOfStep { link: self.describe(), why });
        }
        self.settle_step();
        self.no_complaints(messages, resyncs).await
    }

    /// Reads the error queue, which must be empty: `asked` is what it would complain of.
    ///
    /// # Errors
    /// [`SessionError::Refused`], and others.
    pub async fn uncomplaining(&mut self, asked: &[Message]) -> Result<(), SessionError> {
        let resyncs = self.resyncs();
        self.no_complaints(asked, resyncs).await
    }

    /// How many readings of so many bytes must agree on this line.
    pub(crate) fn readings(&self, bytes: usize) -> u32 {
        self.evidence.readings(bytes)
    }

    /// Two readings differed, or a check of what was read failed.
    pub(crate) fn note_garbled(&mut self) {
        self.evidence.fault();
    }

    /// Who it is, by one answer that is the known one, or by two that agree.
    pub(super) async fn who_alike(&mut self, known: Option<&Identity>) -> Result<Identity, SessionError> {
        let asked = built("*IDN?");
        let mut heard: Vec<Identity> = Vec::new();
        self.in_step = false;
        for _ in 0..MOST_IDENTITIES {
            self.send(&asked).await?;
            let line = self.read_line(asked.text(), self.profile.first_byte).await?;
            let is = answer::identity(self.bare(&line)).map_err(|trouble| self.wrong(&asked, &trouble))?;
            if known == Some(&is) || heard.contains(&is) {
                self.settle_step();
                return Ok(is);
            }
            if !heard.is_empty() {
                self.evidence.fault();
            }
            heard.push(is);
        }
        let why = format!("it names itself differently each of {MOST_IDENTITIES} times: the line garbles bytes");
        Err(SessionError::Wrong { asked: asked.text().to_owned(), link: self.describe(), why })
    }
}
