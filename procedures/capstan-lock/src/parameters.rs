//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

pub(crate) const OBSERVE_S: Number = Number::practice(
    "observe-s",
    "how long the phase is watched; hunting slower than a third of this is not told from drift",
    Unit::Second,
    [24.0, 2.0, 3600.0],
);
pub(crate) const LOOKS: Number =
    Number::practice("looks", "looks at the phase, at least", Unit::One, [60.0, 12.0, 1000.0]);
pub(crate) const RATE_GOOD: Number = Number::practice(
    "rate-good",
    "greatest error of the tape's speed against the drum that is good",
    Unit::Percent,
    [0.1, 0.0001, 20.0],
);
pub(crate) const RATE_REJECT: Number = Number::practice(
    "rate-reject",
    "error of the tape's speed against the drum beyond which it fails",
    Unit::Percent,
    [0.5, 0.0001, 20.0],
);
pub(crate) const WALK_GOOD: Number = Number::practice(
    "walk-good",
    "greatest way that the phase of a locked tape may walk or swing over the time watched, in parts of a track pitch",
    Unit::One,
    [0.05, 0.001, 1.0],
);
pub(crate) const WALK_REJECT: Number = Number::practice(
    "walk-reject",
    "swing beyond which it fails, in parts of a track pitch: a fifth costs two decibels of level",
    Unit::One,
    [0.2, 0.001, 1.0],
);
pub(crate) const JITTER_GOOD: Number = Number::practice(
    "jitter-good",
    "greatest standard deviation of the phase that is good: 0.3 ms move a head by a fiftieth of a track",
    Unit::Millisecond,
    [0.3, 0.001, 10.0],
);
pub(crate) const JITTER_REJECT: Number = Number::practice(
    "jitter-reject",
    "standard deviation of the phase beyond which it fails",
    Unit::Millisecond,
    [1.0, 0.001, 10.0],
);
pub(crate) const LOCK_GOOD: Number = Number::practice(
    "lock-time-good",
    "longest time from the key to lock that is good",
    Unit::Second,
    [12.0, 0.1, 120.0],
);
pub(crate) const LOCK_REJECT: Number = Number::practice(
    "lock-time-reject",
    "time from the key to lock beyond which it fails",
    Unit::Second,
    [24.0, 0.1, 120.0],
);

pub(crate) const PAIRS: [(&Number, &Number); 4] = [
    (&RATE_GOOD, &RATE_REJECT),
    (&WALK_GOOD, &WALK_REJECT),
    (&JITTER_GOOD, &JITTER_REJECT),
    (&LOCK_GOOD, &LOCK_REJECT),
];

pub(crate) const DESCRIPTION: Description = Description {
    name: "capstan-lock",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Tells whether the tape is locked to the heads: control pulses against the head switch; slip, hunting and jitter told apart.",
    needs: &[Signal::ControlTrack, Signal::HeadSwitch],
    uses: &[],
    modes: &[Mode::Stop, Mode::Play],
    parameters: &[
        Parameter::Number(OBSERVE_S),
        Parameter::Number(LOOKS),
        Parameter::Number(RATE_GOOD),
        Parameter::Number(RATE_REJECT),
        Parameter::Number(WALK_GOOD),
        Parameter::Number(WALK_REJECT),
        Parameter::Number(JITTER_GOOD),
        Parameter::Number(JITTER_REJECT),
        Parameter::Number(LOCK_GOOD),
        Parameter::Number(LOCK_REJECT),
    ],
    cautions: &[Caution::Mains, Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: true,
    tells: "Whether the tape keeps its place to the heads. The time from control pulse to head switch is watched over many short \
            captures: one of the two on a channel, the other on an input that only triggers. If it walks, the capstan is \
            not locked and the tape slips, and the walk gives the speed error as a ratio to the drum, in which the \
            scope's time base does not count. If it swings slowly to and fro, the tracking servo hunts: set tracking to \
            manual, and look again. If it scatters at random, it is jitter: pinch roller, capstan bearing, tension. Where \
            surely more than three in a hundred looks over a whole period meet no pulse, no lock is stated. A \
            format without a control track has pilot tones in the RF instead (`pilot-tracking`).",
    when_it_fails: "Slip: do the control pulses reach the servo (`control-track`)? Then the capstan servo's reference, its phase \
                    comparator, the motor's driver; a greasy pinch roller slips with everything locked. Hunting: with tracking \
                    set to manual it must stop; if it does, the automatic tracking's detector or a low RF level, else \
                    the servo's damping. Jitter: clean capstan and pinch roller, look at the bearing and at the back tension.",
    duration_s: 70.0,
};
