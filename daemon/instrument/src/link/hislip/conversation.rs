//! Both channels of an open HiSLIP connection, and the rules that hold between them.

use super::channel::{Channel, ChannelError, Piece};
use super::message::{HEADER, Header, Kind, error_text, fatal_text};
use std::io;
use tokio::net::TcpStream;

/// Version 1.0 (IVI-6.1, Initialize).
const VERSION: u32 = 0x0100;
/// Our two letters, where makers have registered ones: none of theirs.
const VENDOR: u32 = 0x5457;
/// Bit of the answer to the opening that demands encryption.
const ENCRYPTED: u8 = 0b10;
/// Number of the first message after opening and after a clear (IVI-6.1, 3.1.2).
const FIRST_ID: u32 = 0xFFFF_FF00;
/// Number of a reply whose question is not known.
const ANY_ID: u32 = 0xFFFF_FFFF;
/// Largest message that we take in one piece; larger replies come in several.
const MOST: u64 = 16 << 20;
/// Least that an instrument may claim to take; less could not carry a command.
const LEAST: u64 = 256;
/// Most bytes kept of a text that explains an error.
const MOST_TEXT: usize = 256;

/// Why a conversation cannot go on, or not with this exchange.
#[derive(Debug, thiserror::Error)]
pub(super) enum Broken {
    #[error("the instrument closed the connection")]
    Ended,
    #[error("a message was sent only in part before")]
    Torn,
    #[error(transparent)]
    Io(io::Error),
    #[error("{0}")]
    Protocol(String),
    /// The instrument did not like a message, and goes on.
    #[error("{0}")]
    Complaint(String),
}

impl From<ChannelError> for Broken {
    fn from(error: ChannelError) -> Self {
        match error {
            ChannelError::Ended => Self::Ended,
            ChannelError::Torn => Self::Torn,
            ChannelError::Io(error) => Self::Io(error),
            ChannelError::NoHeader(error) => Self::Protocol(error.to_string()),
        }
    }
}

/// What a piece of one channel brings to an end.
struct Whole {
    header: Header,
    text: Vec<u8>,
}

/// Gathers the short payloads of messages that are no data; what is too long is dropped.
#[derive(Default)]
struct Gather(Vec<u8>);

impl Gather {
    fn add(&mut self, piece: Piece) -> Option<Whole> {
        let room = MOST_TEXT.saturating_sub(self.0.len());
        self.0.extend(piece.bytes.into_iter().take(room));
        piece.last.then(|| Whole { header: piece.header, text: core::mem::take(&mut self.0) })
    }
}

/// An open connection.
pub(super) struct Conversation {
    sync: Channel,
    asynchronous: Channel,
    sync_text: Gather,
    async_text: Gather,
    /// Whether the instrument insists on overlapped mode: replies then carry numbers of their own.
    overlapped: bool,
    /// Largest payload that the instrument takes.
    most: usize,
    next_id: u32,
    last_id: u32,
    /// Whether a whole reply was handed on since the last message (RMT delivered).
    delivered: bool,
    /// Questions on the asynchronous channel whose answers are still to come.
    owed: u32,
    /// Interruptions told on the asynchronous channel and not yet on the synchronous one: until then
    /// what comes there is void.
    interrupts: i32,
    ended: bool,
    last_byte: u8,
}

impl Conversation {
    /// Opens both channels (IVI-6.1, 2.5: initialise) and agrees on sizes.
    pub(super) async fn open(host: &str, port: u16, name: &str) -> Result<Self, Broken> {
        let stream = TcpStream::connect((host, port)).await.map_err(Broken::Io)?;
        let mut sync = Channel::new(stream);
        let hello = Header::new(Kind::Initialize, 0, VERSION << 16 | VENDOR);
        sync.send(hello, name.as_bytes()).await?;
        let answer = await_kind(&mut sync, Kind::InitializeResponse).await?.header;
        // Version 2 of the standard, from memory: bit 1 demands that the connection be encrypted.
        if answer.control & ENCRYPTED != 0 {
            return Err(Broken::Protocol("it demands an encrypted connection, which is not spoken here".into()));
        }
        let session = answer.parameter & 0xFFFF;
        let mut asynchronous = Channel::new(TcpStream::connect((host, port)).await.map_err(Broken::Io)?);
        asynchronous.send(Header::new(Kind::AsyncInitialize, 0, session), &[]).await?;
        await_kind(&mut asynchronous, Kind::AsyncInitializeResponse).await?;
        let mut open = Self {
            sync,
            asynchronous,
            sync_text: Gather::default(),
            async_text: Gather::default(),
            overlapped: answer.control & 1 != 0,
            most: 0,
            next_id: FIRST_ID,
            last_id: FIRST_ID,
            delivered: false,
            owed: 0,
            interrupts: 0,
            ended: false,
            last_byte: 0,
        };
        let size = Header::new(Kind::AsyncMaximumMessageSize, 0, 0);
        let answer = open.ask(size, &MOST.to_be_bytes(), Kind::AsyncMaximumMessageSizeResponse).await?;
        let size: [u8; 8] = answer.text.as_slice().try_into().map_err(|_| {
            Broken::Protocol(format!("it told its largest message in {} bytes, where 8 are due", answer.text.len()))
        })?;
        let size = u64::from_be_bytes(size);
        if size < LEAST {
            return Err(Broken::Protocol(format!("it takes messages of at most {size} bytes")));
        }
        // Some count the header in.
        open.most = usize::try_from(size.min(MOST)).unwrap_or(usize::MAX) - HEADER;
        if open.overlapped {
            // A device clear is where the mode can be chosen anew.
            open.clear().await?;
        }
        Ok(open)
    }

    /// Whether the bytes handed on last were the end of a reply.
    pub(super) const fn ended(&self) -> bool {
        self.ended
    }

    /// Sends one message, in several parts where the instrument takes no more.
    pub(super) async fn send(&mut self, bytes: &[u8]) -> Result<(), Broken> {
        let parts = bytes.len().div_ceil(self.most);
        for (part, chunk) in bytes.chunks(self.most).enumerate() {
            let kind = if part + 1 == parts { Kind::DataEnd } else { Kind::Data };
            let header = Header::new(kind, u8::from(self.delivered), self.next_id);
            self.sync.send(header, chunk).await?;
            self.delivered = false;
            self.ended = false;
            self.last_id = self.next_id;
            self.next_id = self.next_id.wrapping_add(2);
        }
        Ok(())
    }

    /// Waits for bytes of the reply to the last message.
    pub(super) async fn receive(&mut self) -> Result<Vec<u8>, Broken> {
        loop {
            tokio::select! {
                // In this order, so that a reply that came is not lost to an end of the other channel.
                biased;
                piece = self.sync.piece() => {
                    if let Some(bytes) = self.take(piece?)? {
                        return Ok(bytes);
                    }
                }
                piece = self.asynchronous.piece() => {
                    self.note(piece?)?;
                }
            }
        }
    }

    /// A piece of the synchronous channel: bytes of the reply, if it is one.
    fn take(&mut self, piece: Piece) -> Result<Option<Vec<u8>>, Broken> {
        let header = piece.header;
        let kind = header.kind();
        if !matches!(kind, Some(Kind::Data | Kind::DataEnd)) {
            if let Some(whole) = self.sync_text.add(piece) {
                match kind {
                    Some(Kind::Interrupted) => self.interrupts -= 1,
                    _ => complain(&whole)?,
                }
            }
            return Ok(None);
        }
        if header.length > MOST {
            return Err(Broken::Protocol(format!(
                "it announced {} bytes in one message, where at most {MOST} were agreed",
                header.length
            )));
        }
        let ours = self.overlapped || header.parameter == self.last_id || header.parameter == ANY_ID;
        if !ours || self.interrupts > 0 {
            tracing::debug!(id = header.parameter, bytes = piece.bytes.len(), "dropped: a reply to an older message");
            return Ok(None);
        }
        let mut bytes = piece.bytes;
        self.last_byte = bytes.last().copied().unwrap_or(self.last_byte);
        self.ended = piece.last && kind == Some(Kind::DataEnd);
        if self.ended {
            self.delivered = true;
            if core::mem::take(&mut self.last_byte) != b'\n' {
                bytes.push(b'\n');
            }
        }
        Ok(Some(bytes).filter(|bytes| !bytes.is_empty()))
    }

    /// A piece of the asynchronous channel: an answer, if it is the last one owed.
    fn note(&mut self, piece: Piece) -> Result<Option<Whole>, Broken> {
        let Some(whole) = self.async_text.add(piece) else { return Ok(None) };
        match whole.header.kind() {
            Some(Kind::AsyncInterrupted) => self.interrupts += 1,
            Some(Kind::AsyncServiceRequest) => {
                tracing::debug!(status = whole.header.control, "the instrument asks for service");
            }
            Some(
                Kind::AsyncLockResponse
                | Kind::AsyncRemoteLocalResponse
                | Kind::AsyncMaximumMessageSizeResponse
                | Kind::AsyncInitializeResponse
                | Kind::AsyncStatusResponse
                | Kind::AsyncDeviceClearAcknowledge
                | Kind::AsyncLockInfoResponse,
            ) => {
                // Answers come in the order of their questions: an older one's is not this one's.
                self.owed = self.owed.saturating_sub(1);
                return Ok((self.owed == 0).then_some(whole));
            }
            _ => complain(&whole)?,
        }
        Ok(None)
    }

    /// Asks on the asynchronous channel.
    async fn ask(&mut self, question: Header, payload: &[u8], want: Kind) -> Result<Whole, Broken> {
        self.owed += 1;
        self.asynchronous.send(question, payload).await?;
        loop {
            let piece = self.asynchronous.piece().await?;
            if let Some(whole) = self.note(piece)? {
                return expect(whole, want);
            }
        }
    }

    /// Device clear (IVI-6.1, 3.1.3 device clear transaction).
    pub(super) async fn clear(&mut self) -> Result<(), Broken> {
        self.ask(Header::new(Kind::AsyncDeviceClear, 0, 0), &[], Kind::AsyncDeviceClearAcknowledge).await?;
        // Control code 0 asks for synchronised mode.
        self.sync.send(Header::new(Kind::DeviceClearComplete, 0, 0), &[]).await?;
        loop {
            // What comes before the acknowledgement is void.
            let piece = self.sync.piece().await?;
            let fatal = piece.header.kind() == Some(Kind::FatalError);
            let Some(whole) = self.sync_text.add(piece) else { continue };
            if fatal {
                complain(&whole)?;
            }
            if whole.header.kind() == Some(Kind::DeviceClearAcknowledge) {
                self.overlapped = whole.header.control & 1 != 0;
                break;
            }
        }
        (self.next_id, self.last_id) = (FIRST_ID, FIRST_ID);
        (self.delivered, self.ended, self.last_byte, self.interrupts) = (false, false, 0, 0);
        Ok(())
    }

    /// The status byte (IVI-6.1, status query transaction).
    pub(super) async fn status(&mut self) -> Result<u8, Broken> {
        let question = Header::new(Kind::AsyncStatusQuery, u8::from(self.delivered), self.last_id);
        self.delivered = false;
        Ok(self.ask(question, &[], Kind::AsyncStatusResponse).await?.header.control)
    }
}

/// Reads one channel until a message of a kind is whole.
async fn await_kind(channel: &mut Channel, want: Kind) -> Result<Whole, Broken> {
    let mut gather = Gather::default();
    loop {
        let piece = channel.piece().await?;
        if let Some(whole) = gather.add(piece) {
            complain(&whole)?;
            return expect(whole, want);
        }
    }
}

fn expect(whole: Whole, want: Kind) -> Result<Whole, Broken> {
    if whole.header.kind() == Some(want) {
        return Ok(whole);
    }
    let came = whole.header.kind().map_or_else(|| format!("type {}", whole.header.code), |kind| kind.to_string());
    Err(Broken::Protocol(format!("{came} came where {want} was due")))
}

/// An error that the instrument tells.
fn complain(whole: &Whole) -> Result<(), Broken> {
    let more = String::from_utf8_lossy(&whole.text);
    let more = more.trim_matches(|c: char| c.is_whitespace() || c == '\0');
    let more = if more.is_empty() { String::new() } else { format!(" (`{}`)", more.escape_debug()) };
    let code = whole.header.control;
    match whole.header.kind() {
        Some(Kind::FatalError) => {
            Err(Broken::Protocol(format!("the instrument gave the connection up: {}{more}", fatal_text(code))))
        }
        Some(Kind::Error) => Err(Broken::Complaint(format!("the instrument complains: {}{more}", error_text(code)))),
        _ => Ok(()),
    }
}
