//! A machine under test as the bench sees it: its test points, its keys, its faults, its truth.

use crate::source::Source;
use tapewright_formats::{Mode, TapeKind};

/// Which of the two keys of digital tracking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TrackingKey {
    /// A step up.
    Up,
    /// A step down.
    Down,
    /// Both at once: to its own centre.
    Both,
}

/// A machine on the bench. Times are seconds on the bench's timeline and never go back.
pub trait Deck: Source + Send {
    /// A key is pressed.
    fn key(&mut self, mode: Mode, at_s: f64);

    /// A tracking key is pressed; nothing happens on a machine that has none.
    fn tracking(&mut self, _key: TrackingKey, _at_s: f64) {}

    /// Puts a tape in, by its name in the scenario; `None` takes it out.
    ///
    /// # Errors
    /// A text that names the tapes there are.
    fn insert(&mut self, tape: Option<&str>, at_s: f64) -> Result<(), String>;

    /// Sets a fault.
    ///
    /// # Errors
    /// A text that says what was not understood, and what would be.
    fn fault(&mut self, name: &str, value: &str, at_s: f64) -> Result<(), String>;

    /// Takes a fault away.
    ///
    /// # Errors
    /// A text that names the faults there are.
    fn clear(&mut self, name: &str, at_s: f64) -> Result<(), String>;

    /// The exact truth about one thing at an instant, as text.
    ///
    /// # Errors
    /// A text that names what can be asked.
    fn truth(&mut self, what: &str, at_s: f64) -> Result<String, String>;

    /// The tapes at hand, by name, with their kinds.
    fn tapes(&self) -> Vec<(String, TapeKind)>;

    /// The tape that is in.
    fn tape(&self) -> Option<String>;

    /// The simulated tape machine itself, for typed access to its truth, if that is what this is.
    fn machine(&mut self) -> Option<&mut crate::machine::Machine> {
        None
    }
}
