//! The closed list of findings.

use super::UnknownWord;
use core::fmt;
use core::str::FromStr;
use serde::{Deserialize, Serialize};

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
        /// Not seen at the head, where noise may hide weak ones: weak or missing.
        ControlTrackHidden = "control-track.hidden",
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
        /// The two video heads have their tracking centre at different places.
        TrackingHeadsApart = "tracking.heads-apart",
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
        /// Noise bars in search are as many as the format's geometry says, and lie where it says.
        SearchAsPredicted = "search.as-predicted",
        /// Noise bars in search say another tape speed.
        SearchWrongSpeed = "search.wrong-speed",
        /// In search one head shows no tracks.
        SearchHeadMissing = "search.head-missing",
        /// In search one head's bars do not go on where the other's end.
        SearchPlacesOff = "search.places-off",
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
