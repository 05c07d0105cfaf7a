//! Machines for `first-look`: faults with their look-alikes, and machines near a limit.

use super::{Case, Random, near_a_limit};
use crate::bench::{Bounds, Play};
use std::collections::BTreeMap;
use std::fmt::Write;
use tapewright_formats::relations::pitch_um;
use tapewright_formats::{TapeKind, format_named};

/// The sequence.
pub(super) const NAME: &str = "first-look";

/// A fault of the table.
struct Fault {
    name: &'static str,
    right: &'static [&'static str],
    /// Commands, with `{}` for a drawn value.
    command: &'static str,
    range: (f64, f64),
    /// Tape that it is looked at with; none: any.
    tape: Option<TapeKind>,
    /// Needs the head switch on a sampled channel.
    large: bool,
}

const fn fault(name: &'static str, right: &'static [&'static str], command: &'static str) -> Fault {
    Fault { name, right, command, range: (0.0, 0.0), tape: None, large: false }
}

/// Faults with their look-alikes. Values are invented; sizes are such that a technician would call it a fault.
const FAULTS: &[Fault] = &[
    fault("healthy", &[], ""),
    fault("control pulses lost", &["control-track-lost", "control-track-weak-or-lost"], "fault control-contact-open"),
    fault("blank tape", &["blank-tape-or-no-signal"], "fault blank-tape"),
    fault("head amplifier dead", &["rf-lost"], "fault preamp-dead"),
    Fault { range: (0.1, 0.45), ..fault("head A weak", &["head-a-weak"], "fault head-a-gain {}") },
    Fault { range: (0.1, 0.45), ..fault("head B weak", &["head-b-weak"], "fault head-b-gain {}") },
    Fault {
        range: (32.0, 44.0),
        tape: Some(TapeKind::Alignment),
        ..fault("exit guide off", &["exit-guide"], "fault exit-guide {}")
    },
    Fault {
        range: (32.0, 44.0),
        tape: Some(TapeKind::Alignment),
        ..fault("entrance guide off", &["entrance-guide"], "fault entrance-guide {}")
    },
    Fault {
        range: (32.0, 44.0),
        tape: Some(TapeKind::Other),
        ..fault("bent path, other tape", &["machine-or-tape"], "fault exit-guide {}")
    },
    Fault { range: (0.004, 0.012), ..fault("capstan runs free", &["tape-slip"], "fault capstan-free {}") },
    Fault { range: (0.45, 0.8), ..fault("tracking hunts", &["tracking-hunts"], "fault hunting {}") },
    fault("head switch lost", &["head-switch-lost"], "fault head-switch-dead"),
    Fault {
        range: (0.025, 0.06),
        large: true,
        ..fault("drum off speed", &["drum-off-speed"], "fault drum-unlocked {}")
    },
    Fault { range: (0.45, 0.55), ..fault("wrong tape speed", &["wrong-tape-speed"], "fault wrong-tape-speed {}") },
    Fault {
        range: (0.15, 0.35),
        ..fault("control pulses weak", &["control-track-weak", "control-track-weak-or-lost"], "fault control-weak {}")
    },
];

/// Formats with control track and two heads, the common ones more often. The camcorder format has pilot tones
/// instead of a control track, on which half of the sequence rests.
const FORMATS: &[&str] = &[
    "vhs-525-sp",
    "vhs-525-sp",
    "vhs-525-sp",
    "vhs-625-sp",
    "vhs-625-sp",
    "vhs-625-sp",
    "vhs-525-lp",
    "vhs-525-ep",
    "vhs-625-lp",
    "vhs-625-ep",
    "s-vhs-525-sp",
    "s-vhs-625-sp",
    "beta-525-ii",
    "beta-625",
];

/// The pitch that the sizes of the faults above are meant for, in micrometres.
const SIZED_FOR_UM: f64 = 57.9;

/// Draws a machine.
pub(super) fn draw(seed: u64, number: u64) -> Case {
    let mut random = Random::new(seed, number);
    // Half are measured near a limit, without a fault of the list; half have one of the list.
    let near_a_limit = near_a_limit(number);
    let fault = if near_a_limit { &FAULTS[0] } else { &FAULTS[(number / 2) as usize % FAULTS.len()] };
    // Memory: half of the scopes are modest, of which a fifth has no peak detection.
    let draw = random.between(0.0, 1.0);
    let (model, depth, points) = match draw {
        d if d < 0.5 && !fault.large => ("modest", "2.5k", None),
        d if d < 0.65 => ("large", "20k", Some(20_000)),
        _ => ("large", "2M", None),
    };
    let large = model == "large";
    let bounds = Bounds { points, no_peak: !large && random.chance(0.2) };
    let baud = if large { None } else { *random.one_of(&[None, None, Some(115_200), Some(9_600)]) };
    let kinds = [TapeKind::Alignment, TapeKind::Alignment, TapeKind::Own, TapeKind::Other];
    let tape = fault.tape.unwrap_or(if near_a_limit { TapeKind::Alignment } else { *random.one_of(&kinds) });
    let format = *random.one_of(FORMATS);
    let pitch_um = format_named(format).map_or(SIZED_FOR_UM, pitch_um);
    let mut text = format!("title = \"machine {number} of seed {seed}\"\nseed = {}\n\n", (seed << 20) ^ number);
    let _ = writeln!(text, "[machine]\nname = \"VC-{:02}\"\nformat = \"{format}\"\ntape = \"in\"", number % 100);
    let level_v = random.between(0.1, 0.3);
    let noise = level_v * random.between(0.008, 0.03);
    let _ = writeln!(text, "[machine.rf]\nlevel_v = {level_v}\nnoise_v = {noise}");
    let (gain_a, gain_b) = (random.between(0.9, 1.05), random.between(0.9, 1.05));
    let gain_b = if near_a_limit && random.chance(0.5) {
        gain_a * 10_f64.powf(-random.between(1.0, 3.5) / 20.0)
    } else {
        gain_b
    };
    let _ = writeln!(text, "[machine.head_a]\ngain = {gain_a}\n[machine.head_b]\ngain = {gain_b}");
    if near_a_limit && random.chance(0.7) {
        // With a head as wide as the track the exit loses about its share of the pitch.
        let (entrance, exit) = if random.chance(0.5) { (0.0, 1.0) } else { (1.0, 0.0) };
        let error_um = pitch_um * random.between(0.1, 0.55);
        let _ =
            writeln!(text, "[machine.guides]\nentrance_um = {}\nexit_um = {}", entrance * error_um, exit * error_um);
    }
    let jitter_s = random.between(1e-6, 20e-6);
    let missing = if near_a_limit && random.chance(0.4) { random.between(0.0, 0.08) } else { 0.0 };
    let duty = if near_a_limit { random.between(0.48, 0.72) } else { 0.6 };
    let _ = writeln!(text, "[machine.control]\njitter_s = {jitter_s}\nmissing_ratio = {missing}\nduty = {duty}");
    let picture = *random.one_of(&["bars", "grey", "random", "bright-bottom", "black"]);
    let picture = if tape == TapeKind::Alignment { "bars" } else { picture };
    let colour = random.chance(0.7);
    let _ = writeln!(text, "[tapes.in]\nkind = \"{tape}\"\npicture = \"{picture}\"\ncolour = {colour}");
    let _ = writeln!(text, "[tapes.second]\nkind = \"other\"\npicture = \"bars\"\n[tapes.third]\nkind = \"other\"");
    let front_end = *random.one_of(&["family-a", "family-a", "scpi-99"]);
    let _ = writeln!(text, "[scope]\nfront_end = \"{front_end}\"\nmodel = \"{model}\"\ntrigger_place = 0.5");
    if let Some(points) = points {
        let _ = writeln!(text, "points_greatest = {points}\npoints = {points}");
    }
    if let Some(baud) = baud {
        let _ = writeln!(text, "baud = {baud}");
    }
    let expected_v = 2.2 * level_v;
    let _ = writeln!(text, "[scope.probes.CH1]\npoint = \"rf\"\nfactor = 1\nexpected_v = {expected_v}");
    let _ = writeln!(text, "[scope.probes.CH2]\npoint = \"control-track\"\nfactor = 10\nexpected_v = 5.0");
    let switch = if large { "CH3" } else { "EXT" };
    let _ = writeln!(text, "[scope.probes.{switch}]\npoint = \"head-switch\"\nfactor = 10\nexpected_v = 5.0");
    let _ = writeln!(text, "[operator]\ndelay_s = 1.0\nanswer = \"done\"");
    // Guides are off by a share of the pitch.
    let size = if fault.command.contains("guide") { pitch_um / SIZED_FOR_UM } else { 1.0 };
    let value = size * random.between(fault.range.0, fault.range.1);
    let mut commands = Vec::new();
    if !fault.command.is_empty() {
        commands.push(format!("\"{}\"", fault.command.replace("{}", &format!("{value:.4}"))));
    }
    let _ = writeln!(
        text,
        "[[stage]]\ntitle = \"as it stands\"\ndo = [{}]\ntape = \"in\"\ndeclares = [\"scrap-tape-ran-safely\"]",
        commands.join(", ")
    );
    let traits = BTreeMap::from([
        ("format", format.to_owned()),
        ("picture", picture.to_owned()),
        ("colour", colour.to_string()),
        ("tape", tape.to_string()),
        ("front-end", front_end.to_owned()),
        ("scope", depth.to_owned()),
        ("baud", baud.map_or_else(|| "local".to_owned(), |baud: u32| baud.to_string())),
    ]);
    Case {
        group: NAME,
        seed,
        number,
        fault: if near_a_limit { "near a limit" } else { fault.name },
        right: fault.right,
        scope: depth,
        bounds,
        scenario: text,
        plays: vec![Play::of(NAME)],
        tape,
        traits,
    }
}
