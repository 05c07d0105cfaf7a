//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const LEFT: Number = Number::practice(
    "left-hz",
    "carrier of the left channel; 0: as the format's table says",
    Unit::Hertz,
    [0.0, 0.0, 5e6],
);
pub(crate) const RIGHT: Number = Number::practice(
    "right-hz",
    "carrier of the right channel; 0: as the format's table says",
    Unit::Hertz,
    [0.0, 0.0, 5e6],
);
pub(crate) const CAPTURES: Number = Number::practice(
    "captures",
    "short captures at any place of the scans; a modulated carrier needs more of them",
    Unit::One,
    [32.0, 8.0, 400.0],
);
pub(crate) const FRAMES: Number =
    Number::practice("frames", "scans of each head that its envelope is told by", Unit::One, [16.0, 4.0, 100.0]);
pub(crate) const HZ_GOOD: Number =
    Number::practice("frequency-good", "carrier against its frequency: good within", Unit::Hertz, [5e3, 100.0, 2e5]);
pub(crate) const HZ_REJECT: Number = Number::practice(
    "frequency-reject",
    "carrier against its frequency: rejected beyond",
    Unit::Hertz,
    [20e3, 100.0, 4e5],
);
pub(crate) const BALANCE_GOOD: Number = Number::practice(
    "balance-good",
    "right carrier against the left one: good within",
    Unit::Decibel,
    [3.0, 0.1, 20.0],
);
pub(crate) const BALANCE_REJECT: Number = Number::practice(
    "balance-reject",
    "right carrier against the left one: rejected beyond",
    Unit::Decibel,
    [6.0, 0.1, 30.0],
);
pub(crate) const FLAT_GOOD: Number = Number::practice(
    "flatness-good",
    "least over greatest level of an audio head's scan: good from here",
    Unit::One,
    [0.7, 0.0, 1.0],
);
pub(crate) const FLAT_REJECT: Number = Number::practice(
    "flatness-reject",
    "least over greatest level of an audio head's scan: rejected below",
    Unit::One,
    [0.5, 0.0, 1.0],
);
pub(crate) const HEADS_GOOD: Number =
    Number::practice("heads-good", "one audio head against the other: good within", Unit::Decibel, [2.0, 0.1, 20.0]);
pub(crate) const HEADS_REJECT: Number = Number::practice(
    "heads-reject",
    "one audio head against the other: rejected beyond",
    Unit::Decibel,
    [4.0, 0.1, 20.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "hifi-carriers",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures the two FM carriers of depth-recorded sound: frequency, level, balance; and the envelope of the two audio heads on the drum.",
    needs: &[Signal::HifiRf],
    uses: &[Signal::HeadSwitch],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(LEFT),
        Parameter::Number(RIGHT),
        Parameter::Number(CAPTURES),
        Parameter::Number(FRAMES),
        Parameter::Number(HZ_GOOD),
        Parameter::Number(HZ_REJECT),
        Parameter::Number(BALANCE_GOOD),
        Parameter::Number(BALANCE_REJECT),
        Parameter::Number(FLAT_GOOD),
        Parameter::Number(FLAT_REJECT),
        Parameter::Number(HEADS_GOOD),
        Parameter::Number(HEADS_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: true,
    tells: "Probe: the RF of the audio heads on the drum, before any limiter; the head switch beside it or on a trigger-only input for the \
            envelope. A silent stretch of tape is best: sound moves the carriers, and their mean then needs more captures. Where the carriers stand is looked up in \
            the whole spectrum: two that have moved together are told by their order, and one alone, far from both places, is given \
            to neither channel. The frequency \
            says whether the recorder's modulators are right, the levels and their balance how the signal gets through, the envelope \
            how each audio head meets its track (without the head switch only captures that hold no carrier show a dead head): it is half as wide as the picture's, so that it sags later. Its carriers \
            lie 12 dB and more below a picture's; a point after the limiter shows no level. Frequencies are from memory, unverified.",
    when_it_fails: "Frequency off on one tape only: that tape's recorder. On every tape: the drum's speed first, then this machine's \
                    filters. One carrier weak: its band-pass filter or the level of its recorder; try another tape. One head weak: clean it by \
                    hand, then its half of the rotary transformer. A sag on both heads: the path, as for the picture; run `envelope` with \
                    an alignment tape. Noise or buzz with good carriers: switching point and limiter.",
    duration_s: 30.0,
};
