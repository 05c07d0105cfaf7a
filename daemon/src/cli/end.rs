//! When the daemon is to end: Ctrl-C, and on Unix what `systemctl stop`, a shutdown and a closed terminal send.

use std::io;

/// Listens for what ends the daemon from when it is made; nothing that came meanwhile is lost.
#[cfg(unix)]
pub(crate) struct End {
    interrupt: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
    /// None where whoever started the daemon asked that it outlive its terminal.
    hang_up: Option<tokio::signal::unix::Signal>,
}

#[cfg(unix)]
impl End {
    pub(crate) fn listen() -> io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Self {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: if hang_up_is_ignored() { None } else { Some(signal(SignalKind::hangup())?) },
        })
    }

    /// Waits for the first of them, and says which it was.
    pub(crate) async fn heard(&mut self) -> &'static str {
        let hang_up = async {
            match &mut self.hang_up {
                Some(hang_up) => hang_up.recv().await,
                None => core::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.interrupt.recv() => "Ctrl-C",
            _ = self.terminate.recv() => "asked to end",
            _ = hang_up => "the terminal was closed",
        }
    }
}

/// Whether the signal of a closed terminal was set to be ignored, as `nohup` does. Linux alone tells.
#[cfg(unix)]
fn hang_up_is_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok()).is_some_and(|mask| mask & 1 == 1)
}

/// Listens for what ends the daemon.
#[cfg(not(unix))]
pub(crate) struct End;

#[cfg(not(unix))]
impl End {
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self)
    }

    /// Waits for it, and says what it was.
    pub(crate) async fn heard(&mut self) -> &'static str {
        match tokio::signal::ctrl_c().await {
            Ok(()) => "Ctrl-C",
            // It cannot be listened for: the daemon is ended from outside then.
            Err(_) => core::future::pending().await,
        }
    }
}

/// Listens for Ctrl-C alone, from when it is made. Made and asked within a runtime.
pub(crate) struct Interrupt(#[cfg(unix)] tokio::signal::unix::Signal);

impl Interrupt {
    #[cfg(unix)]
    pub(crate) fn listen() -> io::Result<Self> {
        tokio::signal::unix::signal(tokio::signal::unix::SignalKind::interrupt()).map(Self)
    }

    #[cfg(not(unix))]
    pub(crate) fn listen() -> io::Result<Self> {
        Ok(Self())
    }

    pub(crate) async fn heard(&mut self) {
        #[cfg(unix)]
        let heard = self.0.recv().await.is_some();
        #[cfg(not(unix))]
        let heard = tokio::signal::ctrl_c().await.is_ok();
        if !heard {
            core::future::pending().await
        }
    }
}
