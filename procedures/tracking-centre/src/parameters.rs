//! What can be set, and what the procedure says of itself.

use tapewright_sdk::heads::CLEAR_OF_NOISE;
use tapewright_sdk::prelude::*;

pub(crate) const STEPS: Number = Number::practice(
    "steps",
    "places of the tracking control at which the level is taken, end to end; by keys about so many",
    Unit::One,
    [9.0, 6.0, 41.0],
);
pub(crate) const FRAMES: Number =
    Number::practice("frames", "frames captured at each place", Unit::One, [3.0, 2.0, 50.0]);
pub(crate) const OFFSET_GOOD: Number = Number::practice(
    "offset-good",
    "distance of the level's centre from the control's own that is good, over the control's range",
    Unit::Percent,
    [5.0, 0.1, 50.0],
);
pub(crate) const OFFSET_REJECT: Number = Number::practice(
    "offset-reject",
    "distance of the level's centre from the control's own beyond which it fails, over the control's range",
    Unit::Percent,
    [10.0, 0.1, 50.0],
);
pub(crate) const EVEN_GOOD: Number = Number::practice(
    "evenness-good",
    "distance from 1 of the ratio of both sides' slopes that is good",
    Unit::One,
    [0.25, 0.01, 0.9],
);
pub(crate) const EVEN_REJECT: Number = Number::practice(
    "evenness-reject",
    "distance from 1 of the ratio of both sides' slopes beyond which it fails",
    Unit::One,
    [0.5, 0.01, 0.9],
);
pub(crate) const APART_GOOD: Number = Number::practice(
    "heads-apart-good",
    "height of head B over head A, either way, that is good, in track pitches",
    Unit::One,
    [0.1, 0.01, 0.9],
);
pub(crate) const APART_REJECT: Number = Number::practice(
    "heads-apart-reject",
    "height of head B over head A, either way, beyond which it fails, in track pitches",
    Unit::One,
    [0.25, 0.01, 0.9],
);
pub(crate) const DEADLINE_S: Number = Number::practice(
    "answer-s",
    "how long the operator has for each turn of the control",
    Unit::Second,
    [300.0, 5.0, 3600.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "tracking-centre",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Finds the centre of tracking while relays on its keys, or the operator, step the control through its range, and what it says of the place of the audio and control head.",
    needs: &[Signal::Rf, Signal::ControlTrack, Signal::HeadSwitch],
    uses: &[],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(STEPS),
        Parameter::Number(FRAMES),
        Parameter::Number(OFFSET_GOOD),
        Parameter::Number(OFFSET_REJECT),
        Parameter::Number(EVEN_GOOD),
        Parameter::Number(EVEN_REJECT),
        Parameter::Number(APART_GOOD),
        Parameter::Number(APART_REJECT),
        Parameter::Number(CLEAR_OF_NOISE),
        Parameter::Number(DEADLINE_S),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Where the RF is greatest, and whether that is where the tracking control has its own centre. At each place \
            of the control the level of both heads and the delay from control pulse to head switch are taken; the \
            delay is the tracking offset, so that the steps need not be even. Three signals on two channels: RF and \
            control pulses on the channels and the head switch on the input that only triggers, or RF and head switch \
            on the channels and the control pulses on that input. Level against delay is fitted; its centre less the \
            delay at the control's own centre is the offset, in milliseconds, in track pitches and, by the tape's \
            speed, in millimetres along the tape by which the audio and control head stands wrong (its X position). \
            Only an alignment tape can judge that. Where relays lie across the tracking keys (`tracking` in the \
            relays' table) it presses them itself and asks nobody: both at once for the control's own centre, then to \
            one end, and by steps to the other. A machine whose keys together switch automatic tracking on has no such \
            centre, and looks centred: give it no `tracking` in the table. Elsewhere set tracking to manual first. The \
            level of each head is fitted by itself too: two centres apart are two heads at different heights, whatever \
            the audio and control head does. What it cannot tell is a control head that stands a whole frame's length \
            of tape off (tape speed over frame rate, 1.11 mm in vhs-525-sp): the delay is known within a frame only, \
            and sound against picture tells. A format without a control track keeps its tracking by pilot tones: \
            `pilot-tracking`.",
    when_it_fails: "Off centre: set the X position of the audio and control head, by the millimetres told, after its \
                    height, azimuth and tilt are right (height, azimuth, height again, tilt, then X: a textbook's \
                    order), then run this again. Heads apart: one video head stands at another height; no X position \
                    mends that, so leave it, look at the levels of both heads with `guide-adjust`, then at the drum. \
                    Unevenness: guides, since a bent path falls unevenly (`envelope` at both sides), or one head out \
                    of height where it is not told. The delay does not move with the control: tracking is automatic, \
                    the control is not connected, or a relay does not press its key.",
    duration_s: 180.0,
};
