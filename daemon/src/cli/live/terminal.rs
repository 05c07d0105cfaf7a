//! The terminal: its size, raw input for single keys, and everything put back at the end.

use rustix::termios::{OptionalActions, Termios, isatty, tcgetattr, tcgetwinsize, tcsetattr};
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::sync::mpsc::{Receiver, channel};

/// What is sent when a screen is begun, and when it is left.
const ENTER: &str = "\x1b[?1049h\x1b[?25l\x1b[2J";
const LEAVE: &str = "\x1b[?25h\x1b[?1049l";
const BELL: &str = "\x07";

/// Whether both ends are a terminal.
pub(super) fn is_one() -> bool {
    isatty(std::io::stdin()) && isatty(std::io::stdout())
}

/// A terminal in raw mode, with a screen of its own. Dropped, it is as it was.
pub(super) struct Screen {
    before: Termios,
    shown: Vec<String>,
    size: (usize, usize),
}

impl Screen {
    /// Takes the terminal over.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn enter() -> std::io::Result<Self> {
        let before = tcgetattr(std::io::stdin())?;
        let mut raw = before.clone();
        raw.make_raw();
        tcsetattr(std::io::stdin(), OptionalActions::Now, &raw)?;
        let screen = Self { before, shown: Vec::new(), size: (0, 0) };
        put(ENTER)?;
        Ok(screen)
    }

    /// Columns and rows, asked anew each time: a window may be resized at any moment.
    pub(super) fn size() -> (usize, usize) {
        tcgetwinsize(std::io::stdout())
            .ok()
            .map(|size| (usize::from(size.ws_col), usize::from(size.ws_row)))
            .filter(|(columns, rows)| *columns > 0 && *rows > 0)
            .unwrap_or((80, 24))
    }

    /// Shows lines; only those that changed are sent, all of them after a resize.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn show(&mut self, lines: Vec<String>, size: (usize, usize)) -> std::io::Result<()> {
        let mut out = String::new();
        if size != self.size {
            out.push_str("\x1b[2J");
            self.shown.clear();
            self.size = size;
        }
        for (row, line) in lines.iter().enumerate() {
            if self.shown.get(row) != Some(line) {
                // Writing to a string cannot fail.
                let _ = write!(out, "\x1b[{};1H{line}\x1b[K", row + 1);
            }
        }
        self.shown = lines;
        if out.is_empty() { Ok(()) } else { put(&out) }
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        // Nothing more can be done about a terminal that has gone.
        let _ = put(LEAVE);
        let _ = tcsetattr(std::io::stdin(), OptionalActions::Now, &self.before);
    }
}

/// Sounds the terminal's bell.
pub(super) fn bell() {
    let _ = put(BELL);
}

fn put(text: &str) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())?;
    out.flush()
}

/// Keys as they are pressed; ends with the input.
pub(super) fn keys() -> Receiver<u8> {
    let (send, receive) = channel();
    std::thread::spawn(move || {
        for byte in std::io::stdin().lock().bytes() {
            let Ok(byte) = byte else { return };
            if send.send(byte).is_err() {
                return;
            }
        }
    });
    receive
}

/// Lines as they are typed; ends with the input.
pub(super) fn lines() -> Receiver<String> {
    let (send, receive) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { return };
            if send.send(line.trim().to_owned()).is_err() {
                return;
            }
        }
    });
    receive
}
