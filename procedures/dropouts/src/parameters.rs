//! What can be set, and what the procedure says of itself.

use tapewright_sdk::formats::definitions::sound::{DROPOUT_DB, DROPOUT_US};
use tapewright_sdk::prelude::*;

pub(crate) const FALL: Number = Number::practice(
    "fall-db",
    "a dropout is a fall of the level by at least this; also used: 10 dB and 20 dB",
    Unit::Decibel,
    [DROPOUT_DB, 6.0, 40.0],
);
pub(crate) const LENGTH: Number = Number::practice(
    "length-us",
    "that lasts at least this; also used: 5 us and 20 us",
    Unit::Microsecond,
    [DROPOUT_US, 1.0, 1000.0],
);
pub(crate) const BIN: Number = Number::practice(
    "pair-us",
    "longest interval of a pair of least and greatest; 0: half of the shortest dropout, beyond which it is refused",
    Unit::Microsecond,
    [0.0, 0.0, 1000.0],
);
pub(crate) const OBSERVE: Number = Number::practice(
    "observe-s",
    "time that is observed: none in 20 s bounds the rate at 11 a minute",
    Unit::Second,
    [20.0, 0.1, 3600.0],
);
pub(crate) const GOOD: Number =
    Number::practice("rate-good", "dropouts a minute: good up to here", Unit::PerMinute, [15.0, 0.1, 1e4]);
pub(crate) const REJECT: Number =
    Number::practice("rate-reject", "dropouts a minute: rejected beyond", Unit::PerMinute, [50.0, 0.1, 1e4]);

pub(crate) const DESCRIPTION: Description = Description {
    name: "dropouts",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Counts dropouts of the RF in play: how many a minute of observed time, how long, how deep.",
    needs: &[Signal::Rf],
    uses: &[],
    modes: &[Mode::Stop, Mode::Play],
    parameters: &[
        Parameter::Number(FALL),
        Parameter::Number(LENGTH),
        Parameter::Number(BIN),
        Parameter::Number(OBSERVE),
        Parameter::Number(GOOD),
        Parameter::Number(REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: true,
    tells: "Probe: the RF before automatic gain and any detector. A dropout is a fall of the level by 16 dB or more below the level around it \
            that lasts 15 us or more: common practice, no source (the standard, IEC 60735, was not read); a picture's limiter hides what is \
            shallower than 10 dB. The scope keeps the least and the greatest of each interval; where that is longer than half of the \
            shortest dropout, one could hide between two, and the procedure refuses. The rate is per observed time, that is the \
            time that captures cover, and its interval is that of a count: with a small scope the time adds up slowly. Time in which the \
            heads read too little is not observed. Six dropouts or more bound the tape's median length and depth; fewer are listed one by one.",
    when_it_fails: "Play another tape that is known to be good: the same rate there is the machine's (dirty or worn heads, a tape that \
                    does not lie against the drum), a lower one is the tape's. On the same stretch of tape dropouts of the tape \
                    come again at the same places; those of a head do not. Clean the heads and the path, then look again. A \
                    precious tape is not played again and again to find out.",
    duration_s: 180.0,
};
