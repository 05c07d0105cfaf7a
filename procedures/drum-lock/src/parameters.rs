//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const OBSERVE_S: Number = Number::practice(
    "observe-s",
    "how long the phase is watched; hunting slower than a third of this is not told from drift",
    Unit::Second,
    [20.0, 2.0, 3600.0],
);
pub(crate) const LOOKS: Number =
    Number::practice("looks", "looks at the phase, at least", Unit::One, [48.0, 12.0, 1000.0]);
pub(crate) const RATE_GOOD: Number = Number::practice(
    "rate-good",
    "greatest error of the drum's rate that is good",
    Unit::Percent,
    [0.01, 0.0001, 20.0],
);
pub(crate) const RATE_REJECT: Number = Number::practice(
    "rate-reject",
    "error of the drum's rate beyond which it fails",
    Unit::Percent,
    [0.1, 0.0001, 20.0],
);
pub(crate) const JITTER_GOOD: Number = Number::practice(
    "jitter-good",
    "greatest standard deviation of the phase that is good: a tenth of a line",
    Unit::Microsecond,
    [6.5, 0.1, 1000.0],
);
pub(crate) const JITTER_REJECT: Number = Number::practice(
    "jitter-reject",
    "standard deviation of the phase beyond which it fails: a fifth of a line",
    Unit::Microsecond,
    [13.0, 0.1, 1000.0],
);
pub(crate) const SWING_GOOD: Number = Number::practice(
    "swing-good",
    "greatest slow swing of the phase that is good: a line",
    Unit::Microsecond,
    [64.0, 1.0, 20_000.0],
);
pub(crate) const SWING_REJECT: Number = Number::practice(
    "swing-reject",
    "slow swing of the phase beyond which it fails: three lines",
    Unit::Microsecond,
    [200.0, 1.0, 20_000.0],
);
pub(crate) const LOCK_GOOD: Number = Number::practice(
    "lock-time-good",
    "longest time from the key to lock that is good",
    Unit::Second,
    [10.0, 0.1, 120.0],
);
pub(crate) const LOCK_REJECT: Number = Number::practice(
    "lock-time-reject",
    "time from the key to lock beyond which it fails",
    Unit::Second,
    [20.0, 0.1, 120.0],
);

pub(crate) const PAIRS: [(&Number, &Number); 4] = [
    (&RATE_GOOD, &RATE_REJECT),
    (&JITTER_GOOD, &JITTER_REJECT),
    (&SWING_GOOD, &SWING_REJECT),
    (&LOCK_GOOD, &LOCK_REJECT),
];

pub(crate) const DESCRIPTION: Description = Description {
    name: "drum-lock",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Tells whether the drum is locked to its reference: rate, phase, jitter, drift, hunting, time to lock.",
    needs: &[Signal::HeadSwitch],
    uses: &[Signal::Reference],
    modes: &[Mode::Stop, Mode::Play],
    parameters: &[
        Parameter::Number(OBSERVE_S),
        Parameter::Number(LOOKS),
        Parameter::Number(RATE_GOOD),
        Parameter::Number(RATE_REJECT),
        Parameter::Number(JITTER_GOOD),
        Parameter::Number(JITTER_REJECT),
        Parameter::Number(SWING_GOOD),
        Parameter::Number(SWING_REJECT),
        Parameter::Number(LOCK_GOOD),
        Parameter::Number(LOCK_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::PreciousTape],
    cover_off: true,
    tells: "Whether the drum follows the reference of its servo. Best with the reference on a channel and the head switch on \
            the input that only triggers (or the other way): then the phase between the two is watched over many short \
            captures, and the rate is a ratio in which the scope's own time base does not count. A phase that walks means no \
            lock, one that swings slowly to and fro means that the servo hunts, one that scatters at random means jitter \
            of bearing, position sensor or pulse shaper. Where surely more than three in a hundred looks over a whole period \
            meet no pulse, no lock is stated. Without a reference the rate alone is held against the scope's time \
            base, in one slow record of the head switch, which then must be on a channel; nothing is said of a lock then. The \
            time to lock is counted from the key to the first look from which the phase stands; the machine settles before \
            the first look, so mostly it is a bound.",
    when_it_fails: "No lock: is the reference there (`signal-presence`)? Then the drum's position sensor, the phase \
                    comparator, the drum motor's driver. Hunting: the servo's damping, then a tight or worn bearing, then the \
                    supply of the motor. Jitter: the drum's bearing, its position sensor, the pulse shaper of the head \
                    switch (`head-switch-point` shows it against the picture). Mind that machines change the drum's rate on \
                    purpose in still and in search, to keep the line rate: lock is a matter of play.",
    duration_s: 60.0,
};
