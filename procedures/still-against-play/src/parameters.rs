//! What can be set, with the limits and where they come from.

use tapewright_sdk::prelude::*;

const PRACTICE: &str = "common practice, no source";

const fn modulation(name: &'static str, meaning: &'static str, default: f64) -> Number {
    Number { name, meaning, unit: Unit::One, default, least: 0.0, greatest: 2.0, source: PRACTICE }
}

pub(crate) const STOPS: Number = Number {
    name: "stops",
    meaning: "places where the tape is stopped in still, by frame advance",
    unit: Unit::One,
    default: 3.0,
    least: 1.0,
    greatest: 10.0,
    source: PRACTICE,
};

pub(crate) const FRAMES: Number = Number {
    name: "frames",
    meaning: "frames that are captured at each stop; the tape is worn at one spot meanwhile",
    unit: Unit::One,
    default: 3.0,
    least: 3.0,
    greatest: 10.0,
    source: PRACTICE,
};

pub(crate) const RECORD_S: Number = Number {
    name: "record-s",
    meaning: "longest gap-free record in play; it is lengthened up to this while fewer than two cycles of a slip are seen",
    unit: Unit::Second,
    default: 25.0,
    least: 4.0,
    greatest: 120.0,
    source: PRACTICE,
};

pub(crate) const MODULATION_GOOD: Number =
    modulation("modulation-good", "change of the level over its mean, in still and in play: good up to here", 0.10);
pub(crate) const MODULATION_REJECT: Number =
    modulation("modulation-reject", "change of the level over its mean, in still and in play: rejected beyond", 0.30);

pub(crate) const SPEED_GOOD: Number = Number {
    name: "speed-good",
    meaning: "relative error of the tape's speed against its recording: good up to here",
    unit: Unit::Percent,
    default: 0.1,
    least: 0.0,
    greatest: 10.0,
    source: PRACTICE,
};

pub(crate) const SPEED_REJECT: Number = Number {
    name: "speed-reject",
    meaning: "relative error of the tape's speed against its recording: rejected beyond",
    unit: Unit::Percent,
    default: 0.5,
    least: 0.0,
    greatest: 10.0,
    source: "common practice, no source; a format's own tolerance, from memory",
};

pub(crate) const ALL: &[Parameter] = &[
    Parameter::Number(STOPS),
    Parameter::Number(FRAMES),
    Parameter::Number(RECORD_S),
    Parameter::Number(MODULATION_GOOD),
    Parameter::Number(MODULATION_REJECT),
    Parameter::Number(SPEED_GOOD),
    Parameter::Number(SPEED_REJECT),
];
