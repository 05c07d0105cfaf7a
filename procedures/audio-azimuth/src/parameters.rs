//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::LEVEL_MOST;

pub(crate) const LOW: Number = Number::practice(
    "low-tone-hz",
    "tone that tells how many turns the phase of the high one has, and that a level peak is first looked for at",
    Unit::Hertz,
    [1000.0, 100.0, 5000.0],
);
pub(crate) const HIGH: Number =
    Number::practice("high-tone-hz", "tone that the azimuth is read at", Unit::Hertz, [6000.0, 1000.0, 12_000.0])
        .of_source("a servicing textbook's tone for audio azimuth");
pub(crate) const TOLERANCE: Number = Number::practice(
    "tone-tolerance",
    "a tone farther from its frequency than this is another one",
    Unit::Percent,
    [4.0, 0.5, 10.0],
);
pub(crate) const CAPTURES: Number = Number::practice(
    "captures",
    "captures of each tone; the tape weaves, so that more of them make the interval narrower",
    Unit::One,
    [16.0, 4.0, 200.0],
);
pub(crate) const LOSS_GOOD: Number = Number::practice(
    "loss-good",
    "level that a single full-width track may lose at the high tone: good up to here; the angle's limit follows from it",
    Unit::Decibel,
    [0.5, 0.05, 10.0],
);
pub(crate) const LOSS_REJECT: Number = Number::practice(
    "loss-reject",
    "level that a single full-width track may lose at the high tone: rejected beyond",
    Unit::Decibel,
    [2.0, 0.1, 12.0],
);
pub(crate) const DISTANCE: Number = Number::practice(
    "track-distance",
    "between the centres of the two tracks; 0: as the format's table says",
    Unit::Millimetre,
    [0.0, 0.0, 10.0],
);
pub(crate) const LEAN_MOST: Number = Number::practice(
    "lean-most",
    "farther than this no head leans: an angle beyond it that the phases fit as well is not looked at",
    Unit::ArcMinute,
    [180.0, 5.0, 600.0],
);
pub(crate) const LOUDER: Number = Number::practice(
    "high-over-low-most",
    "level of the high tone over the low one's that no upright head exceeds: an alignment tape has both about equal, and a gap and its distance from the tape take more of the high one",
    Unit::Decibel,
    [6.0, 0.0, 20.0],
);
pub(crate) const ROUNDS: Number = Number::practice(
    "rounds",
    "how often the operator is asked to turn the azimuth screw and the head is measured again, by two channels",
    Unit::One,
    [0.0, 0.0, 60.0],
);
pub(crate) const PEAK_ROUNDS: Number = Number::practice(
    "peak-rounds",
    "the same by one channel, half of them at each tone; it tells nothing until the screw was turned past both level peaks and back",
    Unit::One,
    [12.0, 4.0, 60.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "audio-azimuth",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures how far the gap of the audio head leans: from the phase between two channels at two tones, or from the level peak of one channel; guides its adjustment.",
    needs: &[Signal::AudioLeft],
    uses: &[Signal::AudioRight],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(LOW),
        Parameter::Number(HIGH),
        Parameter::Number(TOLERANCE),
        Parameter::Number(CAPTURES),
        Parameter::Number(LOSS_GOOD),
        Parameter::Number(LOSS_REJECT),
        Parameter::Number(DISTANCE),
        Parameter::Number(LEAN_MOST),
        Parameter::Number(LOUDER),
        Parameter::Number(LEVEL_MOST),
        Parameter::Number(ROUNDS),
        Parameter::Number(PEAK_ROUNDS),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Probes: the two audio outputs, an alignment tape with tones of 1 kHz and 6 kHz. A head that leans reads one track \
            late; the phase at 6 kHz gives the angle, and since a phase repeats each turn, that at 1 kHz says which turn. Its own turns \
            no phase tells (in slow formats one is 40 to 60 minutes of arc), so every angle that fits is held against the levels: a \
            lean takes more of the high tone than of the low one, and an angle is ruled out where an upright head would then give more \
            of the high tone than of the low one by over 6 dB, or over three times the hookup's `expected-v`. Where several angles are \
            left, none is stated: all of them beyond the limit are a fail, else it is not told. The \
            limits are those angles at which a single full-width track loses 0.5 dB and 2 dB at 6 kHz. A test tape itself is \
            true to one minute of arc, which is in the interval, and so is what a weaker channel hides where the head is off its height. With one channel the level at 6 kHz has its peak at the \
            right angle, and other, lower peaks beside it: the peak is first looked for at 1 kHz, where there is only one, and the level \
            there must still be at its best at the end; at both tones you are asked to turn the screw past the peak and back, since \
            no level alone says how far it lies from its peak: without that nothing is told. Two outputs that differ by no angle at all \
            show one track, and are taken for one channel. Only an \
            alignment tape judges: a tape of this machine leans as its head does.",
    when_it_fails: "Order of work on the audio head: height first, then azimuth, then the height again; tilt for a steady level; then its place \
                    along the tape (tracking). Turn the azimuth screw by small parts of a turn, with a tool that is not magnetic, \
                    and seal it afterwards. A phase that wanders by more than a few minutes is the tape's weave: look at the guides \
                    before and after the head, and at the back tension.",
    duration_s: 25.0,
};
