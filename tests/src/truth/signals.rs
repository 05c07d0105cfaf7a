//! The exact truth of sound, supply, dropouts, FM sound and pilots.

use super::{Window, in_mode, span};
use sim_instrument::machine::{Head, Machine};
use std::collections::BTreeMap;
use tapewright_formats::Mode;
use tapewright_formats::definitions::sound::FLUTTER_SETTLE_S;

/// The tone that wow and flutter is read from, as the scenarios' tapes have it.
const FLUTTER_TONE_HZ: f64 = 3150.0;

/// Adds them for what was looked at.
pub(super) fn add(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let of = |procedure: &'static str, mode: Mode| in_mode(windows, procedure, mode);
    let long = |w: &&Window| w.to_s - w.from_s > 4.0;
    if let Some(w) = of("wow-flutter", Mode::Play).filter(long).last() {
        let mut truth = machine.sound_truth(w.from_s + FLUTTER_SETTLE_S, w.to_s - FLUTTER_SETTLE_S);
        all.insert("wow-flutter/flutter.weighted".to_owned(), truth.weighted_percent);
        truth.parts.sort_by(|a, b| b.percent.total_cmp(&a.percent));
        // Which line comes first is told only where one is clearly the greater.
        for (place, parts) in truth.parts.windows(2).enumerate().take_while(|(_, p)| p[0].percent > 1.2 * p[1].percent)
        {
            all.insert(format!("wow-flutter/line-{}.frequency", place + 1), parts[0].hz);
            all.insert(format!("wow-flutter/line-{}.peak", place + 1), parts[0].percent);
        }
        let ratio = machine.tape_speed_ratio(w.from_s);
        all.insert("wow-flutter/tone".to_owned(), FLUTTER_TONE_HZ * ratio);
        all.insert("wow-flutter/speed-error".to_owned(), 100.0 * (ratio - 1.0));
    }
    let azimuth = of("audio-azimuth", Mode::Play).map(|w| machine.sound_truth(w.from_s, w.to_s).azimuth_min);
    let azimuth: Vec<f64> = azimuth.collect();
    if let [first, .., last] = azimuth.as_slice() {
        for (name, angle_min) in [("azimuth", *last), ("before.azimuth", *first)] {
            all.insert(format!("audio-azimuth/{name}"), angle_min);
            // What is told where the lean has no sign.
            all.insert(format!("audio-azimuth/{name}.size"), angle_min.abs());
        }
    }
    audio_head(machine, &of("audio-head", Mode::Play).collect::<Vec<_>>(), all);
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
    if let Some(w) = of("dropouts", Mode::Play).last() {
        // The rate that the tape is set to, not what this time happened to hold: the interval is for the tape.
        let set = machine.dropout_truth(w.from_s, w.to_s).per_minute;
        all.insert("dropouts/dropouts.rate".to_owned(), set);
        let observed_s = of("dropouts", Mode::Play).map(|w| w.to_s - w.from_s).sum::<f64>();
        all.insert("dropouts/observed-time".to_owned(), observed_s);
        let dropouts = machine.config().tapes.values().map(|tape| tape.dropouts).find(|d| d.per_minute > 0.0);
        if let Some(d) = dropouts {
            all.insert("dropouts/dropouts.length".to_owned(), 0.5 * (d.least_us + d.greatest_us));
            all.insert("dropouts/dropouts.depth".to_owned(), 0.5 * (d.least_db + d.greatest_db));
        }
    }
    if let Some(truth) = span(of("hifi-carriers", Mode::Play)).and_then(|(from, to)| machine.hifi_truth(from, to)) {
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
    if let Some((from, to)) = span(of("pilot-tracking", Mode::Play)) {
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

/// Height, what the worst track has lost against the best place of the nut, and unsteadiness at the last place.
fn audio_head(machine: &Machine, windows: &[&Window], all: &mut BTreeMap<String, f64>) {
    let height_um = |w: &&Window| machine.audio_head_truth(w.from_s, w.to_s).height_um;
    let places: Vec<&[&Window]> = windows.chunk_by(|a, b| height_um(a) == height_um(b)).collect();
    let Some(last) = places.last() else { return };
    all.insert("audio-head/height".to_owned(), height_um(&last[0]));
    let shares: Vec<[f64; 2]> = places
        .iter()
        .map(|place| {
            let each = place.iter().map(|w| machine.audio_head_truth(w.from_s, w.to_s));
            let (left, right): (Vec<f64>, Vec<f64>) = each.map(|truth| (truth.left, truth.right)).unzip();
            [super::mean(&left), super::mean(&right)]
        })
        .collect();
    let below_db = |place: usize| {
        let fall = |track: usize| shares.iter().map(|s| s[track]).fold(0.0, f64::max) / shares[place][track];
        20.0 * fall(0).max(fall(1)).log10()
    };
    all.insert("audio-head/height.below-peak".to_owned(), below_db(places.len() - 1));
    all.insert("audio-head/before.height.below-peak".to_owned(), below_db(0));
    if let Some((from, to)) = span(last.iter().copied()) {
        let truth = machine.audio_head_truth(from, to);
        all.insert("audio-head/audio-left.unsteadiness".to_owned(), truth.left_unsteady_percent);
        all.insert("audio-head/audio-right.unsteadiness".to_owned(), truth.right_unsteady_percent);
    }
}
