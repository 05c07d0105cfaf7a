//! The only place of this crate that prints: data to standard output, all else to standard error.

use std::io::Write;

/// Prints data. A closed pipe is no error: whoever reads has seen enough.
pub(crate) fn data(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ =
        out.write_all(text.as_bytes()).and_then(|()| if text.ends_with('\n') { Ok(()) } else { out.write_all(b"\n") });
    let _ = out.flush();
}

/// Prints a value as one line of JSON.
pub(crate) fn json(value: &impl serde::Serialize) {
    match serde_json::to_string(value) {
        Ok(text) => data(&text),
        Err(error) => say(&format!("error: writing JSON failed: {error}")),
    }
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
