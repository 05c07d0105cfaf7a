//! Servers that put a port of the bench where other programs can reach it: TCP, HiSLIP and a pseudo-terminal.

mod framing;
mod hislip;
mod pty;
mod tcp;

pub use hislip::{HislipServer, serve_hislip};
pub use pty::{Pty, serve_pty};
pub use tcp::{TcpServer, serve_tcp};

use crate::port::SimPort;
use core::time::Duration;
use std::io;
use tapewright_clock::{Clock, Instant};

/// A server could not be started.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The address could not be listened on.
    #[error("listening on {address} failed: is something else there, or is it not an address of this machine?")]
    Listen {
        /// The address.
        address: std::net::SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// A pseudo-terminal could not be made.
    #[error("making a pseudo-terminal failed while {doing}: does this system have /dev/ptmx and /dev/pts?")]
    Pty {
        /// What was tried.
        doing: &'static str,
        /// Why.
        source: io::Error,
    },
}

/// How often a port is looked at when it announces nothing: a command to the bench may have woken it.
const LOOK_AGAIN: Duration = Duration::from_millis(20);
/// How often it is looked at while the scope takes in what it sees, so that little is left at the end.
const TAKE_IN: Duration = Duration::from_millis(4);
/// Least wait for a byte that is announced, so that time goes on.
const LEAST_WAIT: Duration = Duration::from_micros(50);
/// Size of a read from the outside.
const READ_BYTES: usize = 4096;

/// When the port may have something to say, and whether bytes are announced for then.
fn next_look(port: &mut SimPort, now: Instant) -> (Instant, bool) {
    let next = port.next_output(now);
    let most = now + if port.prepare(now) { TAKE_IN } else { LOOK_AGAIN };
    (next.unwrap_or(most).max(now + LEAST_WAIT).min(most), next.is_some_and(|next| next <= most))
}

/// Waits until the port may have something to say.
async fn until_output(port: &mut SimPort, clock: &Clock) {
    clock.sleep_until(next_look(port, clock.now()).0).await;
}

/// What the port has to say now, and whether it is there at all.
fn take(port: &mut SimPort, now: Instant) -> Option<Vec<u8>> {
    port.is_open(now).then(|| port.read(now))
}
