//! What can be set, with the limits and where they come from.

use tapewright_sdk::prelude::*;

const PRACTICE: &str = "common practice, no source";

const fn ratio(name: &'static str, meaning: &'static str, default: f64) -> Number {
    Number { name, meaning, unit: Unit::One, default, least: 0.0, greatest: 1.0, source: PRACTICE }
}

pub(crate) const FRAMES: Number = Number {
    name: "frames",
    meaning: "frames of each head that are captured at each tracking position",
    unit: Unit::One,
    default: 6.0,
    least: 3.0,
    greatest: 100.0,
    source: PRACTICE,
};
pub(crate) const WATCH_S: Number = Number {
    name: "watch-s",
    meaning: "how long the level is watched at centre, to see a tracking that hunts",
    unit: Unit::Second,
    default: 10.0,
    least: 2.0,
    greatest: 120.0,
    source: PRACTICE,
};
pub(crate) const HEIGHT_GOOD: Number =
    ratio("height-good", "height error of a guide, in track pitches: good within", 0.12);
pub(crate) const HEIGHT_REJECT: Number = Number {
    source: "common practice, no source: a quarter of a pitch takes 2.5 dB from a head as wide as its track",
    ..ratio("height-reject", "height error of a guide, in track pitches: rejected beyond", 0.25)
};
pub(crate) const FLATNESS_GOOD: Number =
    ratio("flatness-good", "least over greatest level at tracking centre: good from here", 0.75);
pub(crate) const FLATNESS_REJECT: Number =
    ratio("flatness-reject", "least over greatest level at tracking centre: rejected below", 0.63);
pub(crate) const CONTACT_GOOD: Number =
    ratio("contact-good", "what a dip on both tracking sides keeps of the level: good from here", 0.75);
pub(crate) const CONTACT_REJECT: Number =
    ratio("contact-reject", "what a dip on both tracking sides keeps of the level: rejected below", 0.63);
pub(crate) const STEADY: Number =
    ratio("steady", "change from frame to frame, over the level, up to which a curve counts as steady", 0.10);
pub(crate) const CLEAR: Number = Number {
    name: "clear-of-noise",
    meaning: "the level at centre must be so many times the noise",
    unit: Unit::One,
    default: 3.0,
    least: 1.0,
    greatest: 100.0,
    source: PRACTICE,
};

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
    Parameter::Number(CLEAR),
];
