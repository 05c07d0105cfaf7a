//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::{LEVEL_MOST, SQUARE_MOST};

use Unit::{Millisecond as Ms, Percent, Second};

pub(crate) const OBSERVE_S: Number = Number::practice(
    "observe-s",
    "How long pulses are counted. 150 s hold 3,750 pulses or more, and none missing of them bounds the share at 0.1 %; a shorter time decides only against wider limits",
    Second,
    [150.0, 1.0, 7200.0],
);
pub(crate) const LEVEL_GOOD: Number = Number::practice(
    "level-good",
    "Least level over the expected one (that of an alignment tape) that is good",
    Percent,
    [70.0, 1.0, 200.0],
);
pub(crate) const LEVEL_REJECT: Number =
    Number::practice("level-reject", "Level over the expected one below which it fails", Percent, [50.0, 1.0, 200.0]);
pub(crate) const CROSSTALK: Number = Number::practice(
    "crosstalk",
    "Pulses below this share of the expected level are crosstalk and count as not seen",
    Percent,
    [10.0, 0.1, 50.0],
);
pub(crate) const ABSENT: Number = Number::practice(
    "absent",
    "Spikes off a head that are not seen are said to be absent where the noise hides at most this share of the expected level, and hidden, weak or missing, where it may hide more; from `level-reject` on nothing is judged",
    Percent,
    [20.0, 0.1, 50.0],
);
pub(crate) const RATE_GOOD: Number = Number::practice(
    "rate-good",
    "Greatest error of the rate, that is of the tape's speed, that is good",
    Percent,
    [0.1, 0.001, 20.0],
);
pub(crate) const RATE_REJECT: Number =
    Number::practice("rate-reject", "Error of the rate beyond which it fails", Percent, [0.5, 0.001, 20.0]);
pub(crate) const JITTER_GOOD: Number = Number::practice(
    "jitter-good",
    "Greatest standard deviation of the period that is good: 0.3 ms move a head by a fiftieth of a track",
    Ms,
    [0.3, 0.001, 10.0],
);
pub(crate) const JITTER_REJECT: Number =
    Number::practice("jitter-reject", "Standard deviation of the period beyond which it fails", Ms, [1.0, 0.001, 10.0]);
pub(crate) const DUTY_GOOD: Number = Number::practice(
    "duty-good",
    "Greatest distance of the duty from 60 % that is good, in points",
    Percent,
    [5.0, 0.1, 40.0],
);
pub(crate) const DUTY_REJECT: Number = Number::practice(
    "duty-reject",
    "Distance of the duty from 60 % beyond which it fails, in points",
    Percent,
    [10.0, 0.1, 40.0],
);
pub(crate) const MISSING_GOOD: Number =
    Number::practice("missing-good", "Greatest share of missing pulses that is good", Percent, [0.1, 0.001, 50.0]);
pub(crate) const MISSING_REJECT: Number = Number::practice(
    "missing-reject",
    "Share of missing pulses beyond which it fails: one in a thousand",
    Percent,
    [0.1, 0.001, 50.0],
);
pub(crate) const WANDER_GOOD: Number = Number::practice(
    "wander-good",
    "Greatest wander of the delay from pulse to head switch that is good",
    Ms,
    [0.5, 0.001, 20.0],
);
pub(crate) const WANDER_REJECT: Number = Number::practice(
    "wander-reject",
    "Wander of the delay beyond which the tape's phase is not locked: 2 ms move a head by an eighth of a track",
    Ms,
    [2.0, 0.001, 20.0],
);

/// Duty of an ordinary pulse, high to period (a patent on the format's coding).
pub(crate) const DUTY_PERCENT: f64 = 60.0;

pub(crate) const DESCRIPTION: Description = Description {
    name: "control-track",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures the control pulses in play: level, rate, jitter, duty, missing pulses, and their delay to the head switch.",
    needs: &[Signal::ControlTrack],
    uses: &[Signal::HeadSwitch],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(OBSERVE_S),
        Parameter::Number(LEVEL_GOOD),
        Parameter::Number(LEVEL_REJECT),
        Parameter::Number(CROSSTALK),
        Parameter::Number(ABSENT),
        Parameter::Number(LEVEL_MOST),
        Parameter::Number(SQUARE_MOST),
        Parameter::Number(RATE_GOOD),
        Parameter::Number(RATE_REJECT),
        Parameter::Number(JITTER_GOOD),
        Parameter::Number(JITTER_REJECT),
        Parameter::Number(DUTY_GOOD),
        Parameter::Number(DUTY_REJECT),
        Parameter::Number(MISSING_GOOD),
        Parameter::Number(MISSING_REJECT),
        Parameter::Number(WANDER_GOOD),
        Parameter::Number(WANDER_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: true,
    tells: "Whether the pulses that tell the capstan where the tracks lie arrive, whole and in time. The level is held \
            against the one that the hookup expects, best taken from an alignment tape; far above that, the probe's factor or \
            its point is wrong, and nothing is measured. The rate is the tape's speed \
            against that of the recording. Pulses are counted in slow records without a gap; the share of missing ones \
            has an exact interval, so a short look cannot pass a sharp limit. The delay from a pulse to the head switch \
            tells whether the tape's phase is locked to the drum: it may be any, but it has to stay; a tape that is \
            not locked may look right for seconds. At the head the pulses are pairs of spikes of a few millivolts, after the amplifier they \
            are square: the hookup's `form` says which. At the head take a probe without division and the bandwidth limit, if the \
            scope has one: its own noise is all that hides a weak pulse there, and pulses are called absent only where it hides no more than a small share of the level (`absent`), else hidden. \
            Index marks have another duty; the median leaves them out.",
    when_it_fails: "Weak: clean the audio and control head, then look at its height and tilt, then at its connector and \
                    amplifier. Missing pulses: clean the head and try another tape, since a tape with a damaged edge does \
                    the same. Wrong rate: does the machine's speed setting fit the recording? Then the capstan's motor \
                    and its speed detector. Jitter: pinch roller, capstan bearing, back tension. Wandering delay: the \
                    pulses arrive and are not used; follow them from the amplifier to the capstan servo. A duty near 40 % \
                    says that the point is inverted. Nothing at all: follow the signal from the head, connector first.",
    duration_s: 160.0,
};

/// Limits as shares, in per cent, of a whole: `scale` turns a share into the measurement's unit.
pub(crate) fn floor(settings: &Settings, whole: f64) -> Limits {
    scaled(settings.at_least(&LEVEL_GOOD, &LEVEL_REJECT), |percent| whole * percent / 100.0)
}

/// Limits of the rate about the one that the format asks for.
pub(crate) fn rate(settings: &Settings, nominal_hz: f64) -> Limits {
    scaled(settings.within(100.0, &RATE_GOOD, &RATE_REJECT), |percent| nominal_hz * percent / 100.0)
}

fn scaled(limits: Limits, by: impl Fn(f64) -> f64) -> Limits {
    let limit = |of: Limit| Limit { at_least: of.at_least.map(&by), at_most: of.at_most.map(&by) };
    Limits { good: limit(limits.good), reject: limit(limits.reject), source: limits.source }
}

/// Of each pair the first must not exceed the second, or good would lie beyond reject.
pub(crate) const PAIRS: [(&Number, &Number); 6] = [
    (&LEVEL_REJECT, &LEVEL_GOOD),
    (&RATE_GOOD, &RATE_REJECT),
    (&JITTER_GOOD, &JITTER_REJECT),
    (&DUTY_GOOD, &DUTY_REJECT),
    (&MISSING_GOOD, &MISSING_REJECT),
    (&WANDER_GOOD, &WANDER_REJECT),
];
