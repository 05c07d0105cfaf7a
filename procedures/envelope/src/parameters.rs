//! What can be set, with the limits and where they come from.

use tapewright_sdk::prelude::*;

const PRACTICE: &str = "common practice, no source";

const fn ratio(name: &'static str, meaning: &'static str, default: f64) -> Number {
    Number { name, meaning, unit: Unit::One, default, least: 0.0, greatest: 1.0, source: PRACTICE }
}

const fn decibels(name: &'static str, meaning: &'static str, default: f64) -> Number {
    Number { name, meaning, unit: Unit::Decibel, default, least: 0.1, greatest: 20.0, source: PRACTICE }
}

pub(crate) const FRAMES: Number = Number {
    name: "frames",
    meaning: "frames of each head that are captured; more make the intervals narrower",
    unit: Unit::One,
    default: 8.0,
    least: 3.0,
    greatest: 100.0,
    source: PRACTICE,
};

pub(crate) const FLATNESS_GOOD: Number =
    ratio("flatness-good", "least over greatest level, alignment tape: good from here", 0.75);
pub(crate) const FLATNESS_REJECT: Number =
    ratio("flatness-reject", "least over greatest level, alignment tape: rejected below", 0.63);
pub(crate) const OWN_GOOD: Number =
    ratio("own-flatness-good", "least over greatest level, own recording: good from here", 0.80);
pub(crate) const OWN_REJECT: Number =
    ratio("own-flatness-reject", "least over greatest level, own recording: rejected below", 0.70);
pub(crate) const BALANCE_GOOD: Number = decibels("balance-good", "head B against head A: good within", 1.5);
pub(crate) const BALANCE_REJECT: Number = decibels("balance-reject", "head B against head A: rejected beyond", 3.0);
pub(crate) const LEVEL_GOOD: Number =
    ratio("level-good", "middle level over the known level of point and tape: good from here", 0.70);
pub(crate) const LEVEL_REJECT: Number =
    ratio("level-reject", "middle level over the known level of point and tape: rejected below", 0.50);
pub(crate) const STEADY: Number =
    ratio("steady", "change from frame to frame, over the level, up to which a curve counts as steady", 0.10);
pub(crate) const CLEAR: Number = Number {
    name: "clear-of-noise",
    meaning: "the level must be so many times the noise",
    unit: Unit::One,
    default: 3.0,
    least: 1.0,
    greatest: 100.0,
    source: PRACTICE,
};

pub(crate) const ALL: &[Parameter] = &[
    Parameter::Number(FRAMES),
    Parameter::Number(FLATNESS_GOOD),
    Parameter::Number(FLATNESS_REJECT),
    Parameter::Number(OWN_GOOD),
    Parameter::Number(OWN_REJECT),
    Parameter::Number(BALANCE_GOOD),
    Parameter::Number(BALANCE_REJECT),
    Parameter::Number(LEVEL_GOOD),
    Parameter::Number(LEVEL_REJECT),
    Parameter::Number(STEADY),
    Parameter::Number(CLEAR),
];
