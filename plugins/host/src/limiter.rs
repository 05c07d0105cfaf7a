//! Memory, tables and instances of a component, added up over all of its parts.

use crate::limits::{INSTANCES, Limits};
use wasmtime::ResourceLimiter;

/// Counts what a component holds. What goes beyond is refused with a trap that says so: a component that
/// went on after a refusal could only abort without a word.
#[derive(Debug)]
pub(crate) struct Limiter {
    memory_left: usize,
    memory_cap: usize,
    elements_left: usize,
    elements_cap: usize,
    /// What was refused.
    pub(crate) refused: Option<String>,
}

impl Limiter {
    pub(crate) const fn new(limits: &Limits) -> Self {
        Self {
            memory_left: limits.memory_bytes,
            memory_cap: limits.memory_bytes,
            elements_left: limits.table_elements,
            elements_cap: limits.table_elements,
            refused: None,
        }
    }

    fn refuse(&mut self, reason: String) -> wasmtime::Error {
        tracing::info!(reason, "a limit bites");
        self.refused = Some(reason.clone());
        wasmtime::Error::msg(reason)
    }
}

impl ResourceLimiter for Limiter {
    fn memory_growing(&mut self, current: usize, desired: usize, _maximum: Option<usize>) -> wasmtime::Result<bool> {
        let more = desired.saturating_sub(current);
        match self.memory_left.checked_sub(more) {
            Some(left) => {
                self.memory_left = left;
                Ok(true)
            }
            None => {
                let held = self.memory_cap - self.memory_left;
                Err(self.refuse(format!(
                    "it holds {held} bytes of memory and asked for {more} more, of {} allowed",
                    self.memory_cap
                )))
            }
        }
    }

    fn table_growing(&mut self, current: usize, desired: usize, _maximum: Option<usize>) -> wasmtime::Result<bool> {
        let more = desired.saturating_sub(current);
        match self.elements_left.checked_sub(more) {
            Some(left) => {
                self.elements_left = left;
                Ok(true)
            }
            None => {
                let held = self.elements_cap - self.elements_left;
                Err(self.refuse(format!(
                    "its tables hold {held} elements and asked for {more} more, of {} allowed",
                    self.elements_cap
                )))
            }
        }
    }

    fn instances(&self) -> usize {
        INSTANCES
    }

    fn tables(&self) -> usize {
        INSTANCES
    }

    fn memories(&self) -> usize {
        INSTANCES
    }
}
