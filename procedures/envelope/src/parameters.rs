//! What can be set, with the limits and where they come from.

use tapewright_sdk::heads::{CLEAR_OF_NOISE, STEADY};
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::LEVEL_MOST;

pub(crate) const FRAMES: Number = Number::practice(
    "frames",
    "frames of each head that are captured; more make the intervals narrower",
    Unit::One,
    [8.0, 3.0, 100.0],
);

pub(crate) const FLATNESS_GOOD: Number =
    Number::ratio("flatness-good", "least over greatest level, alignment tape: good from here", 0.75);
pub(crate) const FLATNESS_REJECT: Number =
    Number::ratio("flatness-reject", "least over greatest level, alignment tape: rejected below", 0.63);
pub(crate) const OWN_GOOD: Number =
    Number::ratio("own-flatness-good", "least over greatest level, own recording: good from here", 0.80);
pub(crate) const OWN_REJECT: Number =
    Number::ratio("own-flatness-reject", "least over greatest level, own recording: rejected below", 0.70);
pub(crate) const BALANCE_GOOD: Number =
    Number::practice("balance-good", "head B against head A: good within", Unit::Decibel, [1.5, 0.1, 20.0]);
pub(crate) const BALANCE_REJECT: Number =
    Number::practice("balance-reject", "head B against head A: rejected beyond", Unit::Decibel, [3.0, 0.1, 20.0]);
pub(crate) const LEVEL_GOOD: Number =
    Number::ratio("level-good", "middle level over the known or expected level: good from here", 0.70);
pub(crate) const LEVEL_REJECT: Number =
    Number::ratio("level-reject", "middle level over the known or expected level: rejected below", 0.50);

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
    Parameter::Number(LEVEL_MOST),
    Parameter::Number(STEADY),
    Parameter::Number(CLEAR_OF_NOISE),
];
