//! What stands on the probes' leads beside the signals: offsets, hum of the bench, base lines that wander.
//!
//! Drawn for every group alike and apart from the machines, which stay the same without it. Shares of the expected level are
//! what an ordinary bench shows (common practice, no source).

use super::{Case, Random};
use core::fmt::Write;

/// Share of the probes whose lead is clean.
const CLEAN: f64 = 0.4;

/// Greatest offset to either side, hum peak to peak and wander peak to peak, over the level that the hookup expects.
const OFFSET: f64 = 0.05;
const HUM: f64 = 0.05;
const WANDER: f64 = 0.03;

/// Volts that a point is expected to have. None: a supply's direct voltage is what is measured, and video has an offset and hum of its own.
fn expected_v(section: &str) -> Option<f64> {
    let of =
        |key: &str| section.lines().find_map(|line| line.strip_prefix(key)?.trim().strip_prefix('=')).map(str::trim);
    let point = of("point")?.trim_matches('"');
    if ["supply", "video"].contains(&point) {
        return None;
    }
    of("expected_v")?.parse().ok()
}

/// Adds to each probe of a scenario what stands on its lead.
pub(super) fn draw(case: &mut Case, random: &mut Random) {
    let mains_hz = *random.one_of(&[50.0, 60.0]);
    let mut text = String::new();
    let mut quiet = true;
    for section in sections(&case.scenario) {
        text.push_str(section);
        if section.starts_with("[scope]") {
            let _ = writeln!(text, "mains_hz = {mains_hz:?}");
        }
        if section.starts_with("[scope.probes.")
            && let Some(level_v) = expected_v(section)
            && !random.chance(CLEAN)
        {
            quiet = false;
            let _ = writeln!(text, "offset_v = {}", level_v * random.between(-OFFSET, OFFSET));
            let _ = writeln!(text, "hum_v = {}", level_v * random.between(0.0, HUM));
            let _ = writeln!(text, "wander_v = {}", level_v * random.between(0.0, WANDER));
            let _ = writeln!(text, "wander_s = {}", random.between(0.5, 5.0));
        }
    }
    case.scenario = text;
    case.traits.insert("leads", if quiet { "clean" } else { "hum" }.to_owned());
}

/// A scenario's tables, each from its head on; first what stands before them.
pub(super) fn sections(text: &str) -> Vec<&str> {
    let mut cuts = vec![0];
    cuts.extend(text.match_indices("\n[").map(|(at, _)| at + 1));
    cuts.push(text.len());
    cuts.windows(2).map(|cut| &text[cut[0]..cut[1]]).collect()
}
