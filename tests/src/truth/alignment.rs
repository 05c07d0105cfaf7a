//! The exact truth of what the procedures of alignment measure.

use super::{Window, deviation, in_mode, mean, mean_slope_and_swing, span as covered};
use sim_instrument::machine::{Head, Machine, Picture};
use std::collections::BTreeMap;
use tapewright_formats::Mode;
use tapewright_formats::definitions::{GUARD_LINES, pitches_a_bar, whole_bars};
use tapewright_formats::relations::{degrees_a_line, line_shift, pitch_um};

/// Adds what there is to say about these windows.
pub(super) fn add(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    head_switch_point(machine, windows, all);
    drum_lock(machine, windows, all);
    capstan_lock(machine, windows, all);
    tracking_centre(machine, windows, all);
    video_levels(machine, windows, all);
    search_modes(machine, windows, all);
}

/// Over the edges that were captured; the jitter that the machine is set to.
fn head_switch_point(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let own: Vec<&Window> = windows.iter().filter(|w| w.procedure == "head-switch-point" && w.triggered).collect();
    let (Some(first), Some(last)) = (own.first(), own.last()) else { return };
    let lines = machine.format().lines;
    let line_hz = lines.line_rate_hz();
    // With tracking at its centre, as the definition has it, wherever it stands while the edges are captured.
    let beside = machine.beside_tracks_pitch(0.5 * (first.from_s + last.to_s));
    let moved_s = beside * line_shift(machine.format()) / line_hz;
    let mut points = Vec::new();
    for (name, head) in [("head-a", Head::A), ("head-b", Head::B)] {
        // The mean that the machine keeps to, over all edges of the whole look.
        let at_s = mean(&machine.switch_points_s(head, first.from_s, last.to_s)) - moved_s;
        all.insert(format!("head-switch-point/{name}.point"), at_s * line_hz);
        all.insert(format!("head-switch-point/{name}.point-time"), at_s * 1e6);
        all.insert(format!("head-switch-point/{name}.point-angle"), at_s * line_hz * degrees_a_line(lines));
        all.insert(format!("head-switch-point/{name}.jitter"), machine.config().head_switch.jitter_s * line_hz);
        points.push(at_s * line_hz);
    }
    all.insert("head-switch-point/difference".to_owned(), points[1] - points[0]);
}

/// A procedure's triggered windows.
fn triggered<'a>(windows: &'a [Window], procedure: &'static str) -> impl Iterator<Item = &'a Window> {
    windows.iter().filter(move |w| w.procedure == procedure && w.triggered)
}

/// From the key to where a course, in seconds, stays within four jitters of where it ends.
fn lock_time(course: impl Fn(f64) -> f64, jitter_s: f64, windows: &[Window], procedure: &'static str) -> Option<f64> {
    const STEP_S: f64 = 1e-3;
    let (first, last) = (triggered(windows, procedure).next()?, triggered(windows, procedure).last()?);
    let end = course(last.trigger_s);
    // What walks on has no lock.
    if (course(first.trigger_s) - end).abs() > 4.0 * jitter_s {
        return None;
    }
    let steps = ((last.trigger_s - first.key_s) / STEP_S) as usize;
    let away = (0..steps).rev().find(|i| (course(first.key_s + *i as f64 * STEP_S) - end).abs() > 4.0 * jitter_s)?;
    Some((away + 1) as f64 * STEP_S)
}

fn drum_lock(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    // Without a reference there are no looks, but one long record of the head switch.
    let looks = covered(triggered(windows, "drum-lock"));
    let Some(span) = looks.or_else(|| covered(in_mode(windows, "drum-lock", Mode::Play))) else { return };
    let frame_hz = machine.format().lines.frame_rate_hz();
    let (course_s, slope, swing) = mean_slope_and_swing(|t| machine.drum_course_s(t), span);
    let mut put = |name: &str, value: f64| {
        all.insert(format!("drum-lock/drum.{name}"), value);
    };
    put("rate", frame_hz * (1.0 - slope));
    put("rate-error", -100.0 * slope);
    put("phase", 1e3 * course_s.rem_euclid(1.0 / frame_hz));
    put("drift", slope);
    let jitter_s = machine.config().drum.jitter_s.hypot(machine.config().head_switch.jitter_s);
    put("swing", 1e6 * swing);
    if machine.config().drum.hunting_s > 0.0 {
        // The irregular course of hunting passes for jitter in part, and never stands: that is told by the swing.
        return;
    }
    put("jitter", 1e6 * jitter_s);
    if let Some(lock_s) = lock_time(|t| machine.drum_course_s(t), jitter_s, windows, "drum-lock") {
        put("lock-time", lock_s);
    }
}

fn capstan_lock(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let Some((from_s, to_s)) = covered(triggered(windows, "capstan-lock")) else { return };
    let Some(delay_s) = machine.control_truth(from_s, to_s).delay_s else { return };
    let (_, slope, swing) = mean_slope_and_swing(|t| machine.tape_course_pitch(t), (from_s, to_s));
    let config = machine.config();
    let mut put = |name: &str, value: f64| {
        all.insert(format!("capstan-lock/capstan.{name}"), value);
    };
    let field_hz = machine.format().lines.field_rate_hz();
    let error = slope / field_hz;
    put("speed-error", 100.0 * error);
    put("phase", 1e3 * delay_s);
    put("swing", swing);
    let drift = error / (1.0 + error);
    put("drift", drift);
    if config.tracking.hunting_pitch > 0.0 {
        return;
    }
    let jitter_s = config.control.jitter_s.hypot(config.drum.jitter_s).hypot(config.head_switch.jitter_s);
    put("jitter", 1e3 * jitter_s);
    let course = |t| machine.tape_course_pitch(t) / field_hz;
    if let Some(lock_s) = lock_time(course, jitter_s, windows, "capstan-lock") {
        put("lock-time", lock_s);
    }
}

fn tracking_centre(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let Some((from_s, to_s)) = covered(triggered(windows, "tracking-centre")) else { return };
    // The control's own centre is place 0 of the scenarios.
    let offset = machine.tracking_centre_pitch(0.5 * (from_s + to_s));
    let field_hz = machine.format().lines.field_rate_hz();
    let offset_s = offset / field_hz;
    let place = |w: &Window| machine.tape_course_pitch(w.trigger_s);
    let places: Vec<f64> = triggered(windows, "tracking-centre").filter(|w| w.mode == Mode::Play).map(place).collect();
    // The control's own centre comes first.
    let own = triggered(windows, "tracking-centre").take_while(|w| (place(w) - places[0]).abs() < 0.02);
    let own_s = covered(own).and_then(|(from_s, to_s)| machine.control_truth(from_s, to_s).delay_s);
    let range = places.iter().fold(f64::MIN, |m, p| m.max(*p)) - places.iter().fold(f64::MAX, |m, p| m.min(*p));
    let mut put = |name: &str, value: f64| {
        all.insert(format!("tracking-centre/tracking.{name}"), value);
    };
    let apart = machine.heads_apart_pitch(to_s);
    put("heads-apart", apart);
    if let Some(own_s) = own_s {
        put("delay", 1e3 * own_s);
    }
    if apart != 0.0 {
        // Of two heads with levels of their own the mean has no exact centre.
        return;
    }
    put("offset", offset);
    put("offset-time", 1e3 * offset_s);
    put("x-error", -offset_s * machine.format().tape_speed_mm_s.value);
    put("offset-share", 100.0 * offset / range);
    put("evenness", 1.0);
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
    let (lines, timing) = (machine.format().lines, machine.format().lines.video());
    put("lines-a-field", lines.lines_a_scan());
    put("broad-pulses", f64::from(timing.broad_pulses));
    put("equalising-before", f64::from(timing.equalising_pulses));
    put("equalising-after", f64::from(timing.equalising_pulses));
    // Brightest and darkest patch of the pictures that are the same in every line.
    let picture = machine.tape().and_then(|(tape, _)| machine.config().tapes.get(tape)).map(|tape| tape.picture);
    if let Some(brightest) = match picture {
        Some(Picture::Bars) => Some((0.75, 0.0)),
        Some(Picture::Grey) => Some((0.5, 0.5)),
        _ => None,
    } {
        let (black_mv, out) = (timing.black_mv.value, &machine.config().video);
        let level =
            |share: f64| out.gain * (1e3 * out.set_up_v + black_mv + share * (timing.white_mv.value - black_mv));
        put("white", level(brightest.0));
        put("black", level(brightest.1));
    }
    // The long record is the last.
    if let Some(long) = own.iter().rfind(|w| !w.triggered) {
        let leads = machine.line_leads_s(long.from_s, long.to_s);
        let leads: Vec<f64> = leads.iter().filter(|(_, in_pattern)| !in_pattern).map(|(at_s, _)| *at_s).collect();
        put("time-base-error", 1e6 * about_even(&leads, line_s));
    }
}

/// Standard deviation of leading edges about evenly spaced ones, lines between them left out or not.
fn about_even(leads: &[f64], line_s: f64) -> f64 {
    if leads.is_empty() {
        return f64::NAN;
    }
    // From one to the next: over a record a line may be displaced against the first by more than a quarter of a line.
    let steps = leads.windows(2).map(|w| (2.0 * (w[1] - w[0]) / line_s).round() / 2.0);
    let numbers: Vec<f64> = core::iter::once(0.0)
        .chain(steps.scan(0.0, |number, step| {
            *number += step;
            Some(*number)
        }))
        .collect();
    let (mn, ml) = (mean(&numbers), mean(leads));
    let products: f64 = numbers.iter().zip(leads).map(|(n, l)| (n - mn) * (l - ml)).sum();
    let squares: f64 = numbers.iter().map(|n| (n - mn).powi(2)).sum();
    deviation(&numbers.iter().zip(leads).map(|(n, l)| l - ml - products / squares * (n - mn)).collect::<Vec<_>>())
}

/// Cycles over a nominal field's time, from the tape's and the drum's courses; places from the heads' heights.
fn search_modes(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    for mode in [Mode::Cue, Mode::Review] {
        let own = windows.iter().find(|w| w.procedure == "search-modes" && w.mode == mode);
        let Some(window) = own else { continue };
        let (_, slope, _) = mean_slope_and_swing(|t| machine.tape_course_pitch(t), (window.from_s, window.to_s));
        let (format, config) = (machine.format(), machine.config());
        let bars_hz = slope / pitches_a_bar(format);
        for head in ["head-a", "head-b"] {
            all.insert(format!("search-modes/{mode}.{head}.bars"), bars_hz.abs() / format.lines.field_rate_hz());
        }
        // A head that stands further along the way across the tracks meets them sooner.
        let apart_bars =
            (config.head_b.height_um - config.head_a.height_um) / (pitches_a_bar(format) * pitch_um(format));
        let off = -slope.signum() * apart_bars;
        all.insert(format!("search-modes/{mode}.places-off"), off - off.round());
        let speed = machine.tape_speed_ratio(window.from_s);
        all.insert(format!("search-modes/{mode}.speed"), speed);
        all.insert(format!("search-modes/{mode}.speed-by-pulses"), speed);
        // Bars follow from the geometry, on every machine.
        all.insert(format!("search-modes/{mode}.bars-off"), 0.0);
        let Some((from_s, to_s)) = covered(in_mode(windows, "search-modes", mode)) else { continue };
        let lines = format.lines.lines_a_scan();
        let level_v = |head: Head| {
            let level_v = |(at_s, until_s): (f64, f64)| {
                let span = whole_bars(bars_hz.abs() * (until_s - at_s), lines, 1.0 - GUARD_LINES / lines);
                machine.level_over_v(head, at_s, span)
            };
            mean(&machine.scans(head, from_s, to_s).into_iter().filter_map(level_v).collect::<Vec<_>>())
        };
        all.insert(format!("search-modes/{mode}.balance"), 20.0 * (level_v(Head::B) / level_v(Head::A)).log10());
    }
}
