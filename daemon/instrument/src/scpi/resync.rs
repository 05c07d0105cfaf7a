//! Finding the place in the stream again after a fault, without losing what the instrument holds.
//!
//! 1. Where the link has a device clear, that; else nothing is sent until the line has been silent,
//!    and what comes meanwhile goes to the log.
//! 2. Without a device clear its substitute: the bytes or the break that the dialect names, or an empty line;
//!    silence again. On raw TCP the connection that is made anew in step 5 is the clear.
//! 3. A nonce: `*ESE n;*ESE?` with a value not used lately. Lines are read until one is it; what
//!    came before was late. A second nonce must then come at once, so that a late reply that
//!    happens to equal the first is found out.
//! 4. The mask is put back; the event register and the error queue are read to the end.
//! 5. After three failures the link is opened anew, and the same instrument must answer; after
//!    three more it is lost. Nothing loops for ever.
//!
//! Common practice, no source; the commands are IEEE 488.2, 10.10 to 10.12.

use super::session::{POWER_ON, built};
use super::{ErrorForm, Message, Session, SessionError, answer, frame};
use crate::link::LinkError;
use core::time::Duration;

/// Failures before the link is opened anew, and again before the instrument is lost.
const TRIES: u32 = 3;
/// Longest wait for silence beyond what a block on its way takes.
const SILENCE_WITHIN: Duration = Duration::from_secs(10);
/// Pauses between tries to open a link anew.
const REOPEN_PAUSES: [Duration; 4] =
    [Duration::from_millis(200), Duration::from_millis(500), Duration::from_secs(1), Duration::from_secs(2)];
/// Bits that a byte takes on a serial line.
const BITS_A_BYTE: f64 = 10.0;
/// Rates that instruments are met with (instrument makers' manuals, not named), the usual ones first.
const RATES: [u32; 8] = [9600, 115_200, 19_200, 38_400, 57_600, 4800, 2400, 1200];
/// Most lines read in search of a nonce.
const MOST_LINES: usize = 200;
/// Most entries of the error queue read while resynchronising.
const MOST_ERRORS: usize = 64;

/// Why one try failed.
enum Failed {
    Link(LinkError),
    Other(String),
}

impl Session {
    /// Finds the place in the stream, opening the link anew if it must.
    pub(super) async fn resynchronise(&mut self) -> Result<(), SessionError> {
        let mut last = Failed::Other(String::new());
        for round in 0..2 {
            if round == 1 {
                match self.open_anew().await {
                    Ok(()) => {}
                    Err(error) => {
                        last = Failed::Link(error);
                        break;
                    }
                }
            }
            for _ in 0..TRIES {
                match self.find_place().await {
                    Ok(()) => {
                        self.resyncs += 1;
                        if self.stranger {
                            self.same_instrument().await?;
                        }
                        return Ok(());
                    }
                    Err(failed) => {
                        if let Failed::Other(why) = &failed {
                            tracing::warn!(link = %self.link.describe(), "no answer in step yet: {why}");
                        }
                        // A closed link does not open by waiting.
                        let closed = matches!(&failed, Failed::Link(error) if !error.is_timeout());
                        last = failed;
                        if closed {
                            break;
                        }
                    }
                }
            }
        }
        let (tried, source) = match last {
            Failed::Link(error) => ("it could not be reached".to_owned(), Some(Box::new(error))),
            Failed::Other(why) => (format!("it gave no answer in step {} times ({why})", 2 * TRIES), None),
        };
        let remedy = self.remedy();
        Err(SessionError::Lost { link: self.describe(), tried, remedy, source })
    }

    /// What to do about an instrument that does not answer. On a serial line the rate is the first suspect: at
    /// a wrong one each side reads the other's bits at the wrong places, so that it hears noise or nothing.
    fn remedy(&self) -> String {
        let byte_s = self.link.byte_s();
        if byte_s <= 0.0 {
            return "check its power and its cable".into();
        }
        let baud = (BITS_A_BYTE / byte_s).round() as u32;
        let others: Vec<String> = RATES.iter().filter(|rate| **rate != baud).map(ToString::to_string).collect();
        let others = others.join(", ");
        let heard: Vec<u8> = self.strays.iter().chain(&self.buffer).copied().collect();
        let noise = heard.iter().filter(|byte| !matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n')).count();
        if noise > 2 && noise * 8 > heard.len() {
            let shown = &heard[..heard.len().min(12)];
            return format!(
                "what came (`{}`) is no text: the baud rate is probably wrong; {baud} was tried, look in the instrument's menu, or try {others}",
                shown.escape_ascii()
            );
        }
        if heard.is_empty() {
            return format!(
                "nothing came at all at {baud} baud: check its power, the cable (crossed or straight), and the baud rate in the instrument's menu, or try {others}"
            );
        }
        format!("check its power, its cable, and that {baud} baud is the rate in its menu (others are {others})")
    }

    /// Opens the link anew. A port that vanished (a plug, a bus that counts its devices again) is often back
    /// within seconds: it is looked for a few times, with growing pauses.
    async fn open_anew(&mut self) -> Result<(), LinkError> {
        tracing::warn!(link = %self.describe(), "opening the link anew");
        let left = core::mem::take(&mut self.buffer);
        self.keep_stray(&left);
        self.on_its_way = 0;
        let mut pauses = REOPEN_PAUSES.iter();
        loop {
            match (self.link.reopen().await, pauses.next()) {
                (Ok(()), _) => break,
                (Err(error), None) => return Err(error),
                (Err(_), Some(pause)) => self.clock.sleep(*pause).await,
            }
        }
        self.reopened += 1;
        self.stranger = true;
        Ok(())
    }

    async fn find_place(&mut self) -> Result<(), Failed> {
        if !self.device_clear().await? {
            self.silence().await?;
            // The first thing sent ends whatever half message the instrument may hold.
            if self.profile.clear_by_break {
                self.link.send_break().await.map_err(Failed::Link)?;
                self.silence().await?;
            }
            let clear = self.profile.clear.clone().unwrap_or_else(|| self.profile.terminator.bytes().to_vec());
            self.send_raw(&clear).await?;
            self.silence().await?;
        }
        let (nonce, message) = self.next_nonce();
        self.send_quiet(&message).await?;
        let mut found = false;
        for _ in 0..MOST_LINES {
            let line = self.line(&message).await?;
            if answer::integer(self.bare(&line)).ok() == Some(i64::from(nonce)) {
                found = true;
                break;
            }
            self.keep_stray(line.as_bytes());
        }
        if !found {
            return Err(Failed::Other(format!("{MOST_LINES} lines came, and none was the value asked for")));
        }
        // Nothing may stand between this answer and the next.
        let (nonce, message) = self.next_nonce();
        self.send_quiet(&message).await?;
        let line = self.line(&message).await?;
        if answer::integer(self.bare(&line)).ok() != Some(i64::from(nonce)) {
            self.keep_stray(line.as_bytes());
            return Err(Failed::Other(format!(
                "`{}` came where {nonce} was due",
                line.chars().take(40).collect::<String>()
            )));
        }
        let restore = self.restore();
        self.send_quiet(&restore).await?;
        self.drain_errors().await
    }

    /// Clears the instrument where the link has a device clear; whether it has. Nothing comes after it
    /// that was asked for before, so no silence need be waited for.
    async fn device_clear(&mut self) -> Result<bool, Failed> {
        let deadline = self.clock.now() + self.profile.first_byte;
        if !self.link.clear(deadline).await.map_err(Failed::Link)? {
            return Ok(false);
        }
        let left = core::mem::take(&mut self.buffer);
        self.keep_stray(&left);
        self.on_its_way = 0;
        Ok(true)
    }

    /// Reads what comes until the line is silent.
    async fn silence(&mut self) -> Result<(), Failed> {
        let byte_s = self.link.byte_s();
        let quiet = self.profile.silence_with(byte_s);
        let block = Duration::from_secs_f64(self.on_its_way as f64 * byte_s * 1.5);
        let until = self.clock.now() + SILENCE_WITHIN + block;
        loop {
            let left = core::mem::take(&mut self.buffer);
            self.on_its_way = self.on_its_way.saturating_sub(left.len());
            self.keep_stray(&left);
            if self.clock.now() >= until {
                return Err(Failed::Other("it does not stop sending".into()));
            }
            match self.link.receive(self.clock.now() + quiet).await {
                Ok(bytes) => self.buffer = bytes,
                Err(error) if error.is_timeout() => return Ok(()),
                Err(error) => return Err(Failed::Link(error)),
            }
        }
    }

    async fn send_raw(&mut self, bytes: &[u8]) -> Result<(), Failed> {
        let deadline = self.clock.now() + self.profile.whole_with(bytes.len(), self.link.byte_s());
        self.link.send(bytes, deadline).await.map_err(Failed::Link)
    }

    async fn send_quiet(&mut self, message: &Message) -> Result<(), Failed> {
        self.send(message).await.map_err(Failed::from)
    }

    async fn line(&mut self, asked: &Message) -> Result<String, Failed> {
        // Blank lines are answers to the empty line at most.
        loop {
            let blank = frame::blanks(&self.buffer);
            self.buffer.drain(..blank);
            let line = self.read_line(asked.text(), self.profile.first_byte).await.map_err(Failed::from)?;
            if !line.is_empty() {
                return Ok(line);
            }
        }
    }

    /// Reads the event register and the error queue to the end, and keeps what they say.
    async fn drain_errors(&mut self) -> Result<(), Failed> {
        let register = built("*ESR?");
        self.send_quiet(&register).await?;
        let line = self.line(&register).await?;
        let events = answer::integer(self.bare(&line)).map_err(|trouble| Failed::Other(trouble.to_string()))?;
        if events & POWER_ON != 0 {
            self.power_on = true;
            self.stranger = true;
            tracing::info!(link = %self.describe(), "the instrument was switched on since it was last asked");
        }
        if self.profile.errors != ErrorForm::Queue {
            let entries = self.told_errors(events).await.map_err(Failed::from)?;
            for entry in entries {
                tracing::info!(link = %self.describe(), "error: {entry}");
                self.drained.push(entry);
            }
            return Ok(());
        }
        let queue = built("SYSTem:ERRor?");
        for _ in 0..MOST_ERRORS {
            self.send_quiet(&queue).await?;
            let line = self.line(&queue).await?;
            let entry = answer::error_entry(self.bare(&line)).map_err(|trouble| Failed::Other(trouble.to_string()))?;
            if entry.code == 0 {
                break;
            }
            tracing::info!(link = %self.describe(), "error queue: {entry}");
            if self.drained.len() < MOST_ERRORS {
                self.drained.push(entry);
            }
        }
        if self.buffer.is_empty() || self.profile.padding {
            return Ok(());
        }
        Err(Failed::Other("bytes came after the last answer".into()))
    }

    /// After the link was opened anew the same instrument must answer.
    async fn same_instrument(&mut self) -> Result<(), SessionError> {
        let Some(was) = self.identity.clone() else {
            self.stranger = false;
            return Ok(());
        };
        let is = self.who_alike(Some(&was)).await?;
        if was == is {
            self.stranger = false;
            return Ok(());
        }
        Err(SessionError::Changed { link: self.describe(), was: Box::new(was), is: Box::new(is) })
    }

    /// A value not used lately, and the message that sets and asks it.
    ///
    /// Values below 16 are left out: they are common answers. The step is prime to their number,
    /// so that all 240 come before one comes again.
    pub(super) fn next_nonce(&mut self) -> (u8, Message) {
        self.nonce = ((u16::from(self.nonce) + 91) % 240) as u8;
        let nonce = self.nonce + 16;
        (nonce, Self::nonce_message(nonce))
    }

    pub(super) fn nonce_message(nonce: u8) -> Message {
        built("*ESE").integer(i64::from(nonce)).and(&built("*ESE?"))
    }

    /// Puts the event mask back.
    pub(super) fn restore(&self) -> Message {
        built("*ESE").integer(i64::from(self.profile.event_mask))
    }
}

impl From<SessionError> for Failed {
    fn from(error: SessionError) -> Self {
        match error {
            SessionError::Link { source, .. } => Self::Link(*source),
            other => Self::Other(other.happened()),
        }
    }
}
