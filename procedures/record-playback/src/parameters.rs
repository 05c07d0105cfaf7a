//! What can be set, and what the procedure says of itself.

use tapewright_sdk::heads::{CLEAR_OF_NOISE, STEADY};
use tapewright_sdk::prelude::*;

pub(crate) const RECORD_S: Number =
    Number::practice("record-s", "how long is recorded", Unit::Second, [30.0, 5.0, 600.0]);
pub(crate) const FRAMES: Number =
    Number::practice("frames", "frames of each head that are captured in playback", Unit::One, [8.0, 3.0, 100.0]);
pub(crate) const FLATNESS_GOOD: Number = Number::practice(
    "own-flatness-good",
    "least over greatest level of the own recording: good from here",
    Unit::One,
    [0.80, 0.0, 1.0],
);
pub(crate) const FLATNESS_REJECT: Number = Number::practice(
    "own-flatness-reject",
    "least over greatest level of the own recording: rejected below",
    Unit::One,
    [0.70, 0.0, 1.0],
);
pub(crate) const BALANCE_GOOD: Number = Number::practice(
    "balance-good",
    "head B against head A, own recording: good within",
    Unit::Decibel,
    [1.5, 0.1, 20.0],
);
pub(crate) const BALANCE_REJECT: Number = Number::practice(
    "balance-reject",
    "head B against head A, own recording: rejected beyond",
    Unit::Decibel,
    [3.0, 0.1, 20.0],
);
pub(crate) const LEVEL_GOOD: Number = Number::practice(
    "level-good",
    "level of the own recording against that of the reference tape: good within (wide, since two levels on a modest bench are known to some 2 dB)",
    Unit::Decibel,
    [3.5, 0.1, 20.0],
);
pub(crate) const LEVEL_REJECT: Number = Number::practice(
    "level-reject",
    "level of the own recording against that of the reference tape: rejected beyond",
    Unit::Decibel,
    [6.0, 0.1, 20.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "record-playback",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Records on a scratch tape, plays it back, and holds level and shape against what the machine makes of a reference tape.",
    needs: &[Signal::Rf, Signal::HeadSwitch],
    uses: &[],
    modes: &[Mode::Stop, Mode::Play, Mode::Rewind],
    parameters: &[
        Parameter::Number(RECORD_S),
        Parameter::Number(FRAMES),
        Parameter::Number(FLATNESS_GOOD),
        Parameter::Number(FLATNESS_REJECT),
        Parameter::Number(BALANCE_GOOD),
        Parameter::Number(BALANCE_REJECT),
        Parameter::Number(LEVEL_GOOD),
        Parameter::Number(LEVEL_REJECT),
        Parameter::Number(STEADY),
        Parameter::Number(CLEAR_OF_NOISE),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Whether the machine records as well as it plays. It erases what is on the tape, so it runs only on a tape that was declared \
            scratch (--scratch); on any other it refuses. A recording of the machine's own plays flat on its own path even where that is \
            bent, so flat here says nothing of the guides; uneven here, with a flat reference tape, is the recording: head wear, \
            recording current, or a path that moves. The level against the reference tape tells recording current and heads, where \
            playback was proven with that tape before: name that run by --against; one that failed, or could not decide, is no reference. The balance of the heads \
            is judged beside it, since a head that is weak in both runs keeps its ratio.",
    when_it_fails: "Own recording weak, reference tape good: recording current of that head, then the head's wear, which shows in recording first. \
                    Own recording uneven, reference flat: dirt or tension that came since, or a worn head; record once more, and compare. \
                    One head weak against the other here and with the reference tape alike: that head or its amplifier, see `envelope`. \
                    Both weak: see `envelope`. Nothing recorded: record tab, erase head's supply, record switch.",
    duration_s: 90.0,
};
