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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::Engine;
    use crate::state::State;
    use tapewright_clock::Clock;

    #[test]
    fn memories_and_tables_are_added_up() {
        let mut limiter = Limiter::new(&Limits { memory_bytes: 100, table_elements: 10, ..Limits::default() });
        assert!(limiter.memory_growing(0, 60, None).expect("there is room"));
        assert!(limiter.memory_growing(0, 30, None).expect("there is room for another memory"));
        let refused = limiter.memory_growing(60, 71, None).expect_err("together they are too large").to_string();
        assert_eq!(refused, "it holds 90 bytes of memory and asked for 11 more, of 100 allowed");
        assert!(limiter.table_growing(0, 10, None).expect("there is room"));
        assert!(limiter.table_growing(0, 1, None).is_err());
    }

    #[test]
    fn a_component_of_too_many_instances_is_refused() {
        /// Instantiates a component of one empty core module, so many times.
        fn instances(count: u8) -> wasmtime::Result<()> {
            let mut bytes = b"\0asm\x0d\0\x01\0\x01\x08\0asm\x01\0\0\0".to_vec();
            bytes.extend([0x02, 1 + 3 * count, count]);
            bytes.extend([0, 0, 0].repeat(count.into()));
            let engine = Engine::new().map_err(|e| e.0)?;
            let component = wasmtime::component::Component::from_binary(&engine.engine, &bytes)?;
            let mut store = engine.store(State::new(None, Clock::real(), Limits::default()), 1_000_000)?;
            let linker = wasmtime::component::Linker::new(&engine.engine);
            let runtime = tokio::runtime::Builder::new_current_thread().build()?;
            runtime.block_on(linker.instantiate_async(&mut store, &component)).map(|_| ())
        }
        let few = u8::try_from(INSTANCES).expect("it is small");
        assert!(instances(few).is_ok());
        let refused = instances(few + 1).expect_err("it is one too many");
        assert!(refused.root_cause().to_string().contains("instance"), "{refused:?}");
    }
}
