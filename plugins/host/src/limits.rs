//! How much a component may use. Each default has its reason, and a test that hits it.

use serde::{Deserialize, Serialize};

/// Fuel of a run, about one a wasm instruction. A large envelope (a million samples through two
/// Fourier transforms, some thirty times) takes about a tenth of it. Not a time.
pub const FUEL: u64 = 50_000_000_000;

/// Fuel of `describe`: it only fills in a record.
pub const DESCRIBE_FUEL: u64 = 20_000_000;

/// Fuel between two yields to the other tasks: about a millisecond, so that a busy procedure does not
/// hold up the benches.
pub const FUEL_A_YIELD: u64 = 1_000_000;

/// All linear memories together. Room for some million samples in double precision with their transforms.
pub const MEMORY_BYTES: usize = 256 << 20;

/// Elements of all tables together. A table is filled without an interruption, so it must stay small;
/// a Rust component uses some hundred.
pub const TABLE_ELEMENTS: usize = 20_000;

/// Core instances, tables and memories in one component, each. An ordinary component has 2 to 4; each
/// memory reserves address space.
pub const INSTANCES: usize = 16;

/// Bytes of wasm stack: recursion ends here.
pub const STACK_BYTES: usize = 512 << 10;

/// Bytes of stack of the task that runs the component: wasm's and the host's own functions'.
pub const ASYNC_STACK_BYTES: usize = 2 << 20;

/// Bytes that a procedure may hand over in one call: the largest figure takes a few kilobytes.
pub const BYTES_A_CALL: usize = 1 << 20;

/// Bytes of all that a procedure reports. A verdict is kept for ever, and shown on a page.
pub const REPORT_BYTES: usize = 8 << 20;

/// Calls of the host in one run. A thorough procedure makes some thousand; each is a line of the journal.
pub const CALLS: u32 = 20_000;

/// Captures that a procedure may hold at once: a hundred stops with a few captures each.
pub const CAPTURES_HELD: usize = 1_000;

/// Codes in all captures held at once, two bytes each: some hundred captures of a million points.
pub const CODES_HELD: usize = 128 << 20;

/// Seconds beyond what the question itself allows, before the host gives a service up. One frame at full
/// RF rate takes 20 minutes at 9,600 baud.
pub const CALL_DEADLINE_S: f64 = 3_600.0;

/// Seconds of a whole run. A day: procedures take minutes, prompts may wait over a lunch.
pub const RUN_DEADLINE_S: f64 = 86_400.0;

/// Fuel of one look of a live session, about a tenth of a second's work: it must show ten readings a
/// second beside the other benches.
pub const LOOK_FUEL: u64 = 2_000_000_000;

/// Seconds of one look beyond what its captures allow: a look that hangs ends the session.
pub const LOOK_DEADLINE_S: f64 = 120.0;

/// Gauges of one reading: more cannot be read from a screen.
pub const GAUGES: usize = 32;

/// Choices of one reading: one a digit key.
pub const CHOICES: usize = 9;

/// Warnings of one reading.
pub const WARNINGS: usize = 8;

/// Bytes of any one text of a reading.
pub const READING_TEXT_BYTES: usize = 1_000;

/// Bytes of a component. Compiling is outside all other limits, and takes time that grows with the size;
/// a Rust procedure has some hundred kilobytes.
pub const COMPONENT_BYTES: usize = 4 << 20;

/// The limits in force for a run. They are evidence: the verdict repeats them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// See [`FUEL`].
    pub fuel: u64,
    /// See [`MEMORY_BYTES`].
    pub memory_bytes: usize,
    /// See [`TABLE_ELEMENTS`].
    pub table_elements: usize,
    /// See [`BYTES_A_CALL`].
    pub bytes_a_call: usize,
    /// See [`REPORT_BYTES`].
    pub report_bytes: usize,
    /// See [`CALLS`].
    pub calls: u32,
    /// See [`CAPTURES_HELD`].
    pub captures_held: usize,
    /// See [`CODES_HELD`].
    pub codes_held: usize,
    /// See [`CALL_DEADLINE_S`].
    pub call_deadline_s: f64,
    /// See [`RUN_DEADLINE_S`].
    pub run_deadline_s: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            fuel: FUEL,
            memory_bytes: MEMORY_BYTES,
            table_elements: TABLE_ELEMENTS,
            bytes_a_call: BYTES_A_CALL,
            report_bytes: REPORT_BYTES,
            calls: CALLS,
            captures_held: CAPTURES_HELD,
            codes_held: CODES_HELD,
            call_deadline_s: CALL_DEADLINE_S,
            run_deadline_s: RUN_DEADLINE_S,
        }
    }
}

impl Limits {
    /// Those of one look of a live session.
    #[must_use]
    pub fn of_a_look() -> Self {
        Self { fuel: LOOK_FUEL, run_deadline_s: LOOK_DEADLINE_S, call_deadline_s: LOOK_DEADLINE_S, ..Self::default() }
    }

    /// The same without the fuel limit, as a run is judged again from its evidence.
    #[must_use]
    pub fn without_fuel_limit(self) -> Self {
        Self { fuel: u64::MAX, ..self }
    }
}
