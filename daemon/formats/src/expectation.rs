//! What a healthy machine shows in each mode.

use crate::words::{Mode, Signal};
use serde::{Deserialize, Serialize};

/// What is expected of a signal in a mode on a healthy machine (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Expectation {
    /// There, at the rate and level of playback.
    Present,
    /// There, at another rate or level on purpose.
    Shifted,
    /// Normally absent: its absence says nothing.
    Absent,
    /// Either: a machine may or may not send it.
    Either,
}

/// The table of what is expected of each signal in each mode.
///
/// A muted machine sends clean video of its own, so video in `stop` is `Either` and counts in
/// `play` only when it follows the RF. Drum rates shift in still and search on machines that correct
/// the line rate. Common practice, no source.
#[must_use]
pub const fn expected_in(mode: Mode, signal: Signal) -> Expectation {
    use Expectation::{Absent, Either, Present, Shifted};
    match (mode, signal) {
        (_, Signal::Supply | Signal::Reference) => Present,
        (Mode::Stop | Mode::FastForward | Mode::Rewind, Signal::Rf | Signal::HifiRf) => Absent,
        (Mode::Stop | Mode::FastForward | Mode::Rewind, Signal::Video) => Either,
        (Mode::Stop, Signal::HeadSwitch | Signal::DrumPulse) => Either,
        (Mode::FastForward | Mode::Rewind, Signal::HeadSwitch | Signal::DrumPulse) => Either,
        (Mode::Stop | Mode::Still | Mode::Advance, Signal::ControlTrack | Signal::CapstanPulse) => Absent,
        (Mode::Stop | Mode::Still | Mode::Advance, Signal::AudioLeft | Signal::AudioRight) => Absent,
        (Mode::FastForward | Mode::Rewind, Signal::ControlTrack) => Either,
        (Mode::FastForward | Mode::Rewind, Signal::CapstanPulse) => Shifted,
        (Mode::FastForward | Mode::Rewind, Signal::AudioLeft | Signal::AudioRight) => Absent,
        (Mode::Cue | Mode::Review, Signal::AudioLeft | Signal::AudioRight) => Either,
        (Mode::Still | Mode::Advance | Mode::Cue | Mode::Review, _) => Shifted,
        (Mode::Play | Mode::Record, _) => Present,
    }
}
