//! The whole thing together: random machines on the simulated bench, through SCPI bytes and components.
//!
//! One seed reproduces everything. The exact truth comes from the simulator, the verdicts from the
//! daemon; neither knows the other.

pub mod bench;
pub mod coverage;
pub mod faults;
pub mod machines;
pub mod score;
pub mod segments;
pub mod sittings;
pub mod storm;
pub mod truth;
