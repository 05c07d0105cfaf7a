//! What the fuzz targets feed, one function a target. Each takes any bytes, and panics only where something is
//! really wrong. The project's own tests run the same functions over the corpus.

pub mod commands;
#[path = "../../src/storm/deck.rs"]
pub mod deck;
#[cfg(feature = "http")]
pub mod http;
pub mod instrument;
