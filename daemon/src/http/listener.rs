//! Accepting connections: a bounded number, none idle for ever.
//!
//! When all are taken new ones wait to be accepted. One on which nothing moved for a while is closed, so
//! that a client that stalled, or never said anything, does not keep its place.

use super::limits;
use axum::serve::Listener;
use core::pin::Pin;
use core::task::{Context, Poll};
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use tapewright_clock::Clock;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Listens, and counts.
pub(super) struct Bounded {
    listener: TcpListener,
    places: Arc<Semaphore>,
    clock: Clock,
}

impl Bounded {
    pub(super) fn new(listener: TcpListener, clock: Clock) -> Self {
        Self { listener, places: Arc::new(Semaphore::new(limits::CONNECTIONS)), clock }
    }
}

impl Listener for Bounded {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        loop {
            let Ok(place) = Arc::clone(&self.places).acquire_owned().await else {
                // The semaphore is never closed; if it were, nobody would be let in.
                core::future::pending().await
            };
            match self.listener.accept().await {
                Ok((stream, from)) => return (Connection::new(stream, place, self.clock.clone()), from),
                Err(error) => {
                    // Out of handles, or the client is gone already: neither is a reason to spin.
                    tracing::warn!(%error, "a connection could not be accepted");
                    self.clock.sleep(core::time::Duration::from_millis(100)).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that holds a place, and closes when nothing moves.
pub(super) struct Connection {
    stream: TcpStream,
    clock: Clock,
    idle: Pin<Box<dyn Future<Output = ()> + Send>>,
    _place: OwnedSemaphorePermit,
}

impl Connection {
    fn new(stream: TcpStream, place: OwnedSemaphorePermit, clock: Clock) -> Self {
        Self { stream, idle: patience(clock.clone()), clock, _place: place }
    }

    /// Notes that something moved, or gives up if nothing did for too long.
    fn moved<T>(&mut self, cx: &mut Context<'_>, done: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if done.is_ready() {
            self.idle = patience(self.clock.clone());
            return done;
        }
        self.idle.as_mut().poll(cx).map(|()| Err(io::ErrorKind::TimedOut.into()))
    }
}

fn patience(clock: Clock) -> Pin<Box<dyn Future<Output = ()> + Send>> {
    Box::pin(async move { clock.sleep(limits::IDLE).await })
}

impl AsyncRead for Connection {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let done = Pin::new(&mut self.stream).poll_read(cx, into);
        self.moved(cx, done)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let done = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.moved(cx, done)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let done = Pin::new(&mut self.stream).poll_write_vectored(cx, bytes);
        self.moved(cx, done)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}
