//! The exact truth of what procedures measure, by the written definitions, over what they looked at.

mod alignment;
mod path;
mod signals;

pub(crate) use path::compared;

use sim_instrument::machine::Machine;
use std::collections::BTreeMap;
use tapewright::report::run_report::RunReport;
use tapewright_formats::{Mode, Signal};

/// One acquisition: whose, in which mode, over which span.
#[derive(Debug, Clone)]
pub struct Window {
    /// The procedure that asked for it.
    pub procedure: String,
    /// The machine's mode at its trigger.
    pub mode: Mode,
    /// When the machine was last sent to another mode.
    pub key_s: f64,
    /// When the scope was armed.
    pub armed_s: f64,
    /// When it triggered.
    pub trigger_s: f64,
    /// Start of the record.
    pub from_s: f64,
    /// End of the record.
    pub to_s: f64,
    /// Whether an edge triggered it.
    pub triggered: bool,
    /// Whether it took pairs of least and greatest.
    pub peak: bool,
}

/// The span that a selection of windows covers.
fn span<'a>(windows: impl Iterator<Item = &'a Window>) -> Option<(f64, f64)> {
    windows.fold(None, |span, w| {
        let (from, to) = span.unwrap_or((w.from_s, w.to_s));
        Some((from.min(w.from_s), to.max(w.to_s)))
    })
}

/// What a procedure looked at in a mode.
fn in_mode<'a>(windows: &'a [Window], procedure: &str, mode: Mode) -> impl Iterator<Item = &'a Window> {
    windows.iter().filter(move |w| w.procedure == procedure && w.mode == mode)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn deviation(values: &[f64]) -> f64 {
    let m = mean(values);
    (values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

/// Mean of a course, its slope, and the amplitude of a sine with the power that it has about its straight line.
fn mean_slope_and_swing(course: impl Fn(f64) -> f64, (from_s, to_s): (f64, f64)) -> (f64, f64, f64) {
    const LOOKS: usize = 2_000;
    let times: Vec<f64> = (0..LOOKS).map(|i| from_s + (to_s - from_s) * i as f64 / (LOOKS - 1) as f64).collect();
    let (mean, slope, beside) = about_line(course, &times);
    (mean, slope, core::f64::consts::SQRT_2 * beside)
}

/// Mean and slope of a course at instants, and the RMS of what it is beside its line.
fn about_line(course: impl Fn(f64) -> f64, times: &[f64]) -> (f64, f64, f64) {
    let values: Vec<f64> = times.iter().map(|t| course(*t)).collect();
    let (mt, mv) = (mean(times), mean(&values));
    let products: f64 = times.iter().zip(&values).map(|(t, v)| (t - mt) * (v - mv)).sum();
    let squares: f64 = times.iter().map(|t| (t - mt).powi(2)).sum();
    let slope = products / squares;
    let rest: f64 = times.iter().zip(&values).map(|(t, v)| (v - mv - slope * (t - mt)).powi(2)).sum();
    (mv, slope, (rest / times.len() as f64).sqrt())
}

/// The name under which a segment's true level stands among the truths: no measurement has it.
#[must_use]
pub fn segment(procedure: &str, head: &str, k: usize) -> String {
    format!("{procedure}/{head}.segment-{k:02}")
}

/// Truths by `procedure/name`. What a run did not look at has none.
#[must_use]
pub fn truths(machine: &Machine, windows: &[Window]) -> BTreeMap<String, f64> {
    let mut all = BTreeMap::new();
    envelope(machine, windows, &mut all);
    presence(machine, windows, &mut all);
    control_track(machine, windows, &mut all);
    alignment::add(machine, windows, &mut all);
    path::add(machine, windows, &mut all);
    signals::add(machine, windows, &mut all);
    all.retain(|_, value| value.is_finite());
    all
}

/// Times from one train of pulses to another, which are the same again after a frame.
const GO_ROUND: [&str; 4] = [
    "capstan-lock/capstan.phase",
    "drum-lock/drum.phase",
    "control-track/control-track.delay",
    "tracking-centre/tracking.delay",
];

/// The truths, where a phase goes round counted as the report counts it: 39.99 ms and -0.01 ms are one in frames of 40 ms.
#[must_use]
pub fn turned(mut all: BTreeMap<String, f64>, report: &RunReport, frame_ms: f64) -> BTreeMap<String, f64> {
    for procedure in &report.procedures {
        for m in &procedure.measurements {
            let key = format!("{}/{}", procedure.procedure, m.name);
            if GO_ROUND.contains(&key.as_str())
                && let Some(truth) = all.get_mut(&key)
            {
                *truth += frame_ms * ((m.value - *truth) / frame_ms).round();
            }
        }
    }
    all
}

fn envelope(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    if let Some(at) = span(in_mode(windows, "envelope", Mode::Play).filter(|w| w.triggered)) {
        path::curves(machine, "envelope", "", at, all);
    }
    if let Some((from, to)) = span(in_mode(windows, "envelope", Mode::Play).filter(|w| !w.triggered))
        && let Some(rate_hz) = machine.control_truth(from, to).rate_hz
    {
        all.insert("envelope/control-track.rate".to_owned(), rate_hz);
    }
}

/// Windows of one going to a mode after the other.
fn by_key<'a>(windows: &'a [Window], procedure: &'static str, mode: Mode) -> Vec<Vec<&'a Window>> {
    let mut groups: Vec<Vec<&Window>> = Vec::new();
    for window in in_mode(windows, procedure, mode) {
        match groups.last_mut() {
            Some(last) if last[0].key_s == window.key_s => last.push(window),
            _ => groups.push(vec![window]),
        }
    }
    groups
}

/// Levels and rates of the pulses; the RF's level there is what a scope shows from peak to peak, which has no definition.
fn presence(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    for mode in Mode::ALL {
        // Where it went there more than once, on another tape too, no one span is what was looked at.
        let stays = by_key(windows, "signal-presence", *mode);
        let [stay] = stays.as_slice() else { continue };
        let Some((from, to)) = span(stay.iter().copied()) else { continue };
        let mut put = |signal: Signal, what: &str, value: Option<f64>| {
            if let Some(value) = value.filter(|_| machine.really_present(signal, from, to)) {
                all.insert(format!("signal-presence/{mode}.{signal}.{what}"), value);
            }
        };
        put(Signal::ControlTrack, "level", machine.control_truth(from, to).level_v);
        // The rate is that of the record with the most pulses, the first of two: a tape that hunts has another a second later.
        // What is slow is looked at by the last two short records without pairs.
        let short = |w: &&&Window| !w.peak && (0.1..0.5).contains(&(w.to_s - w.from_s));
        let looks = stay.iter().rev().filter(short).take(2).map(|w| machine.control_truth(w.from_s, w.to_s));
        let looked = looks.max_by_key(|truth| truth.expected - truth.missing);
        put(Signal::ControlTrack, "rate", looked.and_then(|truth| truth.rate_hz));
        let switch = &machine.config().head_switch;
        put(Signal::HeadSwitch, "level", Some(switch.high_v - switch.low_v));
        put(Signal::HeadSwitch, "rate", machine.head_switch_rate_hz(from, to));
    }
}

fn control_track(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    // Pulses are counted in the long record, and timed in the short ones.
    let own = || in_mode(windows, "control-track", Mode::Play);
    let long = span(own().filter(|w| w.to_s - w.from_s > 1.0));
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
    if let Some((from, to)) = span(own()) {
        let truth = machine.control_truth(from, to);
        if let Some(delay_s) = truth.delay_s {
            all.insert("control-track/control-track.delay".to_owned(), 1e3 * delay_s);
        }
        if let Some(jitter_s) = truth.jitter_s {
            all.insert("control-track/control-track.jitter".to_owned(), 1e3 * jitter_s);
        }
    }
}
