//! A port over TCP: raw bytes, one client at a time; the next waits until the one before has gone.

use super::{READ_BYTES, ServeError, take, until_output};
use crate::port::SimPort;
use std::net::SocketAddr;
use tapewright_clock::Clock;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

/// A running server; it ends when this is dropped.
#[derive(Debug)]
pub struct TcpServer {
    address: SocketAddr,
    task: JoinHandle<()>,
}

impl TcpServer {
    /// Where it listens.
    #[must_use]
    pub const fn address(&self) -> SocketAddr {
        self.address
    }
}

impl Drop for TcpServer {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// Serves a port on an address; port 0 takes any that is free.
///
/// # Errors
/// The address could not be listened on.
pub async fn serve_tcp(port: SimPort, address: SocketAddr, clock: Clock) -> Result<TcpServer, ServeError> {
    let listener = TcpListener::bind(address).await.map_err(|source| ServeError::Listen { address, source })?;
    let address = listener.local_addr().map_err(|source| ServeError::Listen { address, source })?;
    let task = tokio::spawn(async move {
        let mut port = port;
        loop {
            match listener.accept().await {
                Ok((stream, client)) => {
                    tracing::info!(%address, %client, "connected");
                    let open = port.reopen(clock.now());
                    let why = if open {
                        one_client(&mut port, stream, &clock).await
                    } else {
                        "the port is closed".to_owned()
                    };
                    tracing::info!(%address, %client, why, "disconnected");
                }
                Err(error) => {
                    tracing::warn!(%address, %error, "accepting a connection failed");
                    clock.sleep(super::LOOK_AGAIN).await;
                }
            }
        }
    });
    Ok(TcpServer { address, task })
}

/// Serves one client until it goes: why it went.
async fn one_client(port: &mut SimPort, mut stream: TcpStream, clock: &Clock) -> String {
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "TCP_NODELAY");
    }
    let (mut from, mut to) = stream.split();
    let mut buffer = [0; READ_BYTES];
    loop {
        tokio::select! {
            read = from.read(&mut buffer) => match read {
                Ok(0) => return "the client closed".to_owned(),
                Ok(count) => port.write(clock.now(), buffer.get(..count).unwrap_or_default()),
                Err(error) => return error.to_string(),
            },
            () = until_output(port, clock) => {}
        }
        let Some(bytes) = take(port, clock.now()) else { return "the port was closed".to_owned() };
        if !bytes.is_empty()
            && let Err(error) = to.write_all(&bytes).await
        {
            return error.to_string();
        }
    }
}
