//! Whoever started a run and sits before it: what is typed, and Ctrl-C.

use super::end::Interrupt;
use super::exit::Exit;
use super::out;
use crate::http::Client;
use crate::records::RunId;
use core::time::Duration;
use std::io::BufRead;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};

/// How long a line is waited for before it is looked whether the question is still open.
const LOOK: Duration = Duration::from_millis(500);

/// What waiting for a line came to.
pub(super) enum Typed {
    /// A line.
    Line(String),
    /// Nothing yet.
    NotYet,
    /// There is nobody any more: the input ended.
    Ended,
}

/// Standard input, read on a thread of its own and only when a line is asked for: a question that is settled elsewhere keeps
/// nobody waiting.
pub(super) struct Keyboard {
    ask: Sender<()>,
    lines: Receiver<Option<String>>,
    asked: bool,
}

impl Keyboard {
    pub(super) fn new() -> Self {
        let ((ask, asked), (send, lines)) = (channel::<()>(), channel());
        std::thread::spawn(move || {
            for () in asked {
                let mut line = String::new();
                let read = std::io::stdin().lock().read_line(&mut line).unwrap_or(0);
                if send.send((read > 0).then_some(line)).is_err() {
                    return;
                }
            }
        });
        Self { ask, lines, asked: false }
    }

    /// Waits a moment for a line.
    pub(super) fn line(&mut self) -> Typed {
        if !self.asked && self.ask.send(()).is_err() {
            return Typed::Ended;
        }
        self.asked = true;
        match self.lines.recv_timeout(LOOK) {
            Ok(line) => {
                self.asked = false;
                line.map_or(Typed::Ended, Typed::Line)
            }
            Err(RecvTimeoutError::Timeout) => Typed::NotYet,
            Err(RecvTimeoutError::Disconnected) => Typed::Ended,
        }
    }
}

/// From now on Ctrl-C stops the machine and ends the run, which is then reported as ever; a second one leaves at once.
pub(super) fn stop_at_ctrl_c(client: &Client, bench: &str, run: &RunId) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else { return };
    let Ok(mut interrupt) = runtime.block_on(async { Interrupt::listen() }) else { return };
    let (client, bench, run) = (client.clone(), bench.to_owned(), run.clone());
    std::thread::spawn(move || {
        runtime.block_on(interrupt.heard());
        out::say(&format!(
            "Ctrl-C: stopping bench `{bench}` and ending run {run}; Ctrl-C again leaves without waiting"
        ));
        let (asked, of) = (client, bench.clone());
        // A daemon that does not answer must not keep a second Ctrl-C from being heard.
        std::thread::spawn(move || match asked.stop(&of) {
            Ok(()) => out::say(&format!("bench `{of}` was told to stop; the run ends")),
            Err(error) => {
                out::error(&error);
                out::say(&format!("the machine on bench `{of}` may still be moving: stop it by hand"));
            }
        });
        runtime.block_on(interrupt.heard());
        out::say(&format!(
            "left; whether run {run} has ended says `tapewright show {run}`, and `tapewright stop {bench}` stops the machine"
        ));
        leave();
    });
}

/// The thread that follows the run may be waiting for the daemon or for a line, so it cannot be asked to return.
#[expect(clippy::exit, reason = "asked for twice, and nothing here is left half done: the daemon has the run")]
fn leave() -> ! {
    std::process::exit(i32::from(Exit::ToolFailed as u8))
}
