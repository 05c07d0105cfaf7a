//! What can be set, and what the procedure says of itself.

use tapewright_sdk::heads::{CLEAR_OF_NOISE, STEADY};
use tapewright_sdk::prelude::*;

pub(crate) const FRAMES: Number =
    Number::practice("frames", "frames of each head that are captured", Unit::One, [8.0, 3.0, 100.0]);
pub(crate) const FLATNESS_GOOD: Number =
    Number::ratio("flatness-good", "least over greatest level of another machine's recording: good from here", 0.70);
pub(crate) const FLATNESS_REJECT: Number =
    Number::ratio("flatness-reject", "least over greatest level of another machine's recording: rejected below", 0.50);
pub(crate) const CHANGE_GOOD: Number =
    Number::ratio("change-good", "an end over the middle, here less there: good within", 0.12);
pub(crate) const CHANGE_REJECT: Number =
    Number::ratio("change-reject", "an end over the middle, here less there: rejected beyond", 0.25);

pub(crate) const DESCRIPTION: Description = Description {
    name: "interchange",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Plays one recording on a second machine, or once more after a while, and tells whether both see the same envelope.",
    needs: &[Signal::Rf, Signal::HeadSwitch],
    uses: &[],
    modes: &[Mode::Stop, Mode::Play],
    parameters: &[
        Parameter::Number(FRAMES),
        Parameter::Number(FLATNESS_GOOD),
        Parameter::Number(FLATNESS_REJECT),
        Parameter::Number(CHANGE_GOOD),
        Parameter::Number(CHANGE_REJECT),
        Parameter::Number(STEADY),
        Parameter::Number(CLEAR_OF_NOISE),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Whether a tape of one machine plays on another. Play it where it was recorded, or anywhere, with `record-playback`, `envelope` or \
            this, and name that run by --against; the tape must have the same name in both. A recording plays flat on the path that \
            made it, so an end that sags here and not there says that the two paths differ, not which of them is wrong: only an \
            alignment tape tells that. On one machine at two visits a difference is what has changed since.",
    when_it_fails: "Play an alignment tape on both machines with `guide-adjust`, and set the one that is off. Where both are right, the tape has \
                    changed: heat, stretch, a damaged edge.",
    duration_s: 20.0,
};
