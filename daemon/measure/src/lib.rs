//! Pure functions on traces, and statistics: from sampled volts to numbers with their uncertainty.
//!
//! No I/O, no clock, no threads; builds for wasm, since it travels inside each procedure. Every
//! function states its formula and what it assumes. Non-finite input is refused at the door
//! ([`MeasureError::NotFinite`]); nothing here panics on any input, and the same input gives the same
//! bits. What each quantity *is* stands in [`tapewright_formats::definitions`].
//!
//! The way of a level measurement:
//!
//! 1. [`Trace`] or [`PairTrace`] from codes, [`scan::scans_from_trigger`] or [`scan::cut_at_head_switch`];
//! 2. the noise floor, taken in the same set-up without RF: [`carrier::CarrierNoise`],
//!    [`peaks::PeakNoise`] or [`power::PowerNoise`];
//! 3. one [`ScanLevels`] a scan: [`carrier::levels_by_carrier`], [`peaks::levels_by_peaks`] or
//!    [`power::levels_by_power`];
//! 4. preconditions: [`preconditions`], [`steadiness::frame_to_frame_change`];
//! 5. one [`HeadCurve`] a head over the frames, then [`curve::flatness`], [`curve::entrance`],
//!    [`curve::exit`], [`curve::balance`]: each an [`Estimate`], decided by [`Estimate::decide`].
//!
//! Video: [`sync::separate`] finds the sync pulses, [`field::field_syncs`] the starts of vertical sync, and
//! [`switching`] holds head-switch edges against them. Servos: [`servo::PhaseRecord`], [`tracking::tracking_centre`].

pub mod audio_head;
pub mod azimuth;
mod base_line;
mod baseband;
mod beat;
pub mod beside;
pub mod between;
pub mod blanking;
pub mod carrier;
pub mod carrier_share;
pub mod charts;
pub mod colour;
pub mod counts;
pub mod course;
pub mod curve;
mod delay;
pub mod demodulate;
pub mod dropouts;
pub mod edges;
mod error;
mod estimate;
mod even;
mod extremes;
mod falls;
pub mod field;
pub mod flutter;
pub mod fm_sound;
mod fourier;
pub mod guides;
mod lift;
pub mod linear;
pub mod peaks;
pub mod picture;
pub mod pilots;
pub mod power;
pub mod preconditions;
pub mod pulses;
pub mod record;
pub mod ripple;
pub mod scan;
pub mod search;
pub mod servo;
pub mod sine;
pub mod slip;
mod solve;
pub mod special;
pub mod spectrum;
mod spikes;
pub mod statistics;
pub mod steadiness;
pub mod swing;
pub mod switching;
pub mod sync;
pub mod time_base;
mod trace;
pub mod tracking;
mod train;
mod turning;
pub mod video;
pub mod within;

pub use curve::{HeadCurve, ScanLevels, Shared};
pub use error::MeasureError;
pub use estimate::{COVERAGE, Contribution, Estimate, Evaluation, Spread};
pub use even::Even;
pub use trace::{Conversion, Converter, PairTrace, Trace};
