//! One of the two connections: cuts the stream into headers and pieces of payload as they come.
//!
//! Memory is bounded by what one read takes, whatever length a header claims: payload is handed on
//! piece by piece, never gathered here. Dropping [`Channel::piece`] half-way loses nothing.

use super::message::{HEADER, Header, NoHeader};
use std::io;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Most bytes taken at once.
const CHUNK: usize = 64 * 1024;

/// Why nothing more comes from a channel.
#[derive(Debug, thiserror::Error)]
pub(super) enum ChannelError {
    #[error("the instrument closed the connection")]
    Ended,
    #[error(transparent)]
    Io(#[from] io::Error),
    #[error(transparent)]
    NoHeader(#[from] NoHeader),
    #[error("a message was sent only in part before")]
    Torn,
}

/// A piece of a message.
#[derive(Debug)]
pub(super) struct Piece {
    /// The header of the message that it belongs to.
    pub(super) header: Header,
    /// Payload bytes; may be none.
    pub(super) bytes: Vec<u8>,
    /// Whether the message is whole with it.
    pub(super) last: bool,
}

/// A connection.
pub(super) struct Channel {
    stream: TcpStream,
    chunk: Box<[u8]>,
    /// Bytes read and not used yet.
    unused: Vec<u8>,
    /// The message that is being read, and how much payload is still to come.
    open: Option<(Header, u64)>,
    /// Whether a send was dropped half-way: the other side then waits for the rest of that message.
    sending: bool,
}

impl Channel {
    pub(super) fn new(stream: TcpStream) -> Self {
        // Short messages must leave at once; where the system refuses, they are only slower.
        stream.set_nodelay(true).ok();
        Self { stream, chunk: vec![0; CHUNK].into_boxed_slice(), unused: Vec::new(), open: None, sending: false }
    }

    /// Sends one message.
    pub(super) async fn send(&mut self, header: Header, payload: &[u8]) -> Result<(), ChannelError> {
        if self.sending {
            return Err(ChannelError::Torn);
        }
        self.sending = true;
        let header = header.with_length(payload.len()).encode();
        if payload.len() <= CHUNK {
            // One segment where it fits: two would wait for each other on some networks.
            self.stream.write_all(&[&header[..], payload].concat()).await?;
        } else {
            self.stream.write_all(&header).await?;
            self.stream.write_all(payload).await?;
        }
        self.sending = false;
        Ok(())
    }

    /// Waits for the next piece.
    pub(super) async fn piece(&mut self) -> Result<Piece, ChannelError> {
        loop {
            if let Some(piece) = self.cut()? {
                return Ok(piece);
            }
            let count = self.stream.read(&mut self.chunk).await?;
            if count == 0 {
                return Err(ChannelError::Ended);
            }
            self.unused.extend_from_slice(&self.chunk[..count]);
        }
    }

    /// A piece from what is there.
    fn cut(&mut self) -> Result<Option<Piece>, NoHeader> {
        let (header, left) = match self.open {
            Some(open) => open,
            None => {
                let Some(head) = self.unused.first_chunk::<HEADER>() else { return Ok(None) };
                let header = Header::decode(head)?;
                self.unused.drain(..HEADER);
                (header, header.length)
            }
        };
        if left > 0 && self.unused.is_empty() {
            self.open = Some((header, left));
            return Ok(None);
        }
        let count = usize::try_from(left).unwrap_or(usize::MAX).min(self.unused.len());
        let bytes: Vec<u8> = self.unused.drain(..count).collect();
        let left = left - count as u64;
        self.open = (left > 0).then_some((header, left));
        Ok(Some(Piece { header, bytes, last: left == 0 }))
    }
}
