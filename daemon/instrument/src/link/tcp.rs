//! Raw TCP.

use super::{BoxFuture, Link, LinkError};
use core::time::Duration;
use tapewright_clock::{Clock, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// How long a connection may take to open.
const OPEN_WITHIN: Duration = Duration::from_secs(5);
/// Most bytes taken at once.
const CHUNK: usize = 64 * 1024;

/// By how much a full buffer is made longer where nobody knows how much will come.
const SHORT: usize = 4096;

/// A TCP connection to an instrument.
pub struct Tcp {
    stream: Option<TcpStream>,
    host: String,
    port: u16,
    clock: Clock,
}

impl Tcp {
    /// Connects.
    ///
    /// # Errors
    /// [`LinkError::Open`] when nobody answers there, [`LinkError::NeedsRealClock`] on a virtual clock.
    pub async fn open(host: &str, port: u16, clock: Clock) -> Result<Self, LinkError> {
        let mut link = Self { stream: None, host: host.to_owned(), port, clock };
        if link.clock.is_virtual() {
            return Err(LinkError::NeedsRealClock { link: link.describe() });
        }
        link.connect().await?;
        Ok(link)
    }

    async fn connect(&mut self) -> Result<(), LinkError> {
        // The old connection goes first: some instruments hang on a second one.
        self.stream = None;
        let until = self.clock.now() + OPEN_WITHIN;
        let failed = |why: String, source| LinkError::Open {
            link: format!("tcp://{}:{}", self.host, self.port),
            why,
            remedy: "check the name, the port, that the instrument is on and that nothing else is connected to it",
            source,
        };
        match self.clock.deadline(until, TcpStream::connect((self.host.as_str(), self.port))).await {
            None => Err(failed(format!("no answer within {} s", OPEN_WITHIN.as_secs()), None)),
            Some(Err(error)) => Err(failed(error.to_string(), Some(error))),
            Some(Ok(stream)) => {
                // Short messages must leave at once; where the system refuses, they are only slower.
                stream.set_nodelay(true).ok();
                self.stream = Some(stream);
                Ok(())
            }
        }
    }

    /// Reads to the end of a buffer, as much as it has room for.
    async fn read(&mut self, buffer: &mut Vec<u8>, deadline: Instant) -> Result<usize, LinkError> {
        let link = self.describe();
        let Some(stream) = &mut self.stream else {
            return Err(Self::closed(link, "the connection was lost before"));
        };
        if buffer.len() == buffer.capacity() {
            // Exactly: a large block's buffer, full but for what ends it, would otherwise be doubled.
            buffer.reserve_exact(SHORT);
        }
        match self.clock.deadline(deadline, stream.read_buf(buffer)).await {
            None => Err(LinkError::Timeout { link }),
            Some(Err(error)) => {
                self.stream = None;
                Err(Self::closed(link, error.to_string()))
            }
            Some(Ok(0)) => {
                self.stream = None;
                Err(Self::closed(link, "the instrument closed the connection"))
            }
            Some(Ok(count)) => Ok(count),
        }
    }

    fn closed(link: String, why: impl Into<String>) -> LinkError {
        LinkError::Closed { link, why: why.into() }
    }
}

impl Link for Tcp {
    fn send<'a>(&'a mut self, bytes: &'a [u8], deadline: Instant) -> BoxFuture<'a, Result<(), LinkError>> {
        Box::pin(async move {
            let link = self.describe();
            let Some(stream) = &mut self.stream else {
                return Err(Self::closed(link, "the connection was lost before"));
            };
            match self.clock.deadline(deadline, stream.write_all(bytes)).await {
                None => Err(LinkError::SendTimeout { link }),
                Some(Err(error)) => {
                    self.stream = None;
                    Err(Self::closed(link, error.to_string()))
                }
                Some(Ok(())) => Ok(()),
            }
        })
    }

    fn receive(&mut self, deadline: Instant) -> BoxFuture<'_, Result<Vec<u8>, LinkError>> {
        Box::pin(async move {
            let mut bytes = Vec::with_capacity(CHUNK);
            self.read(&mut bytes, deadline).await?;
            bytes.shrink_to_fit();
            Ok(bytes)
        })
    }

    fn receive_into<'a>(
        &'a mut self,
        buffer: &'a mut Vec<u8>,
        deadline: Instant,
    ) -> BoxFuture<'a, Result<usize, LinkError>> {
        Box::pin(self.read(buffer, deadline))
    }

    fn reopen(&mut self) -> BoxFuture<'_, Result<(), LinkError>> {
        Box::pin(self.connect())
    }

    fn describe(&self) -> String {
        let host = &self.host;
        if host.contains(':') { format!("tcp://[{host}]:{}", self.port) } else { format!("tcp://{host}:{}", self.port) }
    }
}
