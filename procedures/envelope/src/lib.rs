//! The procedure envelope.
