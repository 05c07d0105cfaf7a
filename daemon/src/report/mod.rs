//! What people read: text, drawings, JSON.

pub mod drawing;
pub mod run_report;
pub mod text;
pub mod trial;

pub use tapewright_instrument::causes::chain;
