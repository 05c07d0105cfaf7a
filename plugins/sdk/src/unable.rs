//! The error of a procedure: something could not be measured.

use crate::bindings::tapewright::procedure::types;
use tapewright_formats::UnableCode;
use tapewright_measure::MeasureError;

/// Something could not be measured. Returned from [`crate::Procedure::run`] it ends the procedure as
/// `unable`; given to [`crate::Report::unable`] it lets the procedure go on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{code}: {why}")]
pub struct Unable {
    /// What was to be measured; empty: the procedure as a whole.
    pub what: String,
    /// Why, in a word.
    pub code: UnableCode,
    /// Why, in a sentence: what was tried on what, and what to do.
    pub why: String,
}

/// The result of anything that may turn out not to be measurable.
pub type Result<T> = core::result::Result<T, Unable>;

impl Unable {
    /// With its code and a sentence.
    pub fn new(code: UnableCode, why: impl Into<String>) -> Self {
        Self { what: String::new(), code, why: why.into() }
    }

    /// Says what was to be measured.
    #[must_use]
    pub fn on(self, what: impl Into<String>) -> Self {
        Self { what: what.into(), ..self }
    }

    /// Says what was to be measured, unless it is said already.
    #[must_use]
    pub fn on_or(self, what: &str) -> Self {
        if self.what.is_empty() { self.on(what) } else { self }
    }
}

impl From<types::Failure> for Unable {
    fn from(told: types::Failure) -> Self {
        match told.code.parse() {
            Ok(code) => Self::new(code, told.text),
            // A daemon of a later minor version may know more codes: keep the word in the text.
            Err(_) => Self::new(UnableCode::NotPossible, format!("{}: {}", told.code, told.text)),
        }
    }
}

impl From<MeasureError> for Unable {
    fn from(error: MeasureError) -> Self {
        Self::new(error.code(), error.to_string())
    }
}

/// Says on the way out what was to be measured.
pub trait On<T> {
    /// See [`Unable::on`].
    ///
    /// # Errors
    /// The same one, with `what` filled in.
    fn on(self, what: &str) -> Result<T>;
}

impl<T, E: Into<Unable>> On<T> for core::result::Result<T, E> {
    fn on(self, what: &str) -> Result<T> {
        self.map_err(|error| error.into().on(what))
    }
}
