//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const CAPTURES: Number = Number::practice(
    "captures",
    "short captures at any place of the scans; each head gets about half of them",
    Unit::One,
    [64.0, 16.0, 600.0],
);
pub(crate) const GOOD: Number = Number::practice(
    "tracking-good",
    "neighbours' pilots, their difference over their sum: good within (0: centred, 1: one neighbour only)",
    Unit::One,
    [0.4, 0.01, 1.0],
);
pub(crate) const REJECT: Number = Number::practice(
    "tracking-reject",
    "neighbours' pilots, their difference over their sum: rejected beyond",
    Unit::One,
    [0.8, 0.02, 1.0],
);

pub(crate) const EDGES: Number = Number::practice(
    "switch-captures",
    "captures from each of both ends of a head's scans, by edges of the head switch where it is hooked up",
    Unit::One,
    [8.0, 3.0, 100.0],
);
pub(crate) const OWN_GOOD: Number = Number::practice(
    "own-tracks-good",
    "share of captures at a head's edges that show a pilot of its own tracks: good at least",
    Unit::One,
    [0.6, 0.0, 1.0],
);
pub(crate) const OWN_REJECT: Number = Number::practice(
    "own-tracks-reject",
    "share of captures at a head's edges that show a pilot of its own tracks: rejected below",
    Unit::One,
    [0.4, 0.0, 1.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "pilot-tracking",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures how 8 mm heads lie on their tracks, by the pilot tones: the two beat levels of each head, and their difference.",
    needs: &[Signal::Rf],
    uses: &[Signal::HeadSwitch],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(CAPTURES),
        Parameter::Number(GOOD),
        Parameter::Number(REJECT),
        Parameter::Number(EDGES),
        Parameter::Number(OWN_GOOD),
        Parameter::Number(OWN_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::Batteries, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Probe: the RF before automatic gain. 8 mm has no control track: each track carries one of four pilot tones, and a head that is wider \
            than its track reads its neighbours' too. One neighbour's beat with the own pilot lies about one line rate, the other's three \
            (16.4 and 46.2 kHz on 525 lines); the two are equal where the head is centred, and their sense swaps from track to track. \
            Both heads off to the same side: the servo's centre. One head alone: that head's height. Exactly one pitch off, where a head reads \
            the other azimuth's tracks and gives no picture, the beats stand equal as well. What tells is the head switch, where it is hooked up: \
            from its edges it is known which head plays, and the pilot must be one of that head's tracks. Without it the carrier tells: on its \
            own track a head reads one, on another azimuth's those of both neighbours, which beat. Where neither tells, nothing passes. \
            The pilots' frequencies and order are from memory, unverified. Formats with a control track have no pilots: use `control-track` there.",
    when_it_fails: "Both heads off to one side on every tape: the centring of the tracking servo. On one tape only: that tape was recorded off; try \
                    another. One head off: the heads' heights differ, or one is worn: measure its envelope. Both heads on \
                    the other's tracks: the order of the servo's own pilots against the head switch. No beats at all: \
                    heads no wider than the track and well centred, which is no fault, or a point where the pilots are filtered off.",
    duration_s: 15.0,
};
