//! The faults, each with what it is easily taken for. Sizes are such that a technician would call it a fault;
//! which sign belongs to which fault: common practice, no source.

use super::{Fault, Hookup};
use tapewright_formats::TapeKind::{Alignment, Other, Own, Unknown};

const BASE: Fault = Fault {
    name: "",
    look_alike: "",
    commands: &[],
    machine: "",
    tape: Alignment,
    recorded: "",
    operator: "",
    hookup: Hookup::Modest,
    sequence: "first-look",
    right: &[],
    wrong: &[],
};

/// Four channels, the video output on the fourth.
const VIDEO: Hookup = Hookup::Large("video", 1000);
/// Four channels, the servos' reference on the fourth.
const REFERENCE: Hookup = Hookup::Large("reference", 5000);
/// Four channels, a supply rail of 12 V on the fourth.
const SUPPLY: Hookup = Hookup::Large("supply", 12_000);
/// Four channels, the left sound on the fourth: 0.3 V RMS.
const AUDIO: Hookup = Hookup::Large("audio-left", 850);

/// What is said of a machine without a fault.
const NOTHING: &[&str] = &["no fault named: pass", "no fault named: marginal"];
/// What is said where a probe did not show a known signal.
const NOT_PROVEN: &str = "no fault named: unable, probe-not-proven";
/// Conclusions that blame the tape path.
const SAGS: &[&str] = &["exit-guide", "entrance-guide", "machine-or-tape"];

/// Every fault.
pub const FAULTS: &[Fault] = &[
    // Nothing wrong with the machine, and what makes it look so.
    Fault { name: "nothing", look_alike: "-", right: NOTHING, wrong: SAGS, ..BASE },
    Fault {
        name: "bright picture bottom",
        look_alike: "exit guide off",
        tape: Own,
        recorded: "picture = \"bright-bottom\"",
        right: NOTHING,
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "bright picture bottom, other tape",
        look_alike: "exit guide off",
        tape: Other,
        recorded: "picture = \"bright-bottom\"",
        // Flat, but such a tape clears no path: the guides stay open.
        right: &["no fault named: pass", "no fault named: marginal", "no fault named: unable, wrong-tape"],
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "RF probe fell off, put back when asked",
        look_alike: "head amplifier dead",
        commands: &["probe CH1 open"],
        right: NOTHING,
        wrong: &["rf-lost"],
        ..BASE
    },
    // What is missing.
    Fault {
        name: "control pulses lost at a contact",
        look_alike: "tape without control track",
        commands: &["fault control-contact-open"],
        tape: Own,
        right: &["control-track-lost"],
        wrong: &["tape-slip", "tape-without-control-track"],
        ..BASE
    },
    Fault {
        name: "tape without control track",
        look_alike: "control pulses lost at a contact",
        tape: Unknown,
        recorded: "control_track = false",
        right: &["tape-without-control-track"],
        wrong: &["control-track-lost", "tape-slip"],
        ..BASE
    },
    Fault {
        name: "tape not at the heads",
        look_alike: "both heads dead",
        commands: &["fault blank-tape"],
        tape: Unknown,
        right: &["blank-tape-or-no-signal"],
        wrong: &["rf-lost", "control-track-lost"],
        ..BASE
    },
    Fault {
        name: "blank tape",
        look_alike: "both heads dead",
        tape: Unknown,
        recorded: "blank = true",
        right: &["blank-tape"],
        wrong: &["rf-lost", "control-track-lost"],
        ..BASE
    },
    Fault {
        name: "both heads dead",
        look_alike: "blank tape",
        commands: &["fault head-a-dead", "fault head-b-dead"],
        tape: Unknown,
        right: &["rf-lost"],
        wrong: &["blank-tape-or-no-signal", "blank-tape"],
        ..BASE
    },
    Fault {
        name: "head amplifier dead",
        look_alike: "RF probe off",
        commands: &["fault preamp-dead"],
        right: &["rf-lost"],
        wrong: &[NOT_PROVEN, "blank-tape-or-no-signal"],
        ..BASE
    },
    Fault {
        name: "heads dead, machine mutes its video",
        look_alike: "video there, so RF there",
        commands: &["fault head-a-dead", "fault head-b-dead"],
        hookup: VIDEO,
        right: &["rf-lost"],
        wrong: &["video-lost"],
        ..BASE
    },
    Fault {
        name: "RF probe broken",
        look_alike: "head amplifier dead",
        commands: &["probe CH1 rf 1000"],
        right: &[NOT_PROVEN],
        wrong: &["rf-lost"],
        ..BASE
    },
    Fault {
        name: "RF probe off, nobody moves it",
        look_alike: "head amplifier dead",
        commands: &["probe CH1 open"],
        operator: "[operator.answers]\nprobe-proof = \"cannot\"",
        right: &[NOT_PROVEN],
        wrong: &["rf-lost"],
        ..BASE
    },
    Fault {
        name: "RF probe on the head switch's point",
        look_alike: "RF there and strong",
        commands: &["probe CH1 head-switch"],
        right: &["probe-on-wrong-point"],
        wrong: &["rf-lost", "no fault named: pass"],
        ..BASE
    },
    Fault {
        name: "RF probe on the control pulses' point",
        look_alike: "head amplifier dead",
        commands: &["probe CH1 control-track"],
        right: &["probe-on-wrong-point"],
        wrong: &["rf-lost", "blank-tape-or-no-signal"],
        ..BASE
    },
    Fault {
        name: "head switch lost",
        look_alike: "one head dead",
        commands: &["fault head-switch-dead"],
        right: &["head-switch-lost"],
        wrong: &["head-a-weak", "head-b-weak"],
        ..BASE
    },
    Fault {
        name: "servo reference missing",
        look_alike: "control pulses missing",
        commands: &["fault reference-missing"],
        hookup: REFERENCE,
        right: &["reference-lost"],
        wrong: &["control-track-lost", "control-pulses-missing", "tape-slip"],
        ..BASE
    },
    Fault {
        name: "control pulses lost, reference there",
        look_alike: "servo reference missing",
        commands: &["fault control-contact-open"],
        hookup: REFERENCE,
        right: &["control-track-lost"],
        wrong: &["reference-lost"],
        ..BASE
    },
    Fault {
        name: "supply rail low",
        look_alike: "servo or motor fault",
        commands: &["fault supply 8.5"],
        hookup: SUPPLY,
        right: &["supply-wrong"],
        wrong: &["tape-slip", "drum-off-speed"],
        ..BASE
    },
    Fault {
        name: "no sound",
        look_alike: "blank tape",
        commands: &["fault audio-dead"],
        tape: Own,
        hookup: AUDIO,
        right: &["audio-lost"],
        wrong: &["blank-tape", "blank-tape-or-no-signal"],
        ..BASE
    },
    Fault {
        name: "no video comes out",
        look_alike: "heads dead",
        commands: &["fault video-dead"],
        tape: Own,
        hookup: VIDEO,
        right: &["video-lost"],
        wrong: &["rf-lost", "blank-tape"],
        ..BASE
    },
    // Heads.
    Fault {
        name: "head A weak",
        look_alike: "a guide off",
        commands: &["fault head-a-gain 0.3"],
        right: &["head-a-weak"],
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "head B weak",
        look_alike: "a guide off",
        commands: &["fault head-b-gain 0.3"],
        right: &["head-b-weak"],
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "head A dead",
        look_alike: "head switch lost",
        commands: &["fault head-a-dead"],
        right: &["head-a-weak"],
        wrong: &["head-switch-lost", "rf-lost"],
        ..BASE
    },
    Fault {
        name: "head B dead",
        look_alike: "head switch lost",
        commands: &["fault head-b-dead"],
        right: &["head-b-weak"],
        wrong: &["head-switch-lost", "rf-lost"],
        ..BASE
    },
    Fault {
        name: "head A dirty",
        look_alike: "a guide off",
        commands: &["fault head-a-dirt 0.35"],
        right: &["head-a-weak"],
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "both heads clogged",
        look_alike: "blank tape",
        commands: &["fault head-a-dirt 1.0", "fault head-b-dirt 1.0"],
        tape: Own,
        right: &["rf-lost", "level-low"],
        wrong: &["blank-tape", "blank-tape-or-no-signal"],
        ..BASE
    },
    // The path.
    Fault {
        name: "exit guide off",
        look_alike: "late head switch, bright bottom",
        commands: &["fault exit-guide 38"],
        right: &["exit-guide"],
        wrong: &["head-a-weak", "head-b-weak", "wrong-tape-speed"],
        ..BASE
    },
    Fault {
        name: "entrance guide off",
        look_alike: "early head switch",
        commands: &["fault entrance-guide 38"],
        right: &["entrance-guide"],
        wrong: &["head-a-weak", "head-b-weak", "wrong-tape-speed"],
        ..BASE
    },
    Fault {
        name: "bent path, other tape",
        look_alike: "bent recording",
        commands: &["fault exit-guide 38"],
        tape: Other,
        right: &["machine-or-tape"],
        wrong: &["exit-guide"],
        ..BASE
    },
    Fault {
        name: "bent recording, path true",
        look_alike: "bent path",
        tape: Other,
        recorded: "recorded_on = { exit_um = 38.0 }",
        right: &["machine-or-tape"],
        wrong: &["exit-guide"],
        ..BASE
    },
    Fault {
        name: "tape lifts in the middle",
        look_alike: "a guide off",
        commands: &["fault middle-lift 0.25"],
        right: &["contact-in-the-middle"],
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "late head switch, video not looked at",
        look_alike: "exit guide off",
        commands: &["fault head-switch-lines 0.5"],
        // Both heads read around the switching, so the envelope does not show it; it must not look like a sag either.
        right: NOTHING,
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "early head switch, video not looked at",
        look_alike: "entrance guide off",
        commands: &["fault head-switch-lines 24"],
        right: NOTHING,
        wrong: SAGS,
        ..BASE
    },
    Fault {
        name: "bad contact in the drum",
        look_alike: "tape slips, tracking hunts",
        commands: &["fault brush 0.35"],
        right: &["still-unsteady"],
        wrong: &["tape-slip", "tracking-hunts", "play-unsteady", "not-locked"],
        ..BASE
    },
    // The tape's drive.
    Fault {
        name: "capstan free although pulses are there",
        look_alike: "tracking hunts",
        commands: &["fault capstan-free 0.008"],
        right: &["tape-slip"],
        wrong: &["tracking-hunts", "control-track-lost"],
        ..BASE
    },
    Fault {
        name: "capstan free, slow",
        look_alike: "tracking hunts",
        commands: &["fault capstan-free -0.003"],
        right: &["tape-slip"],
        wrong: &["tracking-hunts", "control-track-lost", "tape-speed-off"],
        ..BASE
    },
    Fault {
        name: "tracking hunts",
        look_alike: "tape slips",
        commands: &["fault hunting 0.6"],
        right: &["tracking-hunts"],
        wrong: &["tape-slip"],
        ..BASE
    },
    Fault {
        name: "machine at half the tape's speed",
        look_alike: "exit guide off, slip",
        commands: &["fault wrong-tape-speed 0.5"],
        right: &["wrong-tape-speed"],
        wrong: &["exit-guide", "entrance-guide", "machine-or-tape", "tape-slip"],
        ..BASE
    },
    Fault {
        name: "drum off its speed",
        look_alike: "tape slips",
        commands: &["fault drum-unlocked 0.04"],
        hookup: REFERENCE,
        right: &["drum-off-speed"],
        wrong: &["tape-slip", "tape-speed-off", "reference-lost"],
        ..BASE
    },
    Fault {
        name: "keys do nothing",
        look_alike: "blank tape",
        commands: &["fault transport-stuck"],
        right: &["nothing-moves"],
        wrong: &["blank-tape", "blank-tape-or-no-signal", "rf-lost"],
        ..BASE
    },
    // Control pulses that are there.
    Fault {
        name: "control pulses weak",
        look_alike: "control pulses missing",
        commands: &["fault control-weak 0.25"],
        right: &["control-track-weak"],
        wrong: &["control-track-lost", "control-pulses-missing"],
        ..BASE
    },
    Fault {
        name: "control pulses drop out",
        look_alike: "control pulses lost",
        commands: &["fault control-missing 0.2"],
        right: &["control-pulses-missing"],
        wrong: &["control-track-lost", "wrong-tape-speed", "tape-speed-off", "tape-slip"],
        ..BASE
    },
    Fault {
        name: "control pulses of a wrong shape",
        look_alike: "index marks",
        machine: "[machine.control]\nduty = 0.85",
        right: &["control-pulse-shape"],
        wrong: &["control-track-lost", "control-track-weak"],
        ..BASE
    },
    // Noise.
    Fault {
        name: "noise drowns the RF",
        look_alike: "weak heads",
        commands: &["fault noise 0.3"],
        right: &["no fault named: unable, in-noise"],
        wrong: &["head-a-weak", "head-b-weak", "level-low", "tracking-hunts", "tape-slip"],
        ..BASE
    },
];
