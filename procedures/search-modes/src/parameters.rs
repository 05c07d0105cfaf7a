//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const SCANS: Number =
    Number::practice("scans", "scans of each head that are captured", Unit::One, [4.0, 2.0, 60.0]);
pub(crate) const SPEED: Number = Number::practice(
    "search-speed",
    "search speed over play speed that the machine shall have, from its service data; 0: not known, and then no speed passes",
    Unit::One,
    [0.0, 0.0, 30.0],
);
pub(crate) const SPEED_GOOD: Number = Number::practice(
    "speed-good",
    "distance from the speed that the machine shall have, over it, that is good",
    Unit::Percent,
    [10.0, 0.1, 90.0],
);
pub(crate) const SPEED_REJECT: Number = Number::practice(
    "speed-reject",
    "distance from the speed that the machine shall have, over it, beyond which it fails",
    Unit::Percent,
    [20.0, 0.1, 90.0],
);
pub(crate) const BARS_GOOD: Number = Number::practice(
    "bars-good",
    "distance of the bars a scan from what geometry predicts that is good",
    Unit::One,
    [0.2, 0.01, 5.0],
);
pub(crate) const BARS_REJECT: Number = Number::practice(
    "bars-reject",
    "distance of the bars a scan from what geometry predicts beyond which it fails",
    Unit::One,
    [0.5, 0.01, 5.0],
);
pub(crate) const BALANCE_GOOD: Number =
    Number::practice("balance-good", "head B against head A in search: good within", Unit::Decibel, [3.0, 0.1, 40.0]);
pub(crate) const BALANCE_REJECT: Number = Number::practice(
    "balance-reject",
    "head B against head A in search: rejected beyond",
    Unit::Decibel,
    [8.0, 0.1, 40.0],
);

pub(crate) const PAIRS: [(&Number, &Number); 3] =
    [(&SPEED_GOOD, &SPEED_REJECT), (&BARS_GOOD, &BARS_REJECT), (&BALANCE_GOOD, &BALANCE_REJECT)];

pub(crate) const DESCRIPTION: Description = Description {
    name: "search-modes",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Counts the noise bars in cue and review, and holds them against what the format's geometry predicts for that speed.",
    needs: &[Signal::Rf, Signal::HeadSwitch],
    uses: &[Signal::ControlTrack],
    modes: &[Mode::Play, Mode::Cue, Mode::Review, Mode::Stop],
    parameters: &[
        Parameter::Number(SCANS),
        Parameter::Number(SPEED),
        Parameter::Number(SPEED_GOOD),
        Parameter::Number(SPEED_REJECT),
        Parameter::Number(BARS_GOOD),
        Parameter::Number(BARS_REJECT),
        Parameter::Number(BALANCE_GOOD),
        Parameter::Number(BALANCE_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "How many noise bars each head shows in picture search, and where. A head crosses one pitch less than the speed says \
            and finds its own azimuth every second one, so bars are normal, and their count is the tape's speed: at seven times \
            play speed three bars forwards and four backwards. The count comes from the RF envelope of single scans, by the \
            best fitting wave; the speed that follows is held against the rate of the control pulses, or against \
            `search-speed`. Whether the drum corrects the line rate in search changes the count by a few hundredths, which are \
            in the interval. With one head missing every second field is noise from top to bottom. A tape recorded at another \
            tape speed has other tracks, and other bars.",
    when_it_fails: "Another count than the control pulses say: the tape was recorded at another speed than the job says, or pulses are \
                    lost. Another speed than the machine shall have: the search servo's divider, the capstan motor's supply, \
                    drag in the reels. One head missing: the head, its connection, or the switching of a second pair of heads that \
                    some machines use in search. No even bars at all: the tape's speed is not steady in search.",
    duration_s: 60.0,
};
