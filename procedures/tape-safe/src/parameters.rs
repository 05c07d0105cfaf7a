//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const WATCH_S: Number = Number::practice(
    "watch-s",
    "how long the RF and the control pulses are watched in play",
    Unit::Second,
    [6.0, 2.0, 120.0],
);
pub(crate) const PLAYS: Number =
    Number::practice("plays", "how often the tape is threaded and played", Unit::One, [2.0, 1.0, 10.0]);
pub(crate) const SWING_GOOD: Number = Number::practice(
    "swing-good",
    "change of the RF level over the watch, over its greatest: good up to",
    Unit::One,
    [0.25, 0.01, 1.0],
);
pub(crate) const SWING_REJECT: Number =
    Number::practice("swing-reject", "change of the RF level beyond which it is rejected", Unit::One, [0.6, 0.01, 1.0]);
pub(crate) const RATE_GOOD: Number =
    Number::practice("rate-good", "error of the control pulses' rate: good within", Unit::Percent, [0.5, 0.01, 50.0]);
pub(crate) const RATE_REJECT: Number = Number::practice(
    "rate-reject",
    "error of the control pulses' rate: rejected beyond",
    Unit::Percent,
    [2.0, 0.01, 50.0],
);
pub(crate) const JITTER_GOOD: Number = Number::practice(
    "jitter-good",
    "period jitter of the control pulses over the period: good up to",
    Unit::Percent,
    [3.0, 0.01, 50.0],
);
pub(crate) const JITTER_REJECT: Number = Number::practice(
    "jitter-reject",
    "period jitter of the control pulses beyond which it is rejected: the tape is not held. Wide, since a quick look times a pulse to a per cent",
    Unit::Percent,
    [10.0, 0.01, 50.0],
);
pub(crate) const MISSING_GOOD: Number = Number::practice(
    "missing-good",
    "share of control pulses missing in play: good up to. Six seconds hold some 150, and none missing of them bounds it at 2.4 %",
    Unit::Percent,
    [3.0, 0.1, 50.0],
);
pub(crate) const MISSING_REJECT: Number = Number::practice(
    "missing-reject",
    "share of control pulses missing in play beyond which it is rejected",
    Unit::Percent,
    [8.0, 0.1, 50.0],
);
pub(crate) const LEFT_GOOD: Number = Number::practice(
    "left-good",
    "what is left of the RF after stop, over that in play: good up to",
    Unit::One,
    [0.3, 0.01, 1.0],
);
pub(crate) const LEFT_REJECT: Number = Number::practice(
    "left-reject",
    "what is left of the RF after stop beyond which it did not stop",
    Unit::One,
    [0.6, 0.01, 1.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "tape-safe",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Runs a scrap tape through the machine and tells whether a precious one may follow: take-up, edges, tension, and whether each mode is reached and left.",
    needs: &[Signal::Rf, Signal::HeadSwitch],
    uses: &[Signal::ControlTrack],
    modes: &[Mode::Stop, Mode::Play, Mode::FastForward, Mode::Rewind],
    parameters: &[
        Parameter::Number(WATCH_S),
        Parameter::Number(PLAYS),
        Parameter::Number(SWING_GOOD),
        Parameter::Number(SWING_REJECT),
        Parameter::Number(RATE_GOOD),
        Parameter::Number(RATE_REJECT),
        Parameter::Number(JITTER_GOOD),
        Parameter::Number(JITTER_REJECT),
        Parameter::Number(MISSING_GOOD),
        Parameter::Number(MISSING_REJECT),
        Parameter::Number(LEFT_GOOD),
        Parameter::Number(LEFT_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: true,
    tells: "Whether a tape goes through this machine and comes out unharmed. What can be measured is measured: that the RF comes in play and \
            keeps its level, that control pulses come evenly at their rate and are all there, that the RF goes away after stop, the same each time \
            the tape is threaded. What only eyes can see is asked: whether the tape runs flat on its guides, whether the take-up \
            reel takes all of it, whether the tension stands, how it winds, and what the tape looks like afterwards. Passed, it opens the \
            job for an alignment tape; failed, it closes it again.",
    when_it_fails: "A loop before the take-up reel: press stop, keep hands clear until the arms rest, then look at the take-up clutch, idler and \
                    belt. An edge that curls: clean the guides and the pinch roller, look at the roller's parallelism. A tension that swings: felt \
                    and band of the supply brake. RF that stays after stop: the mode switch or the loading motor. Mend it, then \
                    run this again with a fresh length of scrap tape: a harmed one hides what harms the next.",
    duration_s: 120.0,
};
