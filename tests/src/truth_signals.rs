//! The exact truth of sound, supply, dropouts, FM sound and pilots.

use crate::truth::Window;
use sim_instrument::machine::{Head, Machine};
use std::collections::BTreeMap;
use tapewright_formats::Mode;
use tapewright_formats::definitions::sound::FLUTTER_SETTLE_S;

/// Adds them for what was looked at.
pub(crate) fn add(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let of = |procedure: &'static str, mode: Mode| {
        windows.iter().filter(move |w| w.procedure == procedure && w.mode == mode)
    };
    let long = |w: &&Window| w.to_s - w.from_s > 4.0;
    if let Some(w) = of("wow-flutter", Mode::Play).rfind(long) {
        let mut truth = machine.sound_truth(w.from_s + FLUTTER_SETTLE_S, w.to_s - FLUTTER_SETTLE_S);
        all.insert("wow-flutter/flutter.weighted".to_owned(), truth.weighted_percent);
        truth.parts.sort_by(|a, b| b.percent.total_cmp(&a.percent));
        if let [first, second, ..] = truth.parts.as_slice()
            && first.percent > 1.2 * second.percent
        {
            all.insert("wow-flutter/line-1.frequency".to_owned(), first.hz);
            all.insert("wow-flutter/line-1.peak".to_owned(), first.percent);
        }
    }
    if let Some(w) = of("audio-azimuth", Mode::Play).next_back() {
        all.insert("audio-azimuth/azimuth".to_owned(), machine.sound_truth(w.from_s, w.to_s).azimuth_min);
    }
    if let Some(w) = windows.iter().rfind(|w| w.procedure == "supply-ripple") {
        let truth = machine.supply_truth(w.from_s);
        for (name, value) in [
            ("mean", truth.mean_v),
            ("ripple", 100.0 * truth.peak_to_peak_v / truth.mean_v.abs()),
            ("ripple.peak-to-peak", 1e3 * truth.peak_to_peak_v),
            ("ripple.rms", 1e3 * truth.rms_v),
            ("ripple.frequency", truth.hz),
        ] {
            all.insert(format!("supply-ripple/{name}"), value);
        }
    }
    if let Some(w) = of("dropouts", Mode::Play).next_back() {
        // The rate that the tape is set to, not what this time happened to hold: the interval is for the tape.
        let set = machine.dropout_truth(w.from_s, w.to_s).per_minute;
        all.insert("dropouts/dropouts.rate".to_owned(), set);
        let dropouts = machine.config().tapes.values().map(|tape| tape.dropouts).find(|d| d.per_minute > 0.0);
        if let Some(d) = dropouts {
            all.insert("dropouts/dropouts.length".to_owned(), 0.5 * (d.least_us + d.greatest_us));
            all.insert("dropouts/dropouts.depth".to_owned(), 0.5 * (d.least_db + d.greatest_db));
        }
    }
    let span = |all: Vec<&Window>| Some((all.first()?.from_s, all.last()?.to_s));
    if let Some(truth) =
        span(of("hifi-carriers", Mode::Play).collect()).and_then(|(from, to)| machine.hifi_truth(from, to))
    {
        for (name, value) in [
            ("left.frequency", truth.left_hz),
            ("right.frequency", truth.right_hz),
            ("left.level", 1e3 * truth.left_v),
            ("right.level", 1e3 * truth.right_v),
            ("balance", truth.balance_db),
            ("head-a.flatness", truth.flatness_a),
            ("head-b.flatness", truth.flatness_b),
            ("heads.balance", truth.heads_db),
        ] {
            all.insert(format!("hifi-carriers/{name}"), value);
        }
    }
    if let Some((from, to)) = span(of("pilot-tracking", Mode::Play).collect()) {
        for (name, head) in [("head-a", Head::A), ("head-b", Head::B)] {
            let Some(truth) = machine.pilot_truth(head, from, to) else { continue };
            // Of head A the next track's pilot lies one line rate away, of head B the one before's.
            let (small, large) = if head == Head::A { (truth.next, truth.before) } else { (truth.before, truth.next) };
            for (what, value) in [("beat-small", small), ("beat-large", large), ("beat-difference", small - large)] {
                all.insert(format!("pilot-tracking/{name}.{what}"), value);
            }
            all.insert(format!("pilot-tracking/{name}.tracking"), truth.tracking.unwrap_or(f64::NAN));
        }
    }
}
