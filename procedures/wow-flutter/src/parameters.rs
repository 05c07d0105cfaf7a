//! What can be set, and what the procedure says of itself.

use tapewright_sdk::prelude::*;

const STANDARD: &str = "IEC 60386:1972, with amendment 1:1988; AES6-2008";

pub(crate) const TONE: Number =
    Number::practice("tone-hz", "frequency of the recorded tone", Unit::Hertz, [3150.0, 200.0, 12_000.0])
        .of_source(STANDARD);
pub(crate) const OBSERVE: Number = Number::practice(
    "observe-s",
    "time that the two-sigma statistic is over; the standard asks for 5 s at least",
    Unit::Second,
    [5.0, 5.0, 60.0],
)
.of_source(STANDARD);
pub(crate) const TOLERANCE: Number = Number::practice(
    "tone-tolerance",
    "a tone farther from its frequency than this is another tone, or another tape speed",
    Unit::Percent,
    [3.0, 0.2, 10.0],
);
pub(crate) const GOOD: Number = Number::practice(
    "flutter-good",
    "weighted wow and flutter at standard speed: good up to here",
    Unit::Percent,
    [0.3, 0.01, 10.0],
);
pub(crate) const REJECT: Number = Number::practice(
    "flutter-reject",
    "weighted wow and flutter at standard speed: rejected beyond",
    Unit::Percent,
    [0.5, 0.01, 10.0],
);
pub(crate) const SPEED_GOOD: Number = Number::practice(
    "speed-good",
    "mean speed by the tone of an alignment tape, against the tone's frequency: good within; such a tone is true to some tenth of a per cent",
    Unit::Percent,
    [0.3, 0.01, 10.0],
);
pub(crate) const SPEED_REJECT: Number = Number::practice(
    "speed-reject",
    "mean speed by the tone of an alignment tape, against the tone's frequency: rejected beyond",
    Unit::Percent,
    [0.5, 0.01, 10.0],
);
pub(crate) const DRUM: Number = Number::practice(
    "drum-hz",
    "turns of the drum a second; 0: the frame rate of the format, which is that of a two-head drum",
    Unit::Hertz,
    [0.0, 0.0, 200.0],
)
.of_source("relations of the format");
pub(crate) const CAPSTAN: Number = Number::practice(
    "capstan-hz",
    "turns of the capstan a second, that is tape speed over its circumference; 0: not known",
    Unit::Hertz,
    [0.0, 0.0, 200.0],
);
pub(crate) const REEL: Number = Number::practice(
    "reel-hz",
    "turns of the reel in question a second: count them; 0: not known",
    Unit::Hertz,
    [0.0, 0.0, 20.0],
);

pub(crate) const DESCRIPTION: Description = Description {
    name: "wow-flutter",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Measures how the tape's speed wavers at the audio head: weighted wow and flutter, and the three largest lines of its spectrum with what turns at their rates.",
    needs: &[Signal::AudioLeft],
    uses: &[],
    modes: &[Mode::Play, Mode::Stop],
    parameters: &[
        Parameter::Number(TONE),
        Parameter::Number(OBSERVE),
        Parameter::Number(TOLERANCE),
        Parameter::Number(GOOD),
        Parameter::Number(REJECT),
        Parameter::Number(SPEED_GOOD),
        Parameter::Number(SPEED_REJECT),
        Parameter::Number(DRUM),
        Parameter::Number(CAPSTAN),
        Parameter::Number(REEL),
    ],
    cautions: &[Caution::LiveChassis, Caution::MovingDrum, Caution::Solvents, Caution::PreciousTape],
    cover_off: false,
    tells: "Probe: the audio output, a tone of 3150 Hz playing from a test tape. Weighted by the curve of IEC 60386 (its points are from \
            memory, unverified) and taken by the two-sigma statistic: the value that the speed error stays below for 95.45 % of at \
            least five seconds. A scope of few points samples the tone below its own frequency on purpose: its alias shows the same \
            wavering, once a short fast record has told the tone's frequency; the sample rate is chosen so that the alias lies clear. How \
            high in frequency that reaches is said; the drum's turns must lie within it, so that long records take more points. Faster \
            flutter, up to 200 Hz, is looked for in three short records at a higher rate: it is not in the value of a long record that does not reach there, but widens its interval \
            upward, so that no reading passes that it might spoil; its lines are told by these records, and what it may fold to in the long one is left out of the lines; what comes and goes between these records is missed. The three \
            largest lines of the unweighted spectrum are held against the rates of drum, capstan and reel. Limits are for standard play; slower speeds do worse. The tone's mean frequency tells the tape's speed: it is judged with an \
            alignment tape, whose tone is known, and told for information with any other. A tape recorded on this \
            machine shows recording and playback together: replay it several times.",
    when_it_fails: "A line at the capstan's rate: pinch roller (hard, shiny, out of round), capstan shaft and bearing, its belt or motor. At the \
                    drum's rate: the tape sticks to the drum, or tension is too high; clean it. At a reel's rate: the clutch, the \
                    brake band or the tension arm. No line, but a high reading: dirt, a dry guide that lets the tape squeal, or a worn \
                    tape: try another. A wrong frequency: the tape speed, not its wavering; first see that the tape's tone has the frequency that is set, \
                    then run `control-track` and `capstan-lock`.",
    duration_s: 25.0,
};
