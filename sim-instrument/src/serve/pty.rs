//! A port behind a real pseudo-terminal, which other programs open as a serial device.
//!
//! A pseudo-terminal has no baud rate, so the port keeps its own; what the client sets is not looked at.

use super::{READ_BYTES, ServeError, next_look, take};
use crate::port::SimPort;
use rustix::fs::{Mode, OFlags};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use tapewright_clock::Clock;
use tokio::io::unix::AsyncFd;
use tokio::task::JoinHandle;

/// A running pseudo-terminal; it is gone when this is dropped.
#[derive(Debug)]
pub struct Pty {
    path: PathBuf,
    task: JoinHandle<()>,
    /// Held open, so that the line does not hang up between two clients.
    _slave: OwnedFd,
}

impl Pty {
    /// The device that a client opens.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn step<T>(doing: &'static str, result: rustix::io::Result<T>) -> Result<T, ServeError> {
    result.map_err(|error| ServeError::Pty { doing, source: error.into() })
}

/// Serves a port behind a new pseudo-terminal. Needs a runtime with I/O.
///
/// # Errors
/// The system has no pseudo-terminals, or no more of them.
pub fn serve_pty(port: SimPort, clock: Clock) -> Result<Pty, ServeError> {
    let master = step("opening /dev/ptmx", openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC))?;
    step("granting the other side", grantpt(&master))?;
    step("unlocking the other side", unlockpt(&master))?;
    let name = step("asking for the other side's name", ptsname(&master, Vec::new()))?;
    let path = PathBuf::from(name.to_string_lossy().into_owned());
    let slave = step(
        "opening the other side",
        rustix::fs::open(&path, OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()),
    )?;
    // Raw from the start: nothing is echoed or mapped even before a client sets it so.
    let mut settings = step("reading the line's settings", tcgetattr(&slave))?;
    settings.make_raw();
    step("making the line raw", tcsetattr(&slave, OptionalActions::Now, &settings))?;
    let flags = step("reading the flags", rustix::fs::fcntl_getfl(&master))?;
    step("making reads not wait", rustix::fs::fcntl_setfl(&master, flags | OFlags::NONBLOCK))?;
    let master = watched(master).map_err(|source| ServeError::Pty { doing: "watching it", source })?;
    let task = tokio::spawn(async move {
        let mut port = port;
        if let Err(error) = pump(&mut port, &master, &clock).await {
            tracing::warn!(%error, "the pseudo-terminal ended");
        }
    });
    Ok(Pty { path, task, _slave: slave })
}

#[expect(unsafe_code, reason = "the runtime asks for a promise about the descriptor, which its owner can give")]
fn watched(master: OwnedFd) -> io::Result<AsyncFd<OwnedFd>> {
    // SAFETY: an `OwnedFd` is open for as long as it lives, always names the same descriptor, and is
    // owned by the `AsyncFd` from here on.
    unsafe { AsyncFd::register(master) }.map_err(io::Error::from)
}

async fn pump(port: &mut SimPort, master: &AsyncFd<OwnedFd>, clock: &Clock) -> io::Result<()> {
    let mut buffer = [0; READ_BYTES];
    loop {
        tokio::select! {
            read = read_some(master, &mut buffer) => {
                let count = read?;
                port.write(clock.now(), buffer.get(..count).unwrap_or_default());
            }
            () = until_due(port, clock) => {}
        }
        // A closed port is a line with nobody at its other end: bytes vanish.
        let bytes = take(port, clock.now()).unwrap_or_default();
        write_all(master, &bytes).await?;
    }
}

/// Waits until the port may have something to say: bytes leave when the line's rate says so, not when the runtime's
/// timer happens to look.
async fn until_due(port: &mut SimPort, clock: &Clock) {
    match next_look(port, clock.now()) {
        (due, true) => clock.sleep_finely_until(due).await,
        (look, false) => clock.sleep_until(look).await,
    }
}

async fn read_some(master: &AsyncFd<OwnedFd>, buffer: &mut [u8]) -> io::Result<usize> {
    loop {
        let mut ready = master.readable().await?;
        match ready.try_io(|fd| rustix::io::read(fd.get_ref(), &mut *buffer).map_err(io::Error::from)) {
            Ok(Err(error)) if error.kind() == io::ErrorKind::Interrupted => {}
            Ok(read) => return read,
            Err(_would_block) => {}
        }
    }
}

async fn write_all(master: &AsyncFd<OwnedFd>, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        let mut ready = master.writable().await?;
        match ready.try_io(|fd| rustix::io::write(fd.get_ref(), bytes).map_err(io::Error::from)) {
            Ok(Err(error)) if error.kind() == io::ErrorKind::Interrupted => {}
            Ok(written) => bytes = bytes.get(written?..).unwrap_or_default(),
            Err(_would_block) => {}
        }
    }
    Ok(())
}
