//! The exact truth of what tells about the path: guides, recordings on two paths, a scrap tape, still pictures.

use super::{Window, by_key, deviation, in_mode, mean, segment, span};
use sim_instrument::machine::{Head, HeadCurve, Machine};
use std::collections::BTreeMap;
use tapewright_formats::{Mode, Signal};

const HEADS: [(&str, Head); 2] = [("head-a", Head::A), ("head-b", Head::B)];

/// Adds what there is to say about these windows.
pub(super) fn add(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    guide_adjust(machine, windows, all);
    for procedure in ["record-playback", "interchange"] {
        let Some((from, to)) = span(in_mode(windows, procedure, Mode::Play).filter(|w| w.triggered)) else { continue };
        curves(machine, procedure, "", (from, to), all);
    }
    tape_safe(machine, windows, all);
    still(machine, windows, all);
}

/// Both heads' curves, under a procedure's names.
pub(super) fn curves(
    machine: &Machine,
    procedure: &str,
    prefix: &str,
    (from_s, to_s): (f64, f64),
    all: &mut BTreeMap<String, f64>,
) {
    let Some(truth) = machine.curve_truth(from_s, to_s) else { return };
    for (head, curve) in [("head-a", &truth.head_a), ("head-b", &truth.head_b)] {
        for (name, value) in [
            ("flatness", curve.flatness),
            ("entrance", curve.entrance),
            ("exit", curve.exit),
            ("middle-level", curve.middle_v),
            ("modulation", curve.modulation),
        ] {
            all.insert(format!("{procedure}/{prefix}{head}.{name}"), value);
        }
        for (k, level_v) in curve.curve_v.iter().enumerate() {
            all.insert(segment(procedure, &format!("{prefix}{head}"), k), *level_v);
        }
    }
    all.insert(format!("{procedure}/{prefix}balance"), truth.balance_db);
}

/// What a run is held against another for: `there` is what that one's own truths are.
pub(crate) fn compared(there: &BTreeMap<String, f64>, here: BTreeMap<String, f64>) -> BTreeMap<String, f64> {
    let mut all = here;
    for (head, _) in HEADS {
        for end in ["entrance", "exit"] {
            let name = format!("interchange/{head}.{end}");
            if let (Some(now), Some(then)) = (all.get(&name), there.get(&name)) {
                let change = now - then;
                all.insert(format!("{name}.change"), change);
            }
        }
        let now = all.get(&format!("record-playback/{head}.middle-level"));
        if let (Some(now), Some(then)) = (now, there.get(&format!("envelope/{head}.middle-level"))) {
            let ratio_db = 20.0 * (now / then).log10();
            all.insert(format!("record-playback/{head}.against-reference"), ratio_db);
        }
    }
    all
}

/// A round ends where the noise floor is taken, in stop; its first scans are those at centre.
fn guide_adjust(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let own: Vec<&Window> = windows.iter().filter(|w| w.procedure == "guide-adjust").collect();
    let rounds: Vec<Vec<&&Window>> = own
        .split(|w| w.mode == Mode::Stop)
        .map(|round| round.iter().filter(|w| w.triggered).collect::<Vec<_>>())
        .filter(|round| !round.is_empty())
        .collect();
    for (n, round) in rounds.iter().enumerate() {
        let prefix = if n + 1 < rounds.len() { "before." } else { "" };
        let place = |w: &Window| machine.tape_course_pitch(0.5 * (w.from_s + w.to_s));
        let centre = round.iter().take_while(|w| (place(w) - place(round[0])).abs() < 0.1);
        let Some(at) = span(centre.map(|w| **w)) else { continue };
        let Some(truth) = machine.guide_truth(at.0) else { continue };
        curves(machine, "guide-adjust", prefix, at, all);
        for (name, value) in [
            ("entrance-guide.height-error", truth.entrance_um),
            ("exit-guide.height-error", truth.exit_um),
            ("head-a.contact", truth.contact),
            ("head-b.contact", truth.contact),
        ] {
            all.insert(format!("guide-adjust/{prefix}{name}"), value);
        }
    }
}

/// `(greatest - least) / greatest` of the middle nine tenths.
fn swing(course: &[f64]) -> f64 {
    let mut sorted = course.to_vec();
    sorted.sort_by(f64::total_cmp);
    let cut = sorted.len() / 20;
    let kept = &sorted[cut..sorted.len() - cut];
    match (kept.first(), kept.last()) {
        (Some(least), Some(greatest)) => (greatest - least) / greatest,
        _ => f64::NAN,
    }
}

fn tape_safe(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    const NAME: &str = "tape-safe";
    let (plays, stops) = (by_key(windows, NAME, Mode::Play), by_key(windows, NAME, Mode::Stop));
    let mut play_v = Vec::new();
    for (n, play) in plays.iter().enumerate() {
        let course = machine.level_course(play[0].from_s, play[0].to_s);
        play_v.push(mean(&course));
        all.insert(format!("{NAME}/play-{}.rf-swing", n + 1), swing(&course));
        // The pulses' record comes after that of the edges.
        let Some(pulses) = play.iter().skip(1).rfind(|w| !w.triggered) else { continue };
        let truth = machine.control_truth(pulses.from_s, pulses.to_s);
        let frame_hz = machine.format().lines.frame_rate_hz();
        if let (Some(rate_hz), Some(jitter_s)) = (truth.rate_hz, truth.jitter_s) {
            let name = format!("{NAME}/play-{}.control-track", n + 1);
            all.insert(format!("{name}.rate-error"), 100.0 * (rate_hz / frame_hz - 1.0));
            all.insert(format!("{name}.jitter"), 100.0 * jitter_s * frame_hz);
        }
    }
    for (n, (stop, play_v)) in stops.iter().zip(play_v).enumerate() {
        let left_v = mean(&machine.level_course(stop[0].from_s, stop[0].to_s));
        all.insert(format!("{NAME}/stop-{}.rf-left", n + 1), left_v / play_v);
    }
}

/// Heads at rest over the tape, and the level while it runs.
fn still(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    const NAME: &str = "still-against-play";
    // The first stop is a still, each further one an advance.
    let mut stops = [Mode::Still, Mode::Advance].map(|mode| by_key(windows, NAME, mode)).concat();
    stops.iter_mut().for_each(|stop| stop.retain(|w| w.triggered));
    for (name, head) in HEADS {
        let curves: Vec<HeadCurve> = stops
            .iter()
            .filter_map(|stop| span(stop.iter().copied()))
            .filter_map(|(from, to)| machine.head_curve(head, from, to))
            .collect();
        let best_v = curves.iter().flat_map(|curve| &curve.curve_v).fold(f64::NAN, |best, v| v.max(best));
        all.insert(format!("{NAME}/{name}.still-best-level"), best_v);
        let squares: Vec<f64> = curves.iter().map(|curve| curve.modulation.powi(2)).collect();
        all.insert(format!("{NAME}/{name}.still-modulation"), mean(&squares).sqrt());
    }
    // A record takes the place of the shorter one before; that with the control pulses starts at an edge.
    let long = || in_mode(windows, NAME, Mode::Play).filter(|w| w.to_s - w.from_s > 1.0);
    let Some(last) = long().last() else { return };
    let course = machine.level_course(last.from_s, last.to_s);
    all.insert(format!("{NAME}/play.modulation"), deviation(&course) / mean(&course));
    let slip = machine.slip_truth(last.from_s, last.to_s);
    all.insert(format!("{NAME}/slip-frequency"), slip.frequency_hz);
    all.insert(format!("{NAME}/speed-error"), slip.speed_error_percent);
    let Some(pulses) = long().filter(|w| w.triggered).last() else { return };
    if machine.really_present(Signal::ControlTrack, pulses.from_s, pulses.to_s) {
        // At the pulses: a slow swing is another one over the time before the first of them and after the last.
        let times_s = machine.control_truth(pulses.from_s, pulses.to_s).times_s;
        let (_, _, beside) = super::about_line(|t| machine.tape_course_pitch(t), &times_s);
        let config = machine.config();
        let jitter_s = config.control.jitter_s.hypot(config.drum.jitter_s).hypot(config.head_switch.jitter_s);
        let wander = beside.hypot(jitter_s * machine.format().lines.field_rate_hz());
        all.insert(format!("{NAME}/tracking-wander"), wander);
    }
}
