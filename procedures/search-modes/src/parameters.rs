//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const SCANS: Number =
    Number::practice("scans", "captures from the switching to each head on", Unit::One, [4.0, 2.0, 60.0]);
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
pub(crate) const PLACES_GOOD: Number = Number::practice(
    "places-good",
    "how far head B's bars lie from where head A's go on, over the distance between bars, that is good",
    Unit::One,
    [0.1, 0.01, 0.5],
);
pub(crate) const PLACES_REJECT: Number = Number::practice(
    "places-reject",
    "how far head B's bars lie from where head A's go on, over the distance between bars, beyond which it fails",
    Unit::One,
    [0.25, 0.01, 0.5],
);
pub(crate) const BALANCE_GOOD: Number =
    Number::practice("balance-good", "head B against head A in search: good within", Unit::Decibel, [3.0, 0.1, 40.0]);
pub(crate) const BALANCE_REJECT: Number = Number::practice(
    "balance-reject",
    "head B against head A in search: rejected beyond",
    Unit::Decibel,
    [8.0, 0.1, 40.0],
);

pub(crate) const PAIRS: [(&Number, &Number); 4] = [
    (&SPEED_GOOD, &SPEED_REJECT),
    (&BARS_GOOD, &BARS_REJECT),
    (&PLACES_GOOD, &PLACES_REJECT),
    (&BALANCE_GOOD, &BALANCE_REJECT),
];

pub(crate) const DESCRIPTION: Description = Description {
    name: "search-modes",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Counts the noise bars in cue and review, and holds count and places against what the format's geometry predicts for that speed.",
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
        Parameter::Number(PLACES_GOOD),
        Parameter::Number(PLACES_REJECT),
        Parameter::Number(BALANCE_GOOD),
        Parameter::Number(BALANCE_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "How many noise bars each head shows in picture search, and where. A head crosses one pitch less than the speed says \
            and finds its own azimuth every second one (in a format without azimuth every one), so bars are normal, and their \
            count is the tape's speed: at seven times play speed three bars forwards and four backwards, without azimuth six \
            and eight. The count comes from the RF envelope of single scans, by the best fitting wave; the speed that follows \
            is held against the rate of the control pulses, or against `search-speed`. Whether the drum corrects the line rate \
            in search changes the count by a few hundredths, which are in the interval. In time the bars go on over the \
            switching without a step: where head B's come early or late against that, one head stands at another height than \
            the other, by twice that share of a pitch (without azimuth by that share), and earlier forwards is later backwards. \
            The heads that recorded count too: a tape of another machine may have its tracks so, and on an own tape heads that \
            stand as they stood then show nothing. So bars out of place fail with an alignment tape only, and with any other \
            are no pass. Below some nine tenths of a bar a scan, about 2.8 times play speed, nothing is told of places. An RF point that carries one head tells nothing of places. With one head \
            missing every second field is noise from top to bottom. A tape recorded at another tape speed has other tracks, \
            and other bars.",
    when_it_fails: "Another count than the control pulses say: the tape was recorded at another speed than the job says, or pulses are \
                    lost. Another speed than the machine shall have: the search servo's divider, the capstan motor's supply, \
                    drag in the reels. One head missing: the head, its connection, or the switching of a second pair of heads that \
                    some machines use in search. One head's bars out of place: that head stands too high or too low on the drum, \
                    or did on the machine that recorded the tape: an alignment tape tells which. No even bars at all: the tape's \
                    speed is not steady in search, or higher than so many levels a scan resolve.",
    duration_s: 60.0,
};
