//! The shipped procedures, built to components and embedded.
//!
//! The build script makes them; plain `cargo build`, `cargo test` and `cargo clippy` need no further
//! step, and give the same bytes.

/// One shipped procedure.
#[derive(Debug, Clone, Copy)]
pub struct Shipped {
    /// Its name, which its description repeats.
    pub name: &'static str,
    /// The component.
    pub bytes: &'static [u8],
    /// SHA-256 of the bytes, in lower-case hexadecimal.
    pub sha256: &'static str,
}

/// Every shipped procedure.
///
/// ```
/// let names: Vec<_> = tapewright_shipped::procedures().iter().map(|p| p.name).collect();
/// assert!(names.contains(&"control-track"));
/// ```
#[must_use]
pub const fn procedures() -> &'static [Shipped] {
    PROCEDURES
}

/// A shipped procedure by its name.
#[must_use]
pub fn procedure(name: &str) -> Option<&'static Shipped> {
    PROCEDURES.iter().find(|procedure| procedure.name == name)
}

const PROCEDURES: &[Shipped] = include!(concat!(env!("OUT_DIR"), "/components.rs"));
