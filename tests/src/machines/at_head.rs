//! Where the control pulses are taken: after the amplifier as squares, or at the head itself as pairs of spikes of some millivolts.
//!
//! Drawn apart from the machines, as what stands on the leads is, where a probe samples the control track.

use super::{Case, Random};
use core::fmt::Write;

/// Share of the machines whose probe is at the head.
const AT_HEAD: f64 = 0.25;

/// The groups that are drawn so.
const GROUPS: [&str; 7] =
    ["first-look", "capstan-lock", "tracking-centre", "guide-adjust", "search-modes", "audio-head", "tape-safe"];

/// What a control head gives in play, in volts peak to peak (common practice, no source): from where a scope's least range shows
/// twenty steps of it.
const SPIKE_V: (f64, f64) = (1.5e-3, 5e-3);

/// Noise of a lead at a head over that, RMS.
const NOISE: (f64, f64) = (0.002, 0.02);

/// Puts the probe to the control head, by chance, if there is a probe on a channel.
pub(super) fn draw(case: &mut Case, random: &mut Random) {
    let sections = super::leads::sections(&case.scenario);
    let is_probe =
        |section: &&str| section.starts_with("[scope.probes.CH") && section.contains("point = \"control-track\"");
    if !GROUPS.contains(&case.group) || !sections.iter().any(is_probe) {
        return;
    }
    let at_head = random.chance(AT_HEAD);
    case.traits.insert("pulses", if at_head { "spikes" } else { "squares" }.to_owned());
    if !at_head {
        return;
    }
    let spike_v = random.between(SPIKE_V.0, SPIKE_V.1);
    let noise_v = spike_v * random.between(NOISE.0, NOISE.1);
    let keys = format!("form = \"spike\"\nspike_v = {spike_v}\nspike_noise_v = {noise_v}\n");
    let mut text = String::new();
    for section in &sections {
        if is_probe(section) {
            for line in section.lines() {
                match line.split(" = ").next() {
                    Some("factor") => text.push_str("factor = 1.0\n"),
                    Some("expected_v") => {
                        let _ = writeln!(text, "expected_v = {}", 1.2 * spike_v);
                    }
                    _ => {
                        let _ = writeln!(text, "{line}");
                    }
                }
            }
            continue;
        }
        text.push_str(section);
        if section.starts_with("[machine.control]") {
            text.push_str(&keys);
        }
    }
    if !case.scenario.contains("[machine.control]") {
        let _ = write!(text, "[machine.control]\n{keys}");
    }
    case.scenario = text;
}
