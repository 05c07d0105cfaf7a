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

closed_list! {
    /// A fact about the machine (or its hookup) that other procedures and the triage can use.
    Finding, "finding" {
        /// Proven absent.
        ControlTrackAbsent = "control-track.absent",
        /// Present and as expected.
        ControlTrackPresent = "control-track.present",
        /// Pulses missing more often than allowed.
        ControlTrackMissing = "control-track.missing-pulses",
        /// Level too low.
        ControlTrackWeak = "control-track.weak",
        /// Rate does not fit the format.
        ControlTrackWrongRate = "control-track.wrong-rate",
        /// Pulses there, but they do not keep their place to the head switch.
        ControlTrackNotLocked = "control-track.not-locked",
        /// Pulses of a shape that no recorder writes.
        ControlTrackWrongDuty = "control-track.wrong-duty",
        /// RF proven absent in every mode asked.
        RfAbsent = "rf.absent",
        /// RF present.
        RfPresent = "rf.present",
        /// What stands on the RF point swings slowly and far: no RF does.
        RfWrongShape = "rf.wrong-shape",
        /// RF present in still, gone or unsteady in play.
        RfUnsteadyInPlay = "rf.unsteady-in-play",
        /// RF steady in still.
        RfSteadyInStill = "rf.steady-in-still",
        /// Both heads reach their known level at rest.
        RfLevelInStill = "rf.level-in-still",
        /// RF steady in play.
        RfSteadyInPlay = "rf.steady-in-play",
        /// RF unsteady in still too.
        RfUnsteadyInStill = "rf.unsteady-in-still",
        /// Head A delivers nothing or far less than head B.
        HeadAWeak = "head-a.weak",
        /// Head B delivers nothing or far less than head A.
        HeadBWeak = "head-b.weak",
        /// Head switch proven absent.
        HeadSwitchAbsent = "head-switch.absent",
        /// Head switch present.
        HeadSwitchPresent = "head-switch.present",
        /// Head switch at a wrong rate: the drum is not at its speed.
        HeadSwitchWrongRate = "head-switch.wrong-rate",
        /// Video proven absent.
        VideoAbsent = "video.absent",
        /// Video present.
        VideoPresent = "video.present",
        /// Reference proven absent.
        ReferenceAbsent = "reference.absent",
        /// Reference present.
        ReferencePresent = "reference.present",
        /// Supply proven absent or far from its value.
        SupplyWrong = "supply.wrong",
        /// Supply within its limits.
        SupplyPresent = "supply.present",
        /// Audio present.
        AudioPresent = "audio.present",
        /// Audio proven absent.
        AudioAbsent = "audio.absent",
        /// Pulses of a motor's generator present.
        GeneratorPresent = "generator.present",
        /// Pulses of a motor's generator proven absent.
        GeneratorAbsent = "generator.absent",
        /// Tape slips steadily against the heads: one period, both heads together.
        TapeSlip = "tape.slip",
        /// Tracking servo hunts: slow, irregular, or reversing.
        TrackingHunting = "tracking.hunting",
        /// Envelope sags at the entrance.
        EnvelopeEntranceSag = "envelope.entrance-sag",
        /// Envelope sags at the exit.
        EnvelopeExitSag = "envelope.exit-sag",
        /// Envelope sags somewhere else.
        EnvelopeMiddleSag = "envelope.middle-sag",
        /// Envelope flat.
        EnvelopeFlat = "envelope.flat",
        /// A sag on a tape that cannot tell machine from recording.
        MachineOrTape = "envelope.machine-or-tape",
        /// Speed of the tape does not fit the recording.
        WrongTapeSpeed = "tape.wrong-speed",
        /// No control pulses off this tape, and another tape gives them.
        TapeNoControlTrack = "tape.no-control-track",
        /// No RF off this tape, and another tape gives it.
        TapeNoRf = "tape.no-rf",
        /// Both heads far below the known level.
        LevelLow = "envelope.level-low",
        /// A switching edge lies too many lines before vertical sync.
        HeadSwitchEarly = "head-switch.early",
        /// A switching edge lies too near vertical sync, or after it.
        HeadSwitchLate = "head-switch.late",
        /// The two switching edges lie at different places.
        HeadSwitchUneven = "head-switch.uneven",
        /// The switching edges do not keep their place to the video.
        HeadSwitchJitter = "head-switch.jitter",
        /// A switching point off its place on a tape that cannot tell machine from recording.
        HeadSwitchMachineOrTape = "head-switch.machine-or-tape",
        /// Switching point where it belongs.
        HeadSwitchOnPoint = "head-switch.on-point",
        /// Drum keeps its phase to the reference.
        DrumLocked = "drum.locked",
        /// Drum runs at another rate than the reference.
        DrumNotLocked = "drum.not-locked",
        /// Drum's phase swings to and fro slowly.
        DrumHunting = "drum.hunting",
        /// Drum's phase scatters at random by too much.
        DrumJitter = "drum.jitter",
        /// Tape keeps its phase to the heads.
        CapstanLocked = "capstan.locked",
        /// Tape's phase scatters at random by too much.
        CapstanJitter = "capstan.jitter",
        /// Level is greatest where the tracking control stands at its centre.
        TrackingCentred = "tracking.centred",
        /// Level is greatest away from the centre of the tracking control.
        TrackingOffCentre = "tracking.off-centre",
        /// Level falls unevenly on the two sides of the tracking centre.
        TrackingUneven = "tracking.uneven",
        /// Sync pulses smaller than they should be.
        VideoSyncLow = "video.sync-low",
        /// Video far from its level, sync and burst alike.
        VideoLevelWrong = "video.level-wrong",
        /// Burst away from its level, sync as it should be.
        VideoBurstWrong = "video.burst-wrong",
        /// Black far from its right place over blanking.
        VideoBlackWrong = "video.black-wrong",
        /// Lines do not keep their time.
        VideoTimeBase = "video.time-base",
        /// Vertical sync or the number of lines is not that of the standard.
        VideoFieldWrong = "video.field-structure",
        /// Levels and timing of the video as they should be.
        VideoRight = "video.right",
        /// Noise bars in search are as many as the format's geometry says.
        SearchAsPredicted = "search.as-predicted",
        /// Noise bars in search say another tape speed.
        SearchWrongSpeed = "search.wrong-speed",
        /// In search one head shows no tracks.
        SearchHeadMissing = "search.head-missing",
        /// The entrance guide holds the tape too high.
        EntranceGuideHigh = "entrance-guide.high",
        /// The entrance guide holds the tape too low.
        EntranceGuideLow = "entrance-guide.low",
        /// The exit guide holds the tape too high.
        ExitGuideHigh = "exit-guide.high",
        /// The exit guide holds the tape too low.
        ExitGuideLow = "exit-guide.low",
        /// The same dip of the level on both sides of the tracking: contact, tension or dirt.
        ContactDip = "contact.dip",
        /// More dropouts than allowed.
        DropoutsMany = "dropouts.many",
        /// The audio head leans.
        AzimuthOff = "audio-azimuth.off",
        /// The audio and control head stands too high or too low.
        AudioHeadHeight = "audio-head.height",
        /// The level of the linear sound does not keep steady.
        AudioLevelUnsteady = "audio-head.unsteady",
        /// The tape's speed wavers at the audio head by more than allowed.
        FlutterHigh = "flutter.high",
        /// The largest flutter line turns with the drum.
        FlutterDrum = "flutter.drum",
        /// The largest flutter line turns with the capstan.
        FlutterCapstan = "flutter.capstan",
        /// The largest flutter line turns with a reel.
        FlutterReel = "flutter.reel",
        /// Rail ripples at the mains frequency.
        RippleMains = "supply.ripple-mains",
        /// Rail ripples at twice the mains frequency.
        RippleTwiceMains = "supply.ripple-twice-mains",
        /// Rail ripples at a switching frequency.
        RippleSwitching = "supply.ripple-switching",
        /// Rail ripples at another frequency.
        RippleOther = "supply.ripple-other",
        /// A carrier of the FM sound lies off its frequency.
        HifiOffFrequency = "hifi.off-frequency",
        /// The carriers of the FM sound differ in level.
        HifiUnbalanced = "hifi.unbalanced",
        /// One audio head on the drum delivers far less than the other.
        HifiHeadWeak = "hifi.head-weak",
        /// The audio heads' envelope sags.
        HifiSag = "hifi.sag",
        /// Both pilot beats stand equal: the heads are centred.
        PilotsCentred = "pilots.centred",
        /// Both heads lie off their tracks to the same side.
        PilotsOffTrack = "pilots.off-track",
        /// One head lies off its tracks, the other does not.
        PilotsOneHead = "pilots.one-head-off",
        /// Head A plays its own recording far below the reference tape.
        HeadARecordsWeak = "head-a.records-weak",
        /// Head B plays its own recording far below the reference tape.
        HeadBRecordsWeak = "head-b.records-weak",
        /// One recording shows another envelope on another machine, or at another visit.
        InterchangeDiffers = "interchange.differs",
        /// A scrap tape went through and came out unharmed.
        TapeSafe = "tape.safe",
        /// The tape came out harmed.
        TapeHarmed = "tape.harmed",
        /// An edge of the tape curls or rides up at a guide.
        TapeEdgeCurls = "tape.edge-curls",
        /// The take-up reel does not take all the tape: a loop.
        TakeUpWeak = "take-up.weak",
        /// The back tension swings or is slack.
        TensionUnsteady = "tension.unsteady",
        /// Winding stalls or packs unevenly.
        WindsUneven = "transport.winds-uneven",
    }
}

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
