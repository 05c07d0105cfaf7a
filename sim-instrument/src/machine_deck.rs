//! The simulated tape machine on the bench.

use crate::deck::{Deck, TrackingKey};
use crate::machine::Machine;
use tapewright_formats::{Mode, TapeKind};

impl Deck for Machine {
    fn key(&mut self, mode: Mode, at_s: f64) {
        Self::key(self, mode, at_s);
    }

    fn tracking(&mut self, key: TrackingKey, at_s: f64) {
        Self::tracking(self, key, at_s);
    }

    fn insert(&mut self, tape: Option<&str>, at_s: f64) -> Result<(), String> {
        Self::insert(self, tape, at_s).map_err(|error| error.to_string())
    }

    fn fault(&mut self, name: &str, value: &str, at_s: f64) -> Result<(), String> {
        Self::fault(self, name, value, at_s).map_err(|error| error.to_string())
    }

    fn clear(&mut self, name: &str, at_s: f64) -> Result<(), String> {
        Self::clear(self, name, at_s).map_err(|error| error.to_string())
    }

    fn truth(&mut self, what: &str, at_s: f64) -> Result<String, String> {
        Self::truth(self, what, at_s).map_err(|error| error.to_string())
    }

    fn tapes(&self) -> Vec<(String, TapeKind)> {
        self.config().tapes.iter().map(|(name, tape)| (name.clone(), tape.kind)).collect()
    }

    fn tape(&self) -> Option<String> {
        Self::tape(self).map(|(name, _)| name.to_owned())
    }

    fn machine(&mut self) -> Option<&mut Machine> {
        Some(self)
    }
}
