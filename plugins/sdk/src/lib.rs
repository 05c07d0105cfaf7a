//! What a procedure written in Rust starts from.
pub mod bindings;
