//! Signals, tapes and probes that are missing, and what only looks like a fault.

use super::{AUDIO, BASE, Fault, NOT_PROVEN, NOTHING, REFERENCE, SAGS, SUPPLY, VIDEO};
use tapewright_formats::TapeKind::{Other, Own, Unknown};

pub(super) const FAULTS: &[Fault] = &[
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
];
