//! What people read: text, drawings, JSON.

pub mod drawing;
