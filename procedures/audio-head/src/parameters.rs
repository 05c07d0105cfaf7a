//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const TONE: Number = Number::practice(
    "tone-hz",
    "tone that the level is read at: a low one, which a lean of the gap and dirt hardly weaken",
    Unit::Hertz,
    [1000.0, 100.0, 2000.0],
);
pub(crate) const OTHER: Number = Number::practice(
    "high-tone-hz",
    "tone that may sound with it, and is kept out of the level",
    Unit::Hertz,
    [6000.0, 1000.0, 12_000.0],
);
pub(crate) const TOLERANCE: Number = Number::practice(
    "tone-tolerance",
    "a tone farther from its frequency than this is another one",
    Unit::Percent,
    [4.0, 0.5, 10.0],
);
pub(crate) const CAPTURES: Number =
    Number::practice("captures", "captures of the tone at each place of the height nut", Unit::One, [8.0, 4.0, 100.0]);
pub(crate) const LOSS_GOOD: Number = Number::practice(
    "loss-good",
    "level that a track may lose by the head's height: good up to here; limits in micrometres follow from it",
    Unit::Decibel,
    [1.0, 0.1, 6.0],
);
pub(crate) const LOSS_REJECT: Number = Number::practice(
    "loss-reject",
    "level that a track may lose by the head's height: rejected beyond",
    Unit::Decibel,
    [3.0, 0.2, 12.0],
);
pub(crate) const ROUNDS: Number = Number::practice(
    "rounds",
    "how often the operator is asked to turn the height nut at the most, past the level's peak and back",
    Unit::One,
    [12.0, 3.0, 60.0],
);
pub(crate) const FULL_WIDTH: Number = Number::ratio(
    "full-width-tone",
    "1: the tape's tone is known to lie over the whole width of the sound's edge, as one track; the balance of two channels then tells \
     the height, with its side, and nothing is turned",
    0.0,
);
pub(crate) const OWN_BALANCE: Number = Number::practice(
    "own-balance",
    "right over left of the channels themselves, as known with the head at its height",
    Unit::Decibel,
    [0.0, -20.0, 20.0],
);
pub(crate) const OWN_BALANCE_WITHIN: Number = Number::practice(
    "own-balance-within",
    "how far the channels' own balance may lie from that",
    Unit::Decibel,
    [0.5, 0.05, 6.0],
);
pub(crate) const CONTROL_WITHIN: Number = Number::practice(
    "control-within",
    "how far control pulses of a head at its height may lie from the level that the hookup expects",
    Unit::Percent,
    [10.0, 1.0, 50.0],
);
pub(crate) const OBSERVE: Number = Number::practice(
    "observe-s",
    "how long the level is watched for its steadiness; 0: not at all",
    Unit::Second,
    [12.0, 0.0, 120.0],
);
pub(crate) const UNSTEADY_GOOD: Number = Number::practice(
    "unsteady-good",
    "standard deviation of the level over its mean: good up to here",
    Unit::Percent,
    [3.0, 0.2, 20.0],
);
pub(crate) const UNSTEADY_REJECT: Number = Number::practice(
    "unsteady-reject",
    "standard deviation of the level over its mean: rejected beyond",
    Unit::Percent,
    [6.0, 0.5, 40.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "audio-head",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Height of the audio and control head, from the peak of its levels while the height nut is turned or from the balance of two channels, and its tilt, from the steadiness of the level.",
    needs: &[Signal::AudioLeft],
    uses: &[Signal::AudioRight, Signal::ControlTrack],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(TONE),
        Parameter::Number(OTHER),
        Parameter::Number(TOLERANCE),
        Parameter::Number(CAPTURES),
        Parameter::Number(LOSS_GOOD),
        Parameter::Number(LOSS_REJECT),
        Parameter::Number(ROUNDS),
        Parameter::Number(FULL_WIDTH),
        Parameter::Number(OWN_BALANCE),
        Parameter::Number(OWN_BALANCE_WITHIN),
        Parameter::Number(CONTROL_WITHIN),
        Parameter::Number(OBSERVE),
        Parameter::Number(UNSTEADY_GOOD),
        Parameter::Number(UNSTEADY_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Probes: the audio outputs and the control pulses before any limiter, an alignment tape with a tone of 1 kHz. A head too high or \
            too low reads only a part of each track's width, and its levels fall by that part, alike at every frequency; a gap that leans \
            takes from high tones only. How high a level is tells nothing by itself: a tape that was recorded low, a weak amplifier or a \
            dirty head look the same. So you are asked to turn the height nut past the peak of the levels and back, and each signal is \
            held against its own best. A single channel of a head with two tracks is not enough: beside its own track lies the other's, \
            so the right channel or control pulses have to fall on both sides too. Of a tape whose tone is known to lie over the whole \
            width (`full-width-tone`) the balance of two channels tells the height, with its side, as far as the channels themselves are \
            alike and the control pulses, of which the hookup says the expected level, bear it out: a weak channel looks the same, and a \
            head with one track keeps its balance. Tilt: a head that \
            is tilted lets the tape ride up and down, and the level wavers over seconds: its standard deviation is stated for the time \
            observed. Only an alignment tape judges.",
    when_it_fails: "Order of work on the audio head: height first, then azimuth, then the height again; tilt for a steady level; then its place \
                    along the tape (tracking). Turn nuts by small parts of a turn, with a tool that is not magnetic, and seal them \
                    afterwards. A level that wavers with the head upright is the tape's own riding: look at the guides before and \
                    after the head, at the pinch roller and at the back tension, and try another alignment tape before anything is turned.",
    duration_s: 90.0,
};
