//! The faults, each with what it is easily taken for. Sizes are such that a technician would call it a fault;
//! which sign belongs to which fault: common practice, no source.

mod adjust;
mod missing;
mod path;

use super::{Fault, Hookup};
use tapewright_formats::TapeKind::Alignment;

/// A healthy machine with an alignment tape on a modest bench, where nothing else is said.
const BASE: Fault = Fault {
    name: "",
    look_alike: "",
    commands: &[],
    machine: "",
    tape: Alignment,
    recorded: "",
    operator: "",
    hookup: Hookup::Modest,
    sequence: "first-look",
    right: &[],
    wrong: &[],
};

/// Four channels, the video output on the fourth.
const VIDEO: Hookup = Hookup::Large("video", 1000);
/// Four channels, the servos' reference on the fourth.
const REFERENCE: Hookup = Hookup::Large("reference", 5000);
/// Four channels, a supply rail of 12 V on the fourth.
const SUPPLY: Hookup = Hookup::Large("supply", 12_000);
/// Four channels, the left sound on the fourth: 0.3 V RMS.
const AUDIO: Hookup = Hookup::Large("audio-left", 850);

/// What is said of a machine without a fault.
const NOTHING: &[&str] = &["no fault named: pass", "no fault named: marginal"];
/// What is said where a probe did not show a known signal.
const NOT_PROVEN: &str = "no fault named: unable, probe-not-proven";
/// Conclusions that blame the tape path.
const SAGS: &[&str] = &["exit-guide", "entrance-guide", "machine-or-tape"];

/// Every fault, with its place in the table.
pub fn all() -> impl Iterator<Item = &'static Fault> {
    missing::FAULTS.iter().chain(path::FAULTS).chain(adjust::FAULTS)
}
