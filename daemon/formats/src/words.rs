//! The closed lists of the house: one word, one meaning, one spelling.

use core::fmt;
use core::str::FromStr;
use serde::{Deserialize, Serialize};

/// A word that is on none of the closed lists. Says which list was asked, and what stands on it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownWord {
    /// What kind of word was expected, e.g. `signal`.
    pub kind: &'static str,
    /// What was given.
    pub given: String,
    /// Every word that would have been right.
    pub known: &'static [&'static str],
}

impl fmt::Display for UnknownWord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` is not a {}; known: {}", self.given, self.kind, self.known.join(", "))
    }
}

impl core::error::Error for UnknownWord {}

/// Makes an enum whose variants have exactly one spelling each.
macro_rules! closed_list {
    ($(#[$doc:meta])* $name:ident, $kind:literal { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name {
            $($(#[$vdoc])* #[serde(rename = $text)] $variant),+
        }

        impl $name {
            /// Every word of the list, in its order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            /// Every spelling of the list, in its order.
            pub const WORDS: &'static [&'static str] = &[$($text),+];

            /// The spelling.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.as_str())
            }
        }

        impl FromStr for $name {
            type Err = UnknownWord;
            fn from_str(s: &str) -> Result<Self, UnknownWord> {
                match s {
                    $($text => Ok(Self::$variant),)+
                    _ => Err(UnknownWord { kind: $kind, given: s.to_owned(), known: Self::WORDS }),
                }
            }
        }
    };
}

closed_list! {
    /// A kind of test point.
    Signal, "signal" {
        /// Radio-frequency playback signal of the video heads.
        Rf = "rf",
        /// Square wave that says which head scans.
        HeadSwitch = "head-switch",
        /// Control pulses, one a frame, from the edge of the tape.
        ControlTrack = "control-track",
        /// Composite video.
        Video = "video",
        /// Linear audio, left or mono.
        AudioLeft = "audio-left",
        /// Linear audio, right.
        AudioRight = "audio-right",
        /// Pulses of the drum's generator.
        DrumPulse = "drum-pulse",
        /// Pulses of the capstan's generator.
        CapstanPulse = "capstan-pulse",
        /// The reference that the servos are locked to.
        Reference = "reference",
        /// A supply rail.
        Supply = "supply",
        /// Radio-frequency playback signal of the depth-recorded audio heads.
        HifiRf = "hifi-rf",
    }
}

closed_list! {
    /// What the transport does.
    Mode, "mode" {
        /// Tape at rest, drum at rest or slowing.
        Stop = "stop",
        /// Normal playback.
        Play = "play",
        /// Tape at rest, heads scanning it.
        Still = "still",
        /// One frame on, then still again.
        Advance = "advance",
        /// Picture search forwards.
        Cue = "cue",
        /// Picture search backwards.
        Review = "review",
        /// Fast winding forwards.
        FastForward = "fast-forward",
        /// Fast winding backwards.
        Rewind = "rewind",
        /// Recording: needs a tape declared scratch and a grant of its own.
        Record = "record",
    }
}

closed_list! {
    /// Which tape is being played.
    TapeKind, "tape kind" {
        /// A reference tape, recorded on a true path.
        Alignment = "alignment",
        /// Recorded on this machine.
        Own = "own",
        /// Recorded on another machine.
        Other = "other",
        /// Nobody knows.
        Unknown = "unknown",
    }
}

closed_list! {
    /// Where along the signal's way the probe sits.
    ProbePlace, "probe place" {
        /// Before automatic gain: level means something.
        BeforeAgc = "before-agc",
        /// After automatic gain: level says nothing.
        AfterAgc = "after-agc",
    }
}

closed_list! {
    /// What form the signal has at the point.
    SignalForm, "signal form" {
        /// The signal itself: RF as RF, video as video.
        Raw = "raw",
        /// A detector's output: the envelope itself.
        Detected = "detected",
        /// Pulses squared by an amplifier.
        Square = "square",
        /// Spike pairs straight off a tape head: the derivative of the recorded square.
        Spike = "spike",
    }
}

closed_list! {
    /// A verdict in one word. The order is from worst to best, as the whole is made from its parts.
    Outcome, "verdict" {
        /// The whole interval is beyond reject.
        Fail = "fail",
        /// It could not be measured: a code and a text say why.
        Unable = "unable",
        /// Reject lies inside the interval.
        Inconclusive = "inconclusive",
        /// Surely not reject, not surely good.
        Marginal = "marginal",
        /// The whole interval is good.
        Pass = "pass",
    }
}

impl Outcome {
    /// The worse of two: fail, unable, inconclusive, marginal, pass, in this order.
    #[must_use]
    pub fn worse(self, other: Self) -> Self {
        self.min(other)
    }
}

closed_list! {
    /// Why something could not be measured.
    UnableCode, "code of unable" {
        /// The trigger did not come before its deadline.
        NoTrigger = "no-trigger",
        /// The scope did not answer, or the link is gone.
        LinkLost = "link-lost",
        /// What came back was garbled, short, or late.
        BadData = "bad-data",
        /// The signal runs against the converter's end.
        Clipped = "clipped",
        /// The expected signal spans too few steps of the converter.
        TooFewSteps = "too-few-steps",
        /// The scope or the hookup cannot do what was asked.
        NotPossible = "not-possible",
        /// A signal that is needed is not hooked up.
        NotHookedUp = "not-hooked-up",
        /// Nothing was seen, and nothing proves that the probe would have shown it.
        ProbeNotProven = "probe-not-proven",
        /// A prompt got no answer in time.
        Unattended = "unattended",
        /// The operator declined.
        Declined = "declined",
        /// The curve changes from frame to frame, so its shape cannot be judged.
        NotSteady = "not-steady",
        /// The level does not stand clear of the noise.
        InNoise = "in-noise",
        /// The speed of the tape does not fit the recording.
        WrongSpeed = "wrong-speed",
        /// A signal that this measurement stands on is absent.
        SignalAbsent = "signal-absent",
        /// The transport did not reach the mode.
        ModeNotReached = "mode-not-reached",
        /// The tape's kind does not allow the question.
        WrongTape = "wrong-tape",
        /// The format has no such thing.
        NotInFormat = "not-in-format",
        /// Too little was seen to say anything.
        TooShort = "too-short",
        /// The point shows no level: it lies after automatic gain.
        LevelHidden = "level-hidden",
        /// The procedure was stopped by a limit, trapped, or contradicted itself.
        ProcedureFault = "procedure-fault",
        /// The run was cancelled.
        Cancelled = "cancelled",
    }
}

mod finding;
pub use finding::Finding;

closed_list! {
    /// Units that a measurement may have, in their UCUM code.
    Unit, "unit" {
        /// No unit: a ratio.
        One = "1",
        /// Volt.
        Volt = "V",
        /// Millivolt.
        Millivolt = "mV",
        /// Hertz.
        Hertz = "Hz",
        /// Second.
        Second = "s",
        /// Millisecond.
        Millisecond = "ms",
        /// Microsecond.
        Microsecond = "us",
        /// Per cent.
        Percent = "%",
        /// Decibel.
        Decibel = "dB",
        /// Degree of angle.
        Degree = "deg",
        /// Minute of arc.
        ArcMinute = "'",
        /// Times a minute.
        PerMinute = "/min",
        /// Micrometre.
        Micrometre = "um",
        /// Millimetre.
        Millimetre = "mm",
        /// Television lines, an arbitrary unit in UCUM's square brackets form.
        Line = "[line]",
    }
}

closed_list! {
    /// The physical dimension behind a unit.
    Dimension, "dimension" {
        /// Ratio.
        Ratio = "ratio",
        /// Voltage.
        Voltage = "voltage",
        /// Frequency.
        Frequency = "frequency",
        /// Time.
        Time = "time",
        /// Angle.
        Angle = "angle",
        /// Length.
        Length = "length",
    }
}

impl Unit {
    /// What the unit measures.
    #[must_use]
    pub const fn dimension(self) -> Dimension {
        match self {
            Self::One | Self::Percent | Self::Decibel => Dimension::Ratio,
            Self::Volt | Self::Millivolt => Dimension::Voltage,
            Self::Hertz | Self::PerMinute => Dimension::Frequency,
            Self::Second | Self::Millisecond | Self::Microsecond | Self::Line => Dimension::Time,
            Self::Degree | Self::ArcMinute => Dimension::Angle,
            Self::Micrometre | Self::Millimetre => Dimension::Length,
        }
    }
}

closed_list! {
    /// A hazard of the work. Each has a text that is shown before a procedure which meets it.
    Caution, "caution" {
        /// Cover off: mains parts may be within reach.
        Mains = "mains",
        /// A chassis that is not isolated from the mains.
        LiveChassis = "live-chassis",
        /// Capacitors that hold charge.
        Capacitors = "capacitors",
        /// A picture tube or its high tension.
        PictureTube = "picture-tube",
        /// A drum that turns, loading arms that move.
        MovingDrum = "moving-drum",
        /// Cleaning fluids.
        Solvents = "solvents",
        /// Battery packs.
        Batteries = "batteries",
        /// A tape that cannot be replaced.
        PreciousTape = "precious-tape",
    }
}
