//! Cuts a HiSLIP connection into messages, piece by piece (IVI-6.1, 2.3): 16 bytes `"HS"`, type, control
//! code, parameter (32 bits), length of the payload (64 bits), most significant byte first.

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Bytes of a header.
pub(super) const HEADER: usize = 16;
/// Why a connection ends whose place in the stream is lost.
pub(super) const NO_HEADER: &str = "a message must start with HS";
const READ: usize = 16 * 1024;

/// Types of messages (IVI-6.1, table 4).
pub(super) mod kind {
    pub(in crate::serve) const INITIALIZE: u8 = 0;
    pub(in crate::serve) const INITIALIZE_RESPONSE: u8 = 1;
    pub(in crate::serve) const FATAL_ERROR: u8 = 2;
    pub(in crate::serve) const ERROR: u8 = 3;
    pub(in crate::serve) const ASYNC_LOCK: u8 = 4;
    pub(in crate::serve) const ASYNC_LOCK_RESPONSE: u8 = 5;
    pub(in crate::serve) const DATA: u8 = 6;
    pub(in crate::serve) const DATA_END: u8 = 7;
    pub(in crate::serve) const DEVICE_CLEAR_COMPLETE: u8 = 8;
    pub(in crate::serve) const DEVICE_CLEAR_ACKNOWLEDGE: u8 = 9;
    pub(in crate::serve) const ASYNC_REMOTE_LOCAL: u8 = 10;
    pub(in crate::serve) const ASYNC_REMOTE_LOCAL_RESPONSE: u8 = 11;
    pub(in crate::serve) const TRIGGER: u8 = 12;
    pub(in crate::serve) const INTERRUPTED: u8 = 13;
    pub(in crate::serve) const ASYNC_INTERRUPTED: u8 = 14;
    pub(in crate::serve) const ASYNC_MAXIMUM_MESSAGE_SIZE: u8 = 15;
    pub(in crate::serve) const ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE: u8 = 16;
    pub(in crate::serve) const ASYNC_INITIALIZE: u8 = 17;
    pub(in crate::serve) const ASYNC_INITIALIZE_RESPONSE: u8 = 18;
    pub(in crate::serve) const ASYNC_DEVICE_CLEAR: u8 = 19;
    pub(in crate::serve) const ASYNC_STATUS_QUERY: u8 = 21;
    pub(in crate::serve) const ASYNC_STATUS_RESPONSE: u8 = 22;
    pub(in crate::serve) const ASYNC_DEVICE_CLEAR_ACKNOWLEDGE: u8 = 23;
    pub(in crate::serve) const ASYNC_LOCK_INFO: u8 = 24;
    pub(in crate::serve) const ASYNC_LOCK_INFO_RESPONSE: u8 = 25;
}

/// A header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Head {
    pub(super) kind: u8,
    pub(super) control: u8,
    pub(super) parameter: u32,
    pub(super) length: u64,
}

impl Head {
    pub(super) const fn new(kind: u8, control: u8, parameter: u32) -> Self {
        Self { kind, control, parameter, length: 0 }
    }

    fn bytes(self) -> Vec<u8> {
        let mut out = vec![b'H', b'S', self.kind, self.control];
        out.extend(self.parameter.to_be_bytes());
        out.extend(self.length.to_be_bytes());
        out
    }

    fn read(bytes: &[u8]) -> Result<Option<Self>, &'static str> {
        if bytes.iter().zip(b"HS").any(|(is, due)| is != due) {
            return Err(NO_HEADER);
        }
        let Some((head, _)) = bytes.split_first_chunk::<HEADER>() else { return Ok(None) };
        let [_, _, kind, control, a, b, c, d, length @ ..] = *head;
        let parameter = u32::from_be_bytes([a, b, c, d]);
        Ok(Some(Self { kind, control, parameter, length: u64::from_be_bytes(length) }))
    }
}

/// A piece of a message.
#[derive(Debug)]
pub(super) struct Item {
    pub(super) head: Head,
    pub(super) bytes: Vec<u8>,
    /// Whether the message starts with it, and whether it ends with it.
    pub(super) first: bool,
    pub(super) last: bool,
}

/// A connection.
pub(super) struct Framed {
    stream: TcpStream,
    unused: Vec<u8>,
    /// The message under way, its payload that is still to come, and whether a piece was handed on.
    under_way: Option<(Head, u64, bool)>,
}

impl Framed {
    pub(super) fn new(stream: TcpStream) -> Self {
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "TCP_NODELAY");
        }
        Self { stream, unused: Vec::new(), under_way: None }
    }

    pub(super) async fn send(&mut self, mut head: Head, payload: &[u8]) -> Result<(), String> {
        head.length = payload.len() as u64;
        let mut bytes = head.bytes();
        bytes.extend_from_slice(payload);
        self.stream.write_all(&bytes).await.map_err(|error| error.to_string())
    }

    /// The next piece. Dropping the future loses nothing.
    pub(super) async fn item(&mut self) -> Result<Item, String> {
        loop {
            if let Some(item) = self.cut()? {
                return Ok(item);
            }
            self.unused.reserve(READ);
            let count = self.stream.read_buf(&mut self.unused).await.map_err(|error| error.to_string())?;
            if count == 0 {
                return Err("the client closed".to_owned());
            }
        }
    }

    fn cut(&mut self) -> Result<Option<Item>, &'static str> {
        let (head, left, begun) = match self.under_way {
            Some(under_way) => under_way,
            None => {
                let Some(head) = Head::read(&self.unused)? else { return Ok(None) };
                self.unused.drain(..HEADER);
                (head, head.length, false)
            }
        };
        self.under_way = Some((head, left, begun));
        if left > 0 && self.unused.is_empty() {
            return Ok(None);
        }
        let count = self.unused.len().min(usize::try_from(left).unwrap_or(usize::MAX));
        let bytes = self.unused.drain(..count).collect();
        let left = left - count as u64;
        self.under_way = (left > 0).then_some((head, left, true));
        Ok(Some(Item { head, bytes, first: !begun, last: left == 0 }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn golden_bytes() {
        let head = Head { kind: kind::DATA_END, control: 1, parameter: 0xFFFF_FF02, length: 0x0102 };
        let golden = [b'H', b'S', 7, 1, 0xFF, 0xFF, 0xFF, 0x02, 0, 0, 0, 0, 0, 0, 1, 2];
        assert_eq!(head.bytes(), golden);
        assert_eq!(Head::read(b"*IDN?\n"), Err(NO_HEADER));
        assert_eq!(Head::read(b"H"), Ok(None), "it may become one");
    }

    proptest! {
        #[test]
        fn a_header_reads_back(kind: u8, control: u8, parameter: u32, length: u64, more in proptest::collection::vec(any::<u8>(), 0..9)) {
            let head = Head { kind, control, parameter, length };
            let mut bytes = head.bytes();
            for end in 0..bytes.len() {
                prop_assert_eq!(Head::read(&bytes[..end]), Ok(None), "a part is no header yet");
            }
            bytes.extend(more);
            prop_assert_eq!(Head::read(&bytes), Ok(Some(head)));
        }
    }
}
