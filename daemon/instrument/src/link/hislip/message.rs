//! HiSLIP messages: a header of 16 bytes and a payload (IVI-6.1, 2.3 and table 2).
//!
//! `"HS"`, type (8 bits), control code (8 bits), parameter (32 bits), length of the payload (64 bits),
//! most significant byte first. A header only claims a length: no memory is taken for it.

use core::fmt;

/// Bytes of a header.
pub const HEADER: usize = 16;
/// First two bytes of every message.
const PROLOGUE: [u8; 2] = *b"HS";

macro_rules! kinds {
    ($($(#[$doc:meta])* $variant:ident = $code:literal),+ $(,)?) => {
        /// Type of a message (IVI-6.1, table 4).
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[repr(u8)]
        pub enum Kind {
            $($(#[$doc])* $variant = $code),+
        }

        impl Kind {
            /// Every type, in order of its code.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The type with a code; none for codes of later versions and of makers.
            #[must_use]
            pub const fn of(code: u8) -> Option<Self> {
                match code {
                    $($code => Some(Self::$variant),)+
                    _ => None,
                }
            }
        }
    };
}

kinds! {
    /// Opens the synchronous channel.
    Initialize = 0,
    /// Answers it: protocol version, session.
    InitializeResponse = 1,
    /// The connection cannot go on.
    FatalError = 2,
    /// A message was not understood.
    Error = 3,
    /// Asks for a lock, or gives it back.
    AsyncLock = 4,
    /// Answers it.
    AsyncLockResponse = 5,
    /// A part of a message, more follows.
    Data = 6,
    /// The last part of a message.
    DataEnd = 7,
    /// The client has emptied its synchronous channel.
    DeviceClearComplete = 8,
    /// The clear is done.
    DeviceClearAcknowledge = 9,
    /// Remote or local.
    AsyncRemoteLocalControl = 10,
    /// Answers it.
    AsyncRemoteLocalResponse = 11,
    /// Trigger.
    Trigger = 12,
    /// A reply was dropped because a new message came before it was read.
    Interrupted = 13,
    /// The same, on the asynchronous channel.
    AsyncInterrupted = 14,
    /// Tells the largest message that one side takes.
    AsyncMaximumMessageSize = 15,
    /// Answers it.
    AsyncMaximumMessageSizeResponse = 16,
    /// Opens the asynchronous channel.
    AsyncInitialize = 17,
    /// Answers it.
    AsyncInitializeResponse = 18,
    /// Starts a device clear.
    AsyncDeviceClear = 19,
    /// The instrument asks for service.
    AsyncServiceRequest = 20,
    /// Asks the status byte.
    AsyncStatusQuery = 21,
    /// Answers it.
    AsyncStatusResponse = 22,
    /// The clear has begun.
    AsyncDeviceClearAcknowledge = 23,
    /// Asks who holds locks.
    AsyncLockInfo = 24,
    /// Answers it.
    AsyncLockInfoResponse = 25,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(self, f)
    }
}

/// A header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header {
    /// Code of the type; [`Kind::of`] names it.
    pub code: u8,
    /// Control code; what it means depends on the type.
    pub control: u8,
    /// Parameter; what it means depends on the type.
    pub parameter: u32,
    /// Bytes of payload that the sender claims.
    pub length: u64,
}

/// What is wrong with a header.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{}` came where a message of HiSLIP must start with `HS`", shown.escape_ascii())]
pub struct NoHeader {
    /// The first bytes.
    pub shown: [u8; 4],
}

impl Header {
    /// A header without payload.
    #[must_use]
    pub const fn new(kind: Kind, control: u8, parameter: u32) -> Self {
        Self { code: kind as u8, control, parameter, length: 0 }
    }

    /// The same with the length of a payload.
    #[must_use]
    pub const fn with_length(mut self, length: usize) -> Self {
        self.length = length as u64;
        self
    }

    /// The type, if version 1 knows it.
    #[must_use]
    pub const fn kind(&self) -> Option<Kind> {
        Kind::of(self.code)
    }

    /// The bytes.
    #[must_use]
    pub fn encode(&self) -> [u8; HEADER] {
        let mut out = [0; HEADER];
        out[..2].copy_from_slice(&PROLOGUE);
        out[2] = self.code;
        out[3] = self.control;
        out[4..8].copy_from_slice(&self.parameter.to_be_bytes());
        out[8..].copy_from_slice(&self.length.to_be_bytes());
        out
    }

    /// Reads a header.
    ///
    /// # Errors
    /// [`NoHeader`] where it does not start with `HS`: the place in the stream is lost.
    pub fn decode(bytes: &[u8; HEADER]) -> Result<Self, NoHeader> {
        let [p0, p1, code, control, a, b, c, d, length @ ..] = *bytes;
        if [p0, p1] != PROLOGUE {
            return Err(NoHeader { shown: [p0, p1, code, control] });
        }
        Ok(Self { code, control, parameter: u32::from_be_bytes([a, b, c, d]), length: u64::from_be_bytes(length) })
    }
}

/// What the code of an [`Kind::Error`] means (IVI-6.1, table 17).
#[must_use]
pub const fn error_text(code: u8) -> &'static str {
    match code {
        1 => "it does not know the type of a message",
        2 => "it does not know the control code of a message",
        3 => "it does not know a maker's own message",
        4 => "a message was too large for it",
        _ => "an error without further description",
    }
}

/// What the code of a [`Kind::FatalError`] means (IVI-6.1, table 15).
#[must_use]
pub const fn fatal_text(code: u8) -> &'static str {
    match code {
        1 => "a message had a badly formed header",
        2 => "the connection was used before both of its channels were open",
        3 => "the opening messages came in a wrong order",
        4 => "it serves as many clients as it can already",
        _ => "a fatal error without further description",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Bytes written by hand from the layout of the standard (IVI-6.1, table 2).
    fn check(header: Header, golden: [u8; HEADER]) {
        assert_eq!(header.encode(), golden, "{header:?}");
        assert_eq!(Header::decode(&golden), Ok(header));
    }

    #[test]
    fn golden_bytes() {
        check(
            Header::new(Kind::Initialize, 0, 0x0100_7A7A).with_length(7),
            [b'H', b'S', 0, 0, 1, 0, b'z', b'z', 0, 0, 0, 0, 0, 0, 0, 7],
        );
        check(
            Header::new(Kind::DataEnd, 1, 0xFFFF_FF02).with_length(0x0102),
            [b'H', b'S', 7, 1, 0xFF, 0xFF, 0xFF, 0x02, 0, 0, 0, 0, 0, 0, 1, 2],
        );
        check(
            Header::new(Kind::AsyncStatusResponse, 0x50, 0),
            [b'H', b'S', 22, 0x50, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
        );
        check(
            Header { code: 200, control: 9, parameter: 1, length: u64::MAX },
            [b'H', b'S', 200, 9, 0, 0, 0, 1, 255, 255, 255, 255, 255, 255, 255, 255],
        );
    }

    #[test]
    fn what_is_no_header_is_said() {
        let error = Header::decode(b"*IDN?\n0123456789").unwrap_err();
        assert_eq!(error.to_string(), "`*IDN` came where a message of HiSLIP must start with `HS`");
    }

    #[test]
    fn every_type_has_its_code() {
        assert_eq!(Kind::ALL.len(), 26);
        for (code, kind) in (0..).zip(Kind::ALL) {
            assert_eq!(*kind as u8, code);
            assert_eq!(Kind::of(code), Some(*kind));
        }
        assert_eq!(Kind::of(26), None);
    }

    proptest! {
        #[test]
        fn a_header_reads_back(code: u8, control: u8, parameter: u32, length: u64) {
            let header = Header { code, control, parameter, length };
            prop_assert_eq!(Header::decode(&header.encode()), Ok(header));
        }

        #[test]
        fn what_decodes_encodes_to_the_same(bytes: [u8; HEADER], right: bool) {
            let mut bytes = bytes;
            if right {
                bytes[..2].copy_from_slice(b"HS");
            }
            match Header::decode(&bytes) {
                Ok(header) => prop_assert_eq!(header.encode(), bytes),
                Err(_) => prop_assert_ne!(&bytes[..2], b"HS"),
            }
        }
    }
}
