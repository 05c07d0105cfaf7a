//! Components that the host's tests run, built and embedded.

/// One component.
#[derive(Debug, Clone, Copy)]
pub struct Shipped {
    /// Its name.
    pub name: &'static str,
    /// Its bytes.
    pub bytes: &'static [u8],
    /// SHA-256 of the bytes, in lower-case hexadecimal.
    pub sha256: &'static str,
}

/// Every component.
pub const GUESTS: &[Shipped] = include!(concat!(env!("OUT_DIR"), "/components.rs"));

/// A component by its name.
///
/// # Panics
/// If there is none: the build script does not list it.
#[must_use]
pub fn guest(name: &str) -> &'static Shipped {
    match GUESTS.iter().find(|guest| guest.name == name) {
        Some(guest) => guest,
        None => panic!("no guest `{name}` is built"),
    }
}
