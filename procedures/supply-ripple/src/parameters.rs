//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const RAIL: Number = Number::practice(
    "rail-v",
    "what the rail should have; 0: what the hookup's `expected-v` says; where that says nothing either, only the ripple is judged, and the rail does not pass",
    Unit::Volt,
    [0.0, -60.0, 60.0],
);
pub(crate) const RAIL_GOOD: Number = Number::practice(
    "rail-good",
    "mean against what it should be: good within; a scope's gain is true to some 3 per cent only",
    Unit::Percent,
    [7.0, 0.1, 50.0],
);
pub(crate) const RAIL_REJECT: Number = Number::practice(
    "rail-reject",
    "mean against what it should be: rejected beyond",
    Unit::Percent,
    [12.0, 0.1, 50.0],
);
pub(crate) const RIPPLE_GOOD: Number = Number::practice(
    "ripple-good",
    "ripple, peak to peak, over the rail: good up to here",
    Unit::Percent,
    [1.0, 0.01, 50.0],
);
pub(crate) const RIPPLE_REJECT: Number = Number::practice(
    "ripple-reject",
    "ripple, peak to peak, over the rail: rejected beyond",
    Unit::Percent,
    [3.0, 0.01, 50.0],
);
pub(crate) const COUPLING: Text = Text {
    name: "coupling",
    meaning: "how the channel is coupled: `dc`, or `ac` where the scope's offset does not reach the rail; then the mean is not measured, the rail does not pass, and `rail-v` must be set for its ripple",
    default: "dc",
    source: PRACTICE,
};
pub(crate) const MODE: Text = Text {
    name: "mode",
    meaning: "under which load: `stop`, or `play`, where the motors run",
    default: "play",
    source: PRACTICE,
};

pub(crate) const DESCRIPTION: Description = Description {
    name: "supply-ripple",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures a supply rail: its mean, its ripple peak to peak and root mean square, and the ripple's frequency, which says where it comes from.",
    needs: &[Signal::Supply],
    uses: &[],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(RAIL),
        Parameter::Number(RAIL_GOOD),
        Parameter::Number(RAIL_REJECT),
        Parameter::Number(RIPPLE_GOOD),
        Parameter::Number(RIPPLE_REJECT),
        Parameter::Text(COUPLING),
        Parameter::Text(MODE),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::Capacitors, Caution::MovingDrum],
    cover_off: true,
    tells: "Probe: a low-voltage rail behind the supply, with a short earth lead; never a point on the mains side: a rail above 60 V is refused. \
            Only what repeats counts as ripple, noise does not. Slow records show mains and its double, fast ones what a \
            switching converter leaves; each is taken twice at unlike rates, so that an alias is not taken for a line; where one may lie upon a line, slow ones are taken at up to two more rates. Unrelated ripples are added up; lines that are not fitted (1.5 to 5 kHz, above 500 kHz) raise the upper \
            end of the interval, and so does what wanders more slowly than 24 Hz, which a record of 2.5 s shows: below half a hertz only in part. A linear rail has 10 mV or \
            less, a switching one 50 mV, or 1 % of the rail; beyond 3 % pictures and sound suffer. The mean is held against `rail-v`, \
            else against the hookup's `expected-v`. Where neither is said it is told for information: ripple is judged as a share of the mean \
            as it is, and the rail does not pass; nor does it where the channel is coupled by AC, which hides the mean. A \
            tenth of what should be there, or ten times that, is refused: look at the probe's factor first.",
    when_it_fails: "Ripple at twice the mains frequency: the reservoir capacitor has dried out, or the load is too great. At the mains frequency itself: \
                    half of the rectifier is open, or an earth loop: lift no earth, look at the probe's lead first. At a switching \
                    frequency: the converter's output capacitors (their series resistance). At the drum's rate: the motor's \
                    current on a weak rail. Capacitors keep their charge: discharge them, and measure, before touching. Work on the mains \
                    side belongs to people licensed for it.",
    duration_s: 15.0,
};
