//! The exact truth of what the procedures of alignment measure.

use crate::truth::Window;
use sim_instrument::machine::{Head, Machine};
use std::collections::BTreeMap;
use tapewright_formats::Mode;
use tapewright_formats::relations::degrees_a_line;

/// Adds what there is to say about these windows.
pub(crate) fn add(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    head_switch_point(machine, windows, all);
    drum_lock(machine, windows, all);
    capstan_lock(machine, windows, all);
    tracking_centre(machine, windows, all);
    video_levels(machine, windows, all);
    search_modes(machine, windows, all);
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Over the edges that were captured; the jitter that the machine is set to.
fn head_switch_point(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let own: Vec<&Window> = windows.iter().filter(|w| w.procedure == "head-switch-point" && w.triggered).collect();
    let (Some(first), Some(last)) = (own.first(), own.last()) else { return };
    let lines = machine.format().lines;
    let line_hz = lines.line_rate_hz();
    let mut points = Vec::new();
    for (name, head) in [("head-a", Head::A), ("head-b", Head::B)] {
        // The mean that the machine keeps to, over all edges of the whole look.
        let at_s = mean(&machine.switch_points_s(head, first.from_s, last.to_s));
        all.insert(format!("head-switch-point/{name}.point"), at_s * line_hz);
        all.insert(format!("head-switch-point/{name}.point-time"), at_s * 1e6);
        all.insert(format!("head-switch-point/{name}.point-angle"), at_s * line_hz * degrees_a_line(lines));
        all.insert(format!("head-switch-point/{name}.jitter"), machine.config().head_switch.jitter_s * line_hz);
        points.push(at_s * line_hz);
    }
    all.insert("head-switch-point/difference".to_owned(), points[1] - points[0]);
}

/// Span of a procedure's triggered windows in play.
fn span(windows: &[Window], procedure: &str) -> Option<(f64, f64)> {
    let own = windows.iter().filter(|w| w.procedure == procedure && w.triggered);
    own.fold(None, |span, w| {
        let (from, to) = span.unwrap_or((w.from_s, w.to_s));
        Some((from.min(w.from_s), to.max(w.to_s)))
    })
}

/// Slope of a course, and the amplitude of a sine with the power that it has about its straight line.
fn slope_and_swing(course: impl Fn(f64) -> f64, (from_s, to_s): (f64, f64)) -> (f64, f64) {
    const LOOKS: usize = 2_000;
    let times: Vec<f64> = (0..LOOKS).map(|i| from_s + (to_s - from_s) * i as f64 / (LOOKS - 1) as f64).collect();
    let values: Vec<f64> = times.iter().map(|t| course(*t)).collect();
    let (mt, mv) = (mean(&times), mean(&values));
    let products: f64 = times.iter().zip(&values).map(|(t, v)| (t - mt) * (v - mv)).sum();
    let squares: f64 = times.iter().map(|t| (t - mt).powi(2)).sum();
    let slope = products / squares;
    let rest: f64 = times.iter().zip(&values).map(|(t, v)| (v - mv - slope * (t - mt)).powi(2)).sum();
    (slope, (2.0 * rest / LOOKS as f64).sqrt())
}

fn drum_lock(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let Some(span) = span(windows, "drum-lock") else { return };
    let frame_hz = machine.format().lines.frame_rate_hz();
    let (slope, swing) = slope_and_swing(|t| machine.drum_course_s(t), span);
    let mut put = |name: &str, value: f64| {
        all.insert(format!("drum-lock/drum.{name}"), value);
    };
    put("rate-error", -100.0 * slope);
    put("phase", 1e3 * machine.drum_course_s(0.5 * (span.0 + span.1)).rem_euclid(1.0 / frame_hz));
    put("jitter", 1e6 * machine.config().drum.jitter_s.hypot(machine.config().head_switch.jitter_s));
    put("swing", 1e6 * swing);
}

fn capstan_lock(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let Some((from_s, to_s)) = span(windows, "capstan-lock") else { return };
    let Some(delay_s) = machine.control_truth(from_s, to_s).delay_s else { return };
    let (slope, swing) = slope_and_swing(|t| machine.tape_course_pitch(t), (from_s, to_s));
    let config = machine.config();
    let mut put = |name: &str, value: f64| {
        all.insert(format!("capstan-lock/capstan.{name}"), value);
    };
    put("speed-error", 100.0 * slope / machine.format().lines.field_rate_hz());
    put("phase", 1e3 * delay_s);
    put("jitter", 1e3 * config.control.jitter_s.hypot(config.drum.jitter_s).hypot(config.head_switch.jitter_s));
    put("swing", swing);
}

fn tracking_centre(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let Some((from_s, to_s)) = span(windows, "tracking-centre") else { return };
    // The control's own centre is place 0 of the scenarios.
    let offset = machine.tracking_centre_pitch(0.5 * (from_s + to_s));
    let offset_s = offset / machine.format().lines.field_rate_hz();
    let mut put = |name: &str, value: f64| {
        all.insert(format!("tracking-centre/tracking.{name}"), value);
    };
    put("offset", offset);
    put("offset-time", 1e3 * offset_s);
    put("x-error", -offset_s * machine.format().tape_speed_mm_s.value);
    put("evenness", 1.0);
}

fn deviation(values: &[f64]) -> f64 {
    let m = mean(values);
    (values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

/// Levels by the output's settings; times by the leading edges of every line over the whole look.
fn video_levels(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let own: Vec<&Window> = windows.iter().filter(|w| w.procedure == "video-levels" && w.mode == Mode::Play).collect();
    let (Some(first), Some(last)) = (own.first(), own.last()) else { return };
    let line_s = 1.0 / machine.format().lines.line_rate_hz();
    let mut put = |name: &str, value: f64| {
        all.insert(format!("video-levels/video.{name}"), value);
    };
    let (sync_v, burst_v) = machine.video_levels_v(first.from_s);
    put("sync", 1e3 * sync_v);
    put("burst", 1e3 * burst_v);
    let to_s = last.to_s.min(first.from_s + 2.0);
    let leads = machine.line_leads_s(first.from_s, to_s);
    let periods: Vec<f64> = leads
        .windows(2)
        .filter(|w| !w[0].1 && !w[1].1)
        .map(|w| w[1].0 - w[0].0)
        .filter(|period| (period / line_s - 1.0).abs() < 0.1)
        .collect();
    put("line-period", 1e6 * mean(&periods));
    put("line-jitter", 1e6 * deviation(&periods));
}

/// Cycles over a nominal field's time, from the tape's and the drum's courses.
fn search_modes(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    for mode in [Mode::Cue, Mode::Review] {
        let own = windows.iter().find(|w| w.procedure == "search-modes" && w.mode == mode);
        let Some(window) = own else { continue };
        let (slope, _) = slope_and_swing(|t| machine.tape_course_pitch(t), (window.from_s, window.to_s));
        let pitches = slope / machine.format().lines.field_rate_hz();
        for head in ["head-a", "head-b"] {
            all.insert(format!("search-modes/{mode}.{head}.bars"), 0.5 * pitches.abs());
        }
        all.insert(format!("search-modes/{mode}.speed"), machine.tape_speed_ratio(window.from_s));
    }
}
