//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const EDGES: Number = Number::practice(
    "edges",
    "edges to each head that are captured; more make the intervals narrower, that of the jitter above all",
    Unit::One,
    [16.0, 4.0, 500.0],
);
pub(crate) const POINT: Number =
    Number::practice("point", "where both edges belong, in lines before vertical sync", Unit::Line, [6.5, 0.0, 20.0])
        .of_source(
            "from memory (6.5 H); to be checked in IEC 60774-1 for VHS; for Beta and 8 mm 6 to 7 H, from memory",
        );
pub(crate) const POINT_GOOD: Number = Number::practice(
    "point-good",
    "distance of the switching point from where it should be that is good",
    Unit::Line,
    [0.5, 0.01, 20.0],
);
pub(crate) const POINT_REJECT: Number = Number::practice(
    "point-reject",
    "distance of the switching point from where it should be beyond which it fails: 5 to 8 lines are allowed",
    Unit::Line,
    [1.5, 0.01, 20.0],
)
.of_source("from memory (6.5 H +-1.5 H); to be checked in IEC 60774-1");
pub(crate) const APART_GOOD: Number = Number::practice(
    "difference-good",
    "distance between the edges to A and to B that is good",
    Unit::Line,
    [0.5, 0.01, 20.0],
);
pub(crate) const APART_REJECT: Number = Number::practice(
    "difference-reject",
    "distance between the two edges beyond which it fails",
    Unit::Line,
    [1.5, 0.01, 20.0],
);
pub(crate) const TRACKING_WITHIN: Number = Number::practice(
    "tracking-within",
    "how far from its centre tracking may stand, either way, in track pitches: it moves both points alike, in VHS SP by 1.5 lines a pitch",
    Unit::One,
    [0.15, 0.0, 1.0],
);
pub(crate) const JITTER_GOOD: Number = Number::practice(
    "jitter-good",
    "standard deviation of the point that is good: over a hundred fields it reaches half a line from peak to peak",
    Unit::Line,
    [0.1, 0.001, 5.0],
);
pub(crate) const JITTER_REJECT: Number = Number::practice(
    "jitter-reject",
    "standard deviation of the point beyond which it fails: over a hundred fields a line from peak to peak",
    Unit::Line,
    [0.2, 0.001, 5.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "head-switch-point",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures where the heads are switched: both edges of the head switch against the vertical sync that follows.",
    needs: &[Signal::Video, Signal::HeadSwitch],
    uses: &[],
    modes: &[Mode::Play],
    parameters: &[
        Parameter::Number(EDGES),
        Parameter::Number(POINT),
        Parameter::Number(POINT_GOOD),
        Parameter::Number(POINT_REJECT),
        Parameter::Number(APART_GOOD),
        Parameter::Number(APART_REJECT),
        Parameter::Number(TRACKING_WITHIN),
        Parameter::Number(JITTER_GOOD),
        Parameter::Number(JITTER_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "How many lines before vertical sync the machine goes from one head to the other, for both edges apart, in \
            lines, microseconds and degrees of the drum; by how much the two differ; and how steadily they come. The \
            video must be composite and on a channel that samples; for the head switch an input that only triggers will \
            do. A separator of its own finds the sync pulses, on any direct voltage and through hum, drift and noise, \
            and the pattern of broad and equalising pulses says where vertical sync starts, also where single pulses are \
            missing. Have tracking at its centre before: neighbouring tracks lie apart along the track, so a head beside its \
            own meets vertical sync elsewhere, and both points move alike; by how much it may be off (`tracking-within`) is \
            in their intervals. Only an alignment tape can judge the point: any other tape carries the switching of the machine that \
            recorded it, and then the point is told for information. The jitter is judged with any tape.",
    when_it_fails: "Late (few lines, or none): the switching shows at the bottom of the picture or in vertical sync, which \
                    makes the picture jump. Early: it shows as a torn stripe above the lower edge. Set the switching point \
                    (one adjustment for both edges, or one for each: the service data of the machine says which) with the \
                    alignment tape in play, while the tracking stands at its best. Edges at different places: the two \
                    adjustments, or the pulses of the drum's position sensor. Jitter: the drum's bearing and position \
                    sensor first, then its servo (`drum-lock`), then the pulse shaper. If the point is not steady at all \
                    the video does not come from the heads: a muted machine sends a picture of its own.",
    duration_s: 30.0,
};

/// Of each pair the first must not exceed the second, or good would lie beyond reject.
pub(crate) const PAIRS: [(&Number, &Number); 3] =
    [(&POINT_GOOD, &POINT_REJECT), (&APART_GOOD, &APART_REJECT), (&JITTER_GOOD, &JITTER_REJECT)];
