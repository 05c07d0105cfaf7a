//! What can be set, what the procedure says of itself, and limits made of both.

use crate::judge::Kind;
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::{LEVEL_MOST, SQUARE_MOST};

pub(crate) const MODES: Text = Text {
    name: "modes",
    meaning: "Modes to look at, in this order, separated by blanks",
    default: "still play",
    source: PRACTICE,
};

pub(crate) const LEVEL_GOOD: Number =
    Number::practice("level-good", "Least level over the expected one that is good", Unit::Percent, [50.0, 1.0, 200.0]);
pub(crate) const LEVEL_REJECT: Number = Number::practice(
    "level-reject",
    "Level over the expected one below which a signal fails, and below which what has no shape of its own counts as not seen",
    Unit::Percent,
    [20.0, 1.0, 200.0],
);
pub(crate) const CROSSTALK: Number = Number::practice(
    "crosstalk",
    "Pulses, and RF that surely is a carrier, below this share of the expected level are crosstalk and count as not seen",
    Unit::Percent,
    [10.0, 0.1, 100.0],
);
pub(crate) const RATE_GOOD: Number =
    Number::practice("rate-good", "Greatest error of a rate that is good", Unit::Percent, [0.5, 0.01, 50.0]);
pub(crate) const RATE_REJECT: Number = Number::practice(
    "rate-reject",
    "Error of a rate beyond which it fails: wide, since a quick look cannot tell a servo's last tenth",
    Unit::Percent,
    [2.0, 0.01, 50.0],
);
pub(crate) const SUPPLY_GOOD: Number =
    Number::practice("supply-good", "Greatest error of a supply rail that is good", Unit::Percent, [5.0, 0.1, 50.0]);
pub(crate) const SUPPLY_REJECT: Number =
    Number::practice("supply-reject", "Error of a supply rail beyond which it fails", Unit::Percent, [10.0, 0.1, 50.0]);
pub(crate) const RF_LONGER_S: Number = Number::practice(
    "rf-longer-s",
    "How long weak RF is looked at in play: with a slipping tape it swells and dies over seconds",
    Unit::Second,
    [10.0, 0.0, 120.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "signal-presence",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Looks whether each signal that is hooked up is there in each mode, and proves what is missing.",
    needs: &[],
    uses: Signal::ALL,
    modes: &[
        Mode::Stop,
        Mode::Play,
        Mode::Still,
        Mode::Advance,
        Mode::Cue,
        Mode::Review,
        Mode::FastForward,
        Mode::Rewind,
    ],
    parameters: &[
        Parameter::Text(MODES),
        Parameter::Number(LEVEL_GOOD),
        Parameter::Number(LEVEL_REJECT),
        Parameter::Number(CROSSTALK),
        Parameter::Number(LEVEL_MOST),
        Parameter::Number(SQUARE_MOST),
        Parameter::Number(RATE_GOOD),
        Parameter::Number(RATE_REJECT),
        Parameter::Number(SUPPLY_GOOD),
        Parameter::Number(SUPPLY_REJECT),
        Parameter::Number(RF_LONGER_S),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: true,
    tells: "Which signals are there, which are missing, and which come at a wrong rate or level, held against what a \
            healthy machine sends in each mode. In still the control pulses rest, and a muted machine sends video of \
            its own: neither is judged. RF counts with the greatest level that it reaches, because a slipping tape's RF \
            swells and dies; noise is part of that level, so it tells presence and not the state of a head. Whether a carrier stands in \
            it is told by its statistics: noise alone is no RF, and RF that may drown in it is not judged. A control \
            rate that is far off in play is a wrong tape speed, a head switch that is off is a drum off its speed. \
            Nothing is called absent before its probe was seen to work: you will be asked to hold the probe to a known \
            signal, to put it back, and, for what comes off the tape, to try another tape. A level far above the expected one \
            is no pass: the probe's factor or its point is wrong. An input that can only \
            trigger tells that its signal is there, not its level or rate.",
    when_it_fails: "Begin with what is missing in every mode. No head switch: does the drum turn? RF in still but \
                    no control pulses in play: follow the control signal from its head through connector and cable to \
                    the amplifier. Control pulses but no RF: clean the heads, then look at the head amplifier's supply. \
                    Neither: is the tape threaded, and is there anything on it? `probe-not-proven` means that nothing was \
                    decided: run it again with somebody at the bench to answer the prompts.",
    duration_s: 30.0,
};

/// Both limits' sources, in words.
fn sources(settings: &Settings, parameters: [&Number; 2]) -> String {
    let [good, reject] = parameters.map(|parameter| settings.source(parameter.name));
    if good == reject { good.to_owned() } else { format!("{good}; {reject}") }
}

/// A band about a centre, as a share of it on either side.
fn band(settings: &Settings, centre: f64, good: &Number, reject: &Number) -> Limits {
    let within = |parameter| {
        let half = centre.abs() * settings.number(parameter) / 100.0;
        Limit { at_least: Some(centre - half), at_most: Some(centre + half) }
    };
    Limits { good: within(good), reject: within(reject), source: sources(settings, [good, reject]) }
}

/// Limits of a rate.
pub(crate) fn rate_limits(settings: &Settings, nominal_hz: f64) -> Limits {
    band(settings, nominal_hz, &RATE_GOOD, &RATE_REJECT)
}

/// Limits of a level: a floor, but of a rail a band. The hookup gives a rail's size; its sign is the one seen.
pub(crate) fn level_limits(settings: &Settings, point: &Point, expected_v: f64, seen_v: f64) -> Limits {
    if Kind::of(point) == Kind::Rail {
        return band(settings, expected_v.copysign(seen_v), &SUPPLY_GOOD, &SUPPLY_REJECT);
    }
    let floor = |parameter| Limit { at_least: Some(expected_v * settings.number(parameter) / 100.0), at_most: None };
    Limits {
        good: floor(&LEVEL_GOOD),
        reject: floor(&LEVEL_REJECT),
        source: sources(settings, [&LEVEL_GOOD, &LEVEL_REJECT]),
    }
}

/// Triggers that came: a count, exact by its nature.
pub(crate) fn trigger_count(name: &str, came: u32, asked: u32) -> Measured {
    let value = f64::from(came);
    let floor = |least: f64| Limit { at_least: Some(least), at_most: None };
    Measured {
        name: name.to_owned(),
        unit: Unit::One,
        value,
        interval: Interval { low: value, high: value, coverage: tapewright_sdk::measure::COVERAGE },
        degrees_of_freedom: None,
        contributions: Vec::new(),
        limits: Some(Limits { good: floor(f64::from(asked)), reject: floor(1.0), source: PRACTICE.into() }),
    }
}

/// Of each pair the first must not exceed the second, or good would lie beyond reject.
pub(crate) const PAIRS: [(&Number, &Number); 3] =
    [(&LEVEL_REJECT, &LEVEL_GOOD), (&RATE_GOOD, &RATE_REJECT), (&SUPPLY_GOOD, &SUPPLY_REJECT)];
