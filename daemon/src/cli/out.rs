//! The only place of this crate that prints: data to standard output, all else to standard error.

use super::exit::Exit;
use core::sync::atomic::{AtomicBool, Ordering};
use std::io::{ErrorKind, Write};

/// Whether data were lost on their way out.
static LOST: AtomicBool = AtomicBool::new(false);

/// Prints data. A closed pipe is no error: whoever reads has seen enough. Any other is said once, and
/// [`ended`] has it.
pub(crate) fn data(text: &str) {
    let mut out = std::io::stdout().lock();
    let line_end: &[u8] = if text.ends_with('\n') { b"" } else { b"\n" };
    let written = out.write_all(text.as_bytes()).and_then(|()| out.write_all(line_end)).and_then(|()| out.flush());
    match written {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            lost(&format!("writing to standard output failed: {error}; what was to be read there is not whole"));
        }
        _ => {}
    }
}

/// Prints a value as one line of JSON.
pub(crate) fn json(value: &impl serde::Serialize) {
    match serde_json::to_string(value) {
        Ok(text) => data(&text),
        Err(error) => lost(&format!("writing JSON failed: {error}")),
    }
}

fn lost(why: &str) {
    if !LOST.swap(true, Ordering::Relaxed) {
        say(&format!("error: {why}"));
    }
}

/// How the program ends: what could not be printed is a failure of the tool, whatever else went well.
pub(crate) fn ended(exit: Exit) -> Exit {
    if LOST.load(Ordering::Relaxed) { Exit::ToolFailed } else { exit }
}

/// Says something to whoever watches.
pub(crate) fn say(text: &str) {
    let mut err = std::io::stderr().lock();
    let _ = writeln!(err, "{}", text.trim_end());
}

/// Says an error with its causes; what to do comes last, on a line of its own where it is known apart.
pub(crate) fn error(error: &(dyn core::error::Error + 'static)) {
    say(&format!("error: {}", crate::report::chain(error)));
}
