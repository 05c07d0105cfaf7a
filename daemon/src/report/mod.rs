//! What people read: text, drawings, JSON.

pub mod drawing;
pub mod run_report;
pub mod text;
pub mod trial;

use core::error::Error;

/// An error with its causes, in one line.
#[must_use]
pub fn chain(error: &(dyn Error + 'static)) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let next = error.to_string();
        if !text.ends_with(&next) {
            text.push_str(": ");
            text.push_str(&next);
        }
        cause = error.source();
    }
    text
}
