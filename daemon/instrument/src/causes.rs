//! An error with its causes.

use core::error::Error;

/// An error with its causes, in one line; a cause that the text before it holds already is not said again.
#[must_use]
pub fn chain(error: &(dyn Error + 'static)) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let next = error.to_string();
        if !text.contains(&next) {
            text.push_str(": ");
            text.push_str(&next);
        }
        cause = error.source();
    }
    text
}
