//! The exact truth of what procedures measure, by the written definitions, over what they looked at.

use sim_instrument::machine::Machine;
use std::collections::BTreeMap;
use tapewright_formats::Mode;

/// One acquisition: whose, in which mode, over which span.
#[derive(Debug, Clone)]
pub struct Window {
    /// The procedure that asked for it.
    pub procedure: String,
    /// The machine's mode at its trigger.
    pub mode: Mode,
    /// Start of the record.
    pub from_s: f64,
    /// End of the record.
    pub to_s: f64,
    /// Whether an edge triggered it.
    pub triggered: bool,
}

/// The span that a selection of windows covers.
fn span<'a>(windows: impl Iterator<Item = &'a Window>) -> Option<(f64, f64)> {
    windows.fold(None, |span, w| {
        let (from, to) = span.unwrap_or((w.from_s, w.to_s));
        Some((from.min(w.from_s), to.max(w.to_s)))
    })
}

/// The name under which a segment's true level stands among the truths: no measurement has it.
#[must_use]
pub fn segment(head: &str, k: usize) -> String {
    format!("envelope/{head}.segment-{k:02}")
}

/// Truths by `procedure/name`. What a run did not look at has none.
#[must_use]
pub fn truths(machine: &Machine, windows: &[Window]) -> BTreeMap<String, f64> {
    let mut all = BTreeMap::new();
    let of = |procedure: &'static str, mode: Mode| {
        windows.iter().filter(move |w| w.procedure == procedure && w.mode == mode)
    };
    if let Some((from, to)) = span(of("envelope", Mode::Play).filter(|w| w.triggered))
        && let Some(truth) = machine.curve_truth(from, to)
    {
        for (head, curve) in [("head-a", &truth.head_a), ("head-b", &truth.head_b)] {
            all.insert(format!("envelope/{head}.flatness"), curve.flatness);
            all.insert(format!("envelope/{head}.entrance"), curve.entrance);
            all.insert(format!("envelope/{head}.exit"), curve.exit);
            all.insert(format!("envelope/{head}.middle-level"), curve.middle_v);
            all.insert(format!("envelope/{head}.modulation"), curve.modulation);
            for (k, level_v) in curve.curve_v.iter().enumerate() {
                all.insert(segment(head, k), *level_v);
            }
        }
        all.insert("envelope/balance".to_owned(), truth.balance_db);
    }
    if let Some((from, to)) = span(of("still-against-play", Mode::Play).filter(|w| w.to_s - w.from_s > 1.0)) {
        let truth = machine.slip_truth(from, to);
        all.insert("still-against-play/slip-frequency".to_owned(), truth.frequency_hz);
        all.insert("still-against-play/speed-error".to_owned(), truth.speed_error_percent);
    }
    // Pulses are counted in the long record, and timed in the short ones.
    let long = span(of("control-track", Mode::Play).filter(|w| w.to_s - w.from_s > 1.0));
    if let Some((from, to)) = long {
        let truth = machine.control_truth(from, to);
        let mut put = |name: &str, value: Option<f64>| {
            if let Some(value) = value {
                all.insert(format!("control-track/control-track.{name}"), value);
            }
        };
        put("rate", truth.rate_hz);
        put("period", truth.rate_hz.map(|rate| 1e3 / rate));
        put("level", truth.level_v);
        put("duty", truth.duty_percent);
    }
    // The share of missing pulses that the machine is set to, not what this record happened to hold:
    // the interval is for the machine.
    if long.is_some() {
        let set = machine.config().control.missing_ratio;
        all.insert("control-track/control-track.missing".to_owned(), 100.0 * set);
        all.insert("control-track/control-track.jitter".to_owned(), f64::NAN);
    }
    if let Some((from, to)) = span(of("control-track", Mode::Play)) {
        let truth = machine.control_truth(from, to);
        if let Some(delay_s) = truth.delay_s {
            all.insert("control-track/control-track.delay".to_owned(), 1e3 * delay_s);
        }
        if let Some(jitter_s) = truth.jitter_s {
            all.insert("control-track/control-track.jitter".to_owned(), 1e3 * jitter_s);
        }
    }
    crate::truth_alignment::add(machine, windows, &mut all);
    crate::truth_signals::add(machine, windows, &mut all);
    all.retain(|_, value| value.is_finite());
    all
}
