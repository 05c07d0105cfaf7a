//! What can be set, with the limits and where they come from.

use tapewright_sdk::prelude::*;

pub(crate) const STOPS: Number = Number::practice(
    "stops",
    "places where the tape is stopped in still, by frame advance",
    Unit::One,
    [3.0, 1.0, 10.0],
);

pub(crate) const FRAMES: Number = Number::practice(
    "frames",
    "frames that are captured at each stop; the tape is worn at one spot meanwhile",
    Unit::One,
    [3.0, 3.0, 10.0],
);

pub(crate) const RECORD_S: Number = Number::practice(
    "record-s",
    "longest gap-free record in play; it is lengthened up to this while fewer than two cycles of a slip are seen",
    Unit::Second,
    [25.0, 4.0, 120.0],
);

pub(crate) const MODULATION_GOOD: Number = Number::practice(
    "modulation-good",
    "change of the level over its mean, in still and in play: good up to here",
    Unit::One,
    [0.10, 0.0, 2.0],
);
pub(crate) const MODULATION_REJECT: Number = Number::practice(
    "modulation-reject",
    "change of the level over its mean, in still and in play: rejected beyond",
    Unit::One,
    [0.30, 0.0, 2.0],
);

pub(crate) const SPEED_GOOD: Number = Number::practice(
    "speed-good",
    "relative error of the tape's speed against its recording: good up to here",
    Unit::Percent,
    [0.1, 0.0, 10.0],
);

pub(crate) const SPEED_REJECT: Number = Number::practice(
    "speed-reject",
    "relative error of the tape's speed against its recording: rejected beyond",
    Unit::Percent,
    [0.5, 0.0, 10.0],
)
.of_source("common practice, no source; a format's own tolerance, from memory");

pub(crate) const ALL: &[Parameter] = &[
    Parameter::Number(STOPS),
    Parameter::Number(FRAMES),
    Parameter::Number(RECORD_S),
    Parameter::Number(MODULATION_GOOD),
    Parameter::Number(MODULATION_REJECT),
    Parameter::Number(SPEED_GOOD),
    Parameter::Number(SPEED_REJECT),
];
