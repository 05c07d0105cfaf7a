//! What can be set, with the limits and where they come from.

use tapewright_sdk::heads::{CLEAR_OF_NOISE, STEADY};
use tapewright_sdk::prelude::*;

pub(crate) const FRAMES: Number = Number::practice(
    "frames",
    "frames of each head that are captured at each tracking position",
    Unit::One,
    [6.0, 3.0, 100.0],
);
pub(crate) const WATCH_S: Number = Number::practice(
    "watch-s",
    "how long the level is watched at centre, to see a tracking that hunts",
    Unit::Second,
    [10.0, 2.0, 120.0],
);
pub(crate) const HEIGHT_GOOD: Number =
    Number::ratio("height-good", "height error of a guide, in track pitches: good within", 0.12);
pub(crate) const HEIGHT_REJECT: Number =
    Number::ratio("height-reject", "height error of a guide, in track pitches: rejected beyond", 0.25)
        .of_source("common practice, no source: a quarter of a pitch takes 2.5 dB from a head as wide as its track");
pub(crate) const FLATNESS_GOOD: Number =
    Number::ratio("flatness-good", "least over greatest level at tracking centre: good from here", 0.75);
pub(crate) const FLATNESS_REJECT: Number =
    Number::ratio("flatness-reject", "least over greatest level at tracking centre: rejected below", 0.63);
pub(crate) const CONTACT_GOOD: Number =
    Number::ratio("contact-good", "what a dip on both tracking sides keeps of the level: good from here", 0.75);
pub(crate) const CONTACT_REJECT: Number =
    Number::ratio("contact-reject", "what a dip on both tracking sides keeps of the level: rejected below", 0.63);

pub(crate) const ALL: &[Parameter] = &[
    Parameter::Number(FRAMES),
    Parameter::Number(WATCH_S),
    Parameter::Number(HEIGHT_GOOD),
    Parameter::Number(HEIGHT_REJECT),
    Parameter::Number(FLATNESS_GOOD),
    Parameter::Number(FLATNESS_REJECT),
    Parameter::Number(CONTACT_GOOD),
    Parameter::Number(CONTACT_REJECT),
    Parameter::Number(STEADY),
    Parameter::Number(CLEAR_OF_NOISE),
];
