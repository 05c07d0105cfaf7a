//! Faults that one procedure exists for, each beside what looks like it at the same test point.

use super::{BASE, Fault, SAGS};
use crate::faults::Hookup;
use tapewright_formats::TapeKind::Other;

/// Video on a channel, the head switch on the input that only triggers.
const VIDEO: Hookup = Hookup::Probes(
    "[scope.probes.CH1]\npoint = \"video\"\nfactor = 1\nexpected_v = 1.6\n[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10\nexpected_v = 5.0\n",
);
/// The servos' reference on a channel, the head switch on the input that only triggers.
const SERVO: Hookup = Hookup::Probes(
    "[scope.probes.CH1]\npoint = \"reference\"\nfactor = 10\nexpected_v = 5.0\n[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10\nexpected_v = 5.0\n",
);
/// A supply rail on a channel.
const RAIL: Hookup = Hookup::Probes("[scope.probes.CH1]\npoint = \"supply\"\nfactor = 1\n");
/// Both channels of sound.
const SOUND: Hookup = Hookup::Probes(
    "[scope.probes.CH1]\npoint = \"audio-left\"\nfactor = 1\nexpected_v = 1.3\n[scope.probes.CH2]\npoint = \"audio-right\"\nfactor = 1\nexpected_v = 1.3\n",
);
/// FM sound carriers on a channel, the head switch on the input that only triggers.
const HIFI: Hookup = Hookup::Probes(
    "[scope.probes.CH1]\npoint = \"hifi-rf\"\nfactor = 1\nexpected_v = 0.25\n[scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 1\nexpected_v = 5.0\n",
);

/// A machine whose audio head and roller can be heard.
const AUDIO_PART: &str = "[machine.audio]\ntone_hz = 1000.0\nsecond_tone_hz = 6000.0\nnoise_v = 0.002\nweave_min = 0.3\noffset_v = 0.02\nhum_v = 0.004\ncapstan_hz = 3.5\nreel_hz = 0.6";
const TONE: &str = "[operator.adjust]\nflutter-tone = [\"fault audio-tone 3150\"]";
/// The height nut is turned past the peak of the levels and back; in one case to where it stood.
const NUT_LEFT_HIGH: &str = "[operator.adjust]\nheight-1 = [\"fault audio-height 260\"]\nheight-2 = [\"fault audio-height 0\"]\nheight-3 = [\"fault audio-height -150\"]\nheight-4 = [\"fault audio-height 190\"]";
const NUT_AT_ITS_PEAK: &str = "[operator.adjust]\nheight-1 = [\"fault audio-height 150\"]\nheight-2 = [\"fault audio-height 0\"]\nheight-3 = [\"fault audio-height -150\"]\nheight-4 = [\"fault audio-height 0\"]";
const RIPPLE_PART: &str =
    "[machine.supply]\nrail_v = 12.0\nripple_v = 0.02\nripple_hz = 120.0\nswitching_v = 0.02\nswitching_hz = 71300.0";
const TO_THE_SIDES: &str = "[operator.adjust]\ntracking-centre = [\"clear tracking\"]\ntracking-one-side = [\"fault tracking 0.4\"]\ntracking-other-side = [\"fault tracking -0.4\"]\nadjust-guides = []";
const STEPS: &str = "[operator.adjust]\ntracking-detent = [\"fault tracking 0\"]\ntracking-1 = [\"fault tracking -0.6\"]\ntracking-2 = [\"fault tracking -0.45\"]\ntracking-3 = [\"fault tracking -0.3\"]\ntracking-4 = [\"fault tracking -0.15\"]\ntracking-5 = [\"fault tracking 0.02\"]\ntracking-6 = [\"fault tracking 0.15\"]\ntracking-7 = [\"fault tracking 0.3\"]\ntracking-8 = [\"fault tracking 0.45\"]\ntracking-9 = [\"fault tracking 0.6\"]\ntracking-back = [\"fault tracking 0\"]";

/// Conclusions of the guides.
const GUIDES: &[&str] = &["entrance-guide-low", "entrance-guide-high", "exit-guide-low", "exit-guide-high"];

/// RF, control pulses, head switch and video: both look-alikes can be said.
const BOTH: Fault = Fault { hookup: Hookup::Large("video", 1600), sequence: "switch-and-sag.toml", ..BASE };
const SWITCH: Fault = Fault { hookup: VIDEO, sequence: "head-switch-point", ..BASE };
const LEVELS: Fault = Fault { hookup: VIDEO, sequence: "video-levels", ..BASE };
const DRUM: Fault = Fault { hookup: SERVO, sequence: "drum-lock", tape: Other, ..BASE };
const GUIDE: Fault = Fault { sequence: "guide-adjust", recorded: "picture = \"grey\"", operator: TO_THE_SIDES, ..BASE };
const SUPPLY: Fault = Fault { hookup: RAIL, sequence: "rail.toml", machine: RIPPLE_PART, ..BASE };
const FLUTTER: Fault = Fault { hookup: SOUND, sequence: "sound.toml", machine: AUDIO_PART, operator: TONE, ..BASE };
const CARRIERS: Fault = Fault { hookup: HIFI, sequence: "hifi-carriers", machine: "hifi = true", tape: Other, ..BASE };

pub(super) const FAULTS: &[Fault] = &[
    Fault {
        name: "heads switched late",
        look_alike: "exit guide off",
        commands: &["fault head-switch-lines 2"],
        right: &["head-switch-late"],
        wrong: SAGS,
        ..BOTH
    },
    Fault {
        name: "heads switched early",
        look_alike: "entrance guide off",
        commands: &["fault head-switch-lines 14"],
        right: &["head-switch-early"],
        wrong: SAGS,
        ..BOTH
    },
    Fault {
        name: "exit guide off, video looked at",
        look_alike: "heads switched late",
        commands: &["fault exit-guide 38"],
        right: &["exit-guide"],
        wrong: &["head-switch-late", "head-switch-uneven", "head-a-weak", "head-b-weak"],
        ..BOTH
    },
    Fault {
        name: "entrance guide off, video looked at",
        look_alike: "heads switched early",
        commands: &["fault entrance-guide 38"],
        right: &["entrance-guide"],
        wrong: &["head-switch-early", "head-switch-uneven", "head-a-weak", "head-b-weak"],
        ..BOTH
    },
    Fault {
        name: "one head switched early",
        look_alike: "heads switched early",
        commands: &["fault head-switch-b 3"],
        right: &["head-switch-uneven"],
        wrong: &["head-switch-early", "head-switch-late", "head-switch-jitter"],
        ..SWITCH
    },
    Fault {
        name: "switching scatters",
        look_alike: "heads switched late",
        commands: &["fault head-switch-jitter 1e-4"],
        right: &["head-switch-jitter"],
        wrong: &["head-switch-early", "head-switch-late", "head-switch-uneven"],
        ..SWITCH
    },
    Fault {
        name: "sync clipped",
        look_alike: "video too low",
        commands: &["fault video-sync 0.5"],
        right: &["video-sync-clipped"],
        wrong: &["video-level", "video-burst"],
        ..LEVELS
    },
    Fault {
        name: "video too low",
        look_alike: "sync clipped",
        commands: &["fault video-gain 0.5"],
        right: &["video-level"],
        wrong: &["video-sync-clipped", "video-burst"],
        ..LEVELS
    },
    Fault {
        name: "burst too low",
        look_alike: "video too low",
        commands: &["fault video-burst 0.35"],
        right: &["video-burst"],
        wrong: &["video-level", "video-sync-clipped"],
        ..LEVELS
    },
    Fault {
        name: "black moved",
        look_alike: "video too low",
        commands: &["fault video-set-up 0.08"],
        recorded: "picture = \"bars\"",
        sequence: "known-picture.toml",
        right: &["video-black"],
        wrong: &["video-level", "video-sync-clipped", "video-burst"],
        ..LEVELS
    },
    Fault {
        name: "drum hunts",
        look_alike: "drum jitters, drum not locked",
        commands: &["fault drum-hunting 6e-4"],
        right: &["drum-hunts"],
        wrong: &["drum-jitters", "drum-not-locked"],
        ..DRUM
    },
    Fault {
        name: "drum a little off its rate",
        look_alike: "drum hunts",
        commands: &["fault drum-unlocked 0.003"],
        right: &["drum-not-locked"],
        wrong: &["drum-jitters", "drum-hunts"],
        ..DRUM
    },
    Fault {
        name: "drum jitters",
        look_alike: "drum hunts",
        commands: &["fault head-switch-jitter 4e-5"],
        right: &["drum-jitters"],
        wrong: &["drum-hunts", "drum-not-locked"],
        ..DRUM
    },
    Fault {
        name: "audio and control head out of place",
        look_alike: "a guide off",
        commands: &["fault x-position 0.15"],
        recorded: "picture = \"grey\"",
        operator: STEPS,
        sequence: "tracking-centre",
        right: &["x-position"],
        wrong: &["tracking-uneven"],
        ..BASE
    },
    Fault {
        name: "entrance guide too low",
        look_alike: "entrance guide too high",
        commands: &["fault entrance-guide 36"],
        right: &["entrance-guide-low"],
        wrong: &["entrance-guide-high", "exit-guide-low", "exit-guide-high", "contact-dip"],
        ..GUIDE
    },
    Fault {
        name: "entrance guide too high",
        look_alike: "entrance guide too low",
        commands: &["fault entrance-guide -36"],
        right: &["entrance-guide-high"],
        wrong: &["entrance-guide-low", "exit-guide-low", "exit-guide-high", "contact-dip"],
        ..GUIDE
    },
    Fault {
        name: "exit guide too low",
        look_alike: "exit guide too high",
        commands: &["fault exit-guide 36"],
        right: &["exit-guide-low"],
        wrong: &["exit-guide-high", "entrance-guide-low", "entrance-guide-high", "contact-dip"],
        ..GUIDE
    },
    Fault {
        name: "exit guide too high",
        look_alike: "dirt on the drum",
        commands: &["fault exit-guide -36"],
        right: &["exit-guide-high"],
        wrong: &["exit-guide-low", "entrance-guide-low", "entrance-guide-high", "contact-dip"],
        ..GUIDE
    },
    Fault {
        name: "dirt on the drum near the exit",
        look_alike: "exit guide off",
        commands: &["fault contact-dip 0.5"],
        right: &["contact-dip"],
        wrong: GUIDES,
        ..GUIDE
    },
    Fault {
        name: "ripple at twice the mains",
        look_alike: "ripple at the mains",
        commands: &["fault ripple 0.8"],
        right: &["supply-ripple-twice-mains"],
        wrong: &["supply-ripple-mains", "supply-ripple-switching"],
        ..SUPPLY
    },
    Fault {
        name: "half of the rectifier open",
        look_alike: "ripple at twice the mains",
        commands: &["fault ripple 0.8", "fault ripple-frequency 60"],
        right: &["supply-ripple-mains"],
        wrong: &["supply-ripple-twice-mains", "supply-ripple-switching"],
        ..SUPPLY
    },
    Fault {
        name: "converter's capacitors dry",
        look_alike: "ripple at the mains",
        commands: &["fault switching-ripple 0.8"],
        right: &["supply-ripple-switching"],
        wrong: &["supply-ripple-twice-mains", "supply-ripple-mains"],
        ..SUPPLY
    },
    Fault {
        name: "pinch roller out of round",
        look_alike: "a reel that drags",
        commands: &["fault flutter-capstan 0.8"],
        right: &["flutter-capstan"],
        wrong: &["flutter-reel", "flutter-drum"],
        ..FLUTTER
    },
    Fault {
        name: "a reel that drags",
        look_alike: "pinch roller out of round",
        commands: &["fault flutter-reel 1.55"],
        right: &["flutter-reel"],
        wrong: &["flutter-capstan", "flutter-drum"],
        ..FLUTTER
    },
    Fault {
        name: "audio head leans",
        look_alike: "audio head dirty",
        commands: &["fault audio-azimuth 8"],
        sequence: "audio-azimuth",
        right: &["audio-azimuth"],
        wrong: &["audio-lost"],
        ..FLUTTER
    },
    Fault {
        name: "audio head too high",
        look_alike: "audio head leans",
        commands: &["fault audio-height 190"],
        operator: NUT_LEFT_HIGH,
        sequence: "audio-head",
        right: &["audio-head-height"],
        wrong: &["audio-azimuth", "audio-lost", "audio-head-tilt"],
        ..FLUTTER
    },
    Fault {
        name: "audio head tilted",
        look_alike: "audio head too high",
        commands: &["fault audio-tilt 120"],
        operator: NUT_AT_ITS_PEAK,
        sequence: "audio-head",
        right: &["audio-head-tilt"],
        wrong: &["audio-head-height", "audio-lost", "audio-azimuth"],
        ..FLUTTER
    },
    Fault {
        name: "tape full of dropouts",
        look_alike: "tape slips",
        commands: &["fault dropouts 200"],
        tape: Other,
        hookup: Hookup::Large("video", 1000),
        sequence: "dropouts",
        right: &["dropouts"],
        wrong: &["tape-slip", "play-unsteady"],
        ..BASE
    },
    Fault {
        name: "search at a wrong speed",
        look_alike: "one head dead",
        commands: &["fault search-speed 4"],
        tape: Other,
        sequence: "search.toml",
        right: &["search-speed"],
        wrong: &["head-a-weak", "head-b-weak"],
        ..BASE
    },
    Fault {
        name: "one audio head on the drum weak",
        look_alike: "one sound carrier weak",
        commands: &["fault hifi-head-b 0.4"],
        right: &["hifi-head-weak"],
        wrong: &["hifi-carrier-weak", "hifi-off-frequency"],
        ..CARRIERS
    },
    Fault {
        name: "one sound carrier weak",
        look_alike: "one audio head weak",
        commands: &["fault hifi-left 0.3"],
        right: &["hifi-carrier-weak"],
        wrong: &["hifi-head-weak", "hifi-off-frequency"],
        ..CARRIERS
    },
    Fault {
        name: "sound carriers off frequency",
        look_alike: "one sound carrier weak",
        commands: &["fault hifi-off 40000"],
        right: &["hifi-off-frequency"],
        wrong: &["hifi-head-weak", "hifi-carrier-weak"],
        ..CARRIERS
    },
    Fault {
        name: "one video head out of height",
        look_alike: "audio and control head out of place",
        commands: &["fault head-b-height 24"],
        recorded: "picture = \"grey\"",
        operator: STEPS,
        sequence: "tracking-centre",
        right: &["video-heads-apart"],
        wrong: &["x-position", "tracking-uneven"],
        ..BASE
    },
];
