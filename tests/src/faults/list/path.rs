//! Heads, the tape's path, its drive, and its control pulses.

use super::{BASE, Fault, NOTHING, REFERENCE, SAGS};
use tapewright_formats::TapeKind::{Other, Own};

pub(super) const FAULTS: &[Fault] = &[
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
    Fault {
        name: "both heads weak alike",
        look_alike: "both heads dead, tracking off",
        commands: &["fault head-a-gain 0.3", "fault head-b-gain 0.3"],
        right: &["level-low"],
        wrong: &["rf-lost", "blank-tape", "tracking-off", "head-a-weak", "head-b-weak", "exit-guide", "entrance-guide"],
        ..BASE
    },
    Fault {
        name: "both heads very weak",
        look_alike: "both heads dead, blank tape",
        commands: &["fault head-a-gain 0.16", "fault head-b-gain 0.16"],
        tape: Own,
        right: &["level-low"],
        wrong: &["rf-lost", "blank-tape", "tracking-off", "head-a-weak", "head-b-weak"],
        ..BASE
    },
    Fault {
        name: "tracking far off",
        look_alike: "both heads weak alike",
        commands: &["fault tracking 0.75"],
        right: &["tracking-off"],
        wrong: &["rf-lost", "head-a-weak", "head-b-weak", "exit-guide", "entrance-guide"],
        ..BASE
    },
    Fault {
        name: "heads dead, amplifier's noise",
        look_alike: "RF there",
        commands: &["fault head-a-dead", "fault head-b-dead", "fault noise 0.02"],
        tape: Own,
        // Where the noise may hide RF nothing is decided.
        right: &["rf-lost", "no fault named: unable, in-noise"],
        wrong: &["video-lost", "level-low", "blank-tape", "still-unsteady", "play-unsteady"],
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
        // So much more than the RF should have may as well be a wrong probe: that is said first.
        right: &["no fault named: unable, in-noise", "no fault named: unable, bad-data"],
        wrong: &["head-a-weak", "head-b-weak", "level-low", "tracking-hunts", "tape-slip"],
        ..BASE
    },
];
