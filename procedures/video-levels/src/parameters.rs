//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const LINES: Number = Number::practice(
    "captures",
    "captures of two lines each, from anywhere in the picture",
    Unit::One,
    [24.0, 6.0, 500.0],
);
pub(crate) const SYNC_GOOD: Number = Number::practice(
    "sync-good",
    "distance of sync from its right level that is good: what hand-held testers accept",
    Unit::Millivolt,
    [35.0, 1.0, 300.0],
);
pub(crate) const SYNC_REJECT: Number = Number::practice(
    "sync-reject",
    "distance of sync from its right level beyond which it fails",
    Unit::Millivolt,
    [70.0, 1.0, 300.0],
);
pub(crate) const BURST_GOOD: Number = Number::practice(
    "burst-good",
    "distance of the burst from its right level that is good: what hand-held testers accept",
    Unit::Millivolt,
    [35.0, 1.0, 300.0],
);
pub(crate) const BURST_REJECT: Number = Number::practice(
    "burst-reject",
    "distance of the burst from its right level beyond which it fails",
    Unit::Millivolt,
    [100.0, 1.0, 300.0],
);
pub(crate) const COLOUR: Text = Text {
    name: "colour",
    meaning: "whether the recording is in colour: `yes`, `no` or `unknown`; with `unknown` no burst is neither right nor wrong",
    default: "unknown",
    source: PRACTICE,
};
pub(crate) const WHITE: Number = Number::practice(
    "white-in-picture",
    "brightest patch of the test picture, over white; 0: the picture is not known, and white and black are for information",
    Unit::Percent,
    [0.0, 0.0, 110.0],
);
pub(crate) const WHITE_GOOD: Number = Number::practice(
    "white-good",
    "distance of white from its right level that is good, over it",
    Unit::Percent,
    [10.0, 0.1, 90.0],
);
pub(crate) const WHITE_REJECT: Number = Number::practice(
    "white-reject",
    "distance of white from its right level beyond which it fails, over it",
    Unit::Percent,
    [20.0, 0.1, 90.0],
);
pub(crate) const BLACK: Number = Number::practice(
    "black-in-picture",
    "darkest patch of the test picture, over white; counts where `white-in-picture` says that the picture is known",
    Unit::Percent,
    [0.0, 0.0, 100.0],
);
pub(crate) const SET_UP: Number = Number::practice(
    "set-up",
    "black over blanking that a recording of 525 lines has, over white: 0 in the Japanese variant; 625 lines have none",
    Unit::Percent,
    [7.5, 0.0, 15.0],
)
.of_source("from memory; to be checked in SMPTE 170M");
pub(crate) const BLACK_GOOD: Number = Number::practice(
    "black-good",
    "distance of black from its right level that is good, over white: what is told of the set-up of 525 lines, 7.5 +-2.5",
    Unit::Percent,
    [2.5, 0.1, 50.0],
);
pub(crate) const BLACK_REJECT: Number = Number::practice(
    "black-reject",
    "distance of black from its right level beyond which it fails, over white",
    Unit::Percent,
    [5.0, 0.1, 50.0],
);
pub(crate) const JITTER_GOOD: Number = Number::practice(
    "line-jitter-good",
    "greatest standard deviation of single line periods that is good",
    Unit::Microsecond,
    [0.1, 0.001, 5.0],
);
pub(crate) const JITTER_REJECT: Number = Number::practice(
    "line-jitter-reject",
    "standard deviation of single line periods beyond which it fails",
    Unit::Microsecond,
    [0.3, 0.001, 5.0],
);
pub(crate) const PERIOD_GOOD: Number =
    Number::practice("line-period-good", "error of the line period that is good", Unit::Percent, [0.1, 0.001, 5.0]);
pub(crate) const PERIOD_REJECT: Number = Number::practice(
    "line-period-reject",
    "error of the line period beyond which it fails",
    Unit::Percent,
    [1.0, 0.001, 5.0],
);

pub(crate) const PAIRS: [(&Number, &Number); 6] = [
    (&SYNC_GOOD, &SYNC_REJECT),
    (&BURST_GOOD, &BURST_REJECT),
    (&WHITE_GOOD, &WHITE_REJECT),
    (&BLACK_GOOD, &BLACK_REJECT),
    (&JITTER_GOOD, &JITTER_REJECT),
    (&PERIOD_GOOD, &PERIOD_REJECT),
];

pub(crate) const DESCRIPTION: Description = Description {
    name: "video-levels",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures the composite video in play: sync, burst, white and black, line period and jitter, field structure, time-base error.",
    needs: &[Signal::Video],
    uses: &[Signal::HeadSwitch, Signal::Rf],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(LINES),
        Parameter::Number(SYNC_GOOD),
        Parameter::Number(SYNC_REJECT),
        Parameter::Number(BURST_GOOD),
        Parameter::Number(BURST_REJECT),
        Parameter::Text(COLOUR),
        Parameter::Number(WHITE),
        Parameter::Number(WHITE_GOOD),
        Parameter::Number(WHITE_REJECT),
        Parameter::Number(BLACK),
        Parameter::Number(SET_UP),
        Parameter::Number(BLACK_GOOD),
        Parameter::Number(BLACK_REJECT),
        Parameter::Number(JITTER_GOOD),
        Parameter::Number(JITTER_REJECT),
        Parameter::Number(PERIOD_GOOD),
        Parameter::Number(PERIOD_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: false,
    tells: "Whether the video output has its levels and keeps its time. The output must be terminated with 75 ohms, or all levels read \
            double. Sync and burst have levels of their own in any picture in colour; no burst at all is right only where `colour` says \
            that the recording has none; white and black need a test picture that holds \
            them, named by `white-in-picture` and `black-in-picture`, else they are for information. With 525 lines black lies at the \
            `set-up` of 7.5 per cent, in the Japanese variant at none. Single lines are captured at a rate that resolves the subcarrier; \
            the field sync in captures of its own; the time-base error over as many lines as the scope's points allow, \
            and the number is said: over a whole field it needs a memory of some 20,000 points. A muted machine sends clean video of its \
            own, which is as right as it is meaningless: where all is right, it passes only if RF of both heads is hooked up \
            with the head switch, seen in play and gone in stop, and `video.right` is stated; without RF each level is judged, and the whole is unable. Video that comes and \
            goes is not measured.",
    when_it_fails: "All levels wrong by one factor: the termination first, then the output stage's gain. Sync too small, picture right: \
                    a clipping stage or a failing clamp, often a dried-out capacitor. Burst wrong alone: the colour \
                    channel's gain or its automatic level; no burst where the recording is in colour: the colour killer, or the channel is dead. Black wrong: was the tape recorded with the set-up that was said? Then \
                    the clamp. Line jitter and time-base error: the drum (`drum-lock`), tape tension, \
                    a worn drum bearing, dirt on the tape's edge guides. Wrong field structure: is it the machine's own mute picture? \
                    A wrong line period with everything else right is the drum's rate.",
    duration_s: 40.0,
};
