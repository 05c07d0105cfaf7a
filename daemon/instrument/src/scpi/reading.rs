//! Reading one answer of a session: a line by its end, a block by its count, each wait bounded.

use super::{Session, SessionError, Trouble, frame, shaped_header, unwrapped};
use core::time::Duration;
use tapewright_clock::Instant;

/// Longest header word before a block.
const LONGEST_HEADER: usize = 64;

/// Room that is made at least, in bytes.
const LEAST_ROOM: usize = 256 * 1024;

impl Session {
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
                Err(Trouble::Incomplete(_)) => match self.more(asked, &mut first, whole).await {
                    // END alone ends a reply too, but only when nothing comes after it: there are devices that
                    // mark every packet so (instrument maker's manual, not named).
                    Err(SessionError::NoReply { .. })
                        if !self.buffer.is_empty() && self.link.message_ended() == Some(true) =>
                    {
                        self.buffer.push(b'\n');
                    }
                    other => other?,
                },
                Err(trouble) => return Err(self.wrong_text(asked, &trouble)),
            }
        }
    }

    /// One text among several answers of one response: up to the `;` before the next (IEEE 488.2, 8.4.1).
    pub(super) async fn read_unit(&mut self, asked: &str, first_byte: Duration) -> Result<String, SessionError> {
        let whole = self.clock.now() + self.profile.whole_with(4096, self.link.byte_s()) + first_byte;
        let mut first = Some(first_byte);
        loop {
            self.skip_padding();
            match frame::unit(&self.buffer, self.profile.most_line) {
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

    /// A block: the `last` answer of its response, or one with others behind it.
    pub(super) async fn read_block(&mut self, asked: &str, most: usize, last: bool) -> Result<Vec<u8>, SessionError> {
        if !self.profile.block.wrapped {
            return self.read_bare_block(asked, most, last).await;
        }
        // A byte before the data and one after them.
        let data = self.read_bare_block(asked, most.saturating_add(2), last).await?;
        unwrapped(&data).map(<[u8]>::to_vec).map_err(|trouble| self.wrong_text(asked, &trouble))
    }

    async fn read_bare_block(&mut self, asked: &str, most: usize, last: bool) -> Result<Vec<u8>, SessionError> {
        let mut before = 0;
        let mut block = self.read_data(asked, most, last, &mut before).await;
        if let Err(SessionError::NoReply { got, .. }) = &mut block {
            *got += before;
        }
        block
    }

    /// A block's data; `before` is told how many bytes stood before them.
    async fn read_data(
        &mut self,
        asked: &str,
        most: usize,
        last: bool,
        before: &mut usize,
    ) -> Result<Vec<u8>, SessionError> {
        let byte_s = self.link.byte_s();
        let mut whole = self.clock.now() + self.profile.whole_with(64, byte_s);
        let mut first = Some(self.profile.first_byte);
        let mut head = None;
        let mut shape = self.profile.block;
        if self.profile.reply_header {
            // A header word stands before the block.
            shape.text_before = shape.text_before.max(LONGEST_HEADER);
        }
        loop {
            if head.is_none() {
                self.skip_padding();
                match shaped_header(&self.buffer, most, &shape) {
                    Ok(header) => {
                        let bytes = header.header + header.data.unwrap_or(most) + 2;
                        whole = self.clock.now() + self.profile.whole_with(bytes, byte_s);
                        // What stays in the buffer is the data alone, so that they need not be moved.
                        self.buffer.drain(..header.header);
                        *before = header.header;
                        head = Some(header.data);
                    }
                    Err(Trouble::Incomplete(_)) => {
                        self.more(asked, &mut first, whole).await?;
                        continue;
                    }
                    Err(trouble) => return Err(self.wrong_text(asked, &trouble)),
                }
            }
            let size = head.flatten();
            self.make_room(size);
            self.on_its_way = size.map_or(0, |size| size.saturating_sub(self.buffer.len()));
            // Only the bytes that decide are looked at again, not the whole block at each chunk.
            match size {
                Some(size) if self.buffer.len() <= size => {
                    let data = self.buffer.len() == size;
                    match self.more(asked, &mut first, whole).await {
                        Err(SessionError::NoReply { .. })
                            if data && last && (self.profile.bare_block || self.link.message_ended() == Some(true)) =>
                        {
                            return Ok(core::mem::take(&mut self.buffer));
                        }
                        other => other?,
                    }
                }
                Some(size) => match self.block_end(size, last) {
                    Ok(used) => {
                        // In place: a block may be large, and is not held twice.
                        let mut data = core::mem::take(&mut self.buffer);
                        self.buffer = data.split_off(used);
                        data.truncate(size);
                        return Ok(data);
                    }
                    Err(Trouble::Incomplete(_)) => self.more(asked, &mut first, whole).await?,
                    Err(trouble) => return Err(self.wrong_text(asked, &trouble)),
                },
                // Where the link marks the end of a reply, so does it that of an indefinite block.
                None if !last => {
                    let why = "it is indefinite (`#0`), and so cannot stand among other answers";
                    return Err(self.wrong_text(asked, &Trouble::Hopeless(why.into())));
                }
                None if self.link.message_ended() == Some(true) => {
                    let mut data = core::mem::take(&mut self.buffer);
                    if data.last() == Some(&b'\n') {
                        data.pop();
                    }
                    return Ok(data);
                }
                None if self.link.message_ended().is_some() && self.buffer.len() <= most => {
                    self.more(asked, &mut first, whole).await?;
                }
                None => {
                    let why = "it is indefinite (`#0`), and on this link nothing marks its end";
                    return Err(self.wrong_text(asked, &Trouble::Hopeless(why.into())));
                }
            }
        }
    }

    /// What ends a block of known size that starts the buffer; bytes with that end.
    fn block_end(&self, size: usize, last: bool) -> Result<usize, Trouble> {
        if last {
            return frame::block_end(&self.buffer, 0, size, self.profile.padding);
        }
        match self.buffer.get(size) {
            Some(b';') => Ok(size + 1),
            None => Err(Trouble::Incomplete(Some(1))),
            Some(byte) => Err(Trouble::Hopeless(format!(
                "after the {size} bytes of the block `{}` came where `;` and the next answer were due",
                byte.escape_ascii()
            ))),
        }
    }

    /// Makes room for what is to come of a block of known size: never more than has come already, whatever the
    /// block's header claims. The last step is from half of it to the whole: where it is moved, old and new stand side
    /// by side, and so take one and a half times its size.
    fn make_room(&mut self, size: Option<usize>) {
        let (held, room) = (self.buffer.len(), self.buffer.capacity());
        let Some(size) =
            size.map(|size| size + 2).filter(|size| *size > room && room - held < held.max(LEAST_ROOM) / 2)
        else {
            return;
        };
        let twice = 2 * held.max(LEAST_ROOM);
        let room = if twice >= size { size } else { twice.min(size.div_ceil(2)) };
        self.buffer.reserve_exact(room.saturating_sub(held));
    }

    /// Waits for more bytes of a reply.
    async fn more(&mut self, asked: &str, first: &mut Option<Duration>, whole: Instant) -> Result<(), SessionError> {
        let wait = match *first {
            Some(wait) if self.buffer.is_empty() => wait,
            _ => self.profile.gap_with(self.link.byte_s()),
        };
        let began = self.clock.now();
        match self.link.receive_into(&mut self.buffer, (began + wait).min(whole)).await {
            Ok(count) => {
                *first = None;
                self.evidence.received(count);
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
}
