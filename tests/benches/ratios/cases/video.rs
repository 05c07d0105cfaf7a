//! Video: sync, levels, times.

use super::{digitised, keep, samples_of, volts, volts_of};
use crate::Case;
use crate::signals;
use crate::signals::video;
use std::path::Path;
use tapewright_formats::{LineStandard, Signal};
use tapewright_measure::Trace;
use tapewright_measure::field::field_syncs;
use tapewright_measure::statistics::{effective_count, median};
use tapewright_measure::switching::{point_of_edge, switch_point};
use tapewright_measure::sync::separate;
use tapewright_measure::time_base::{Sampling, line_period, line_periods, scatter_of_times, time_base_errors};
use tapewright_measure::video::{level_over_lines, line_levels, patch_over_lines, with_picture};

fn sync(folder: &Path) -> Case {
    let name = "sync separator, one field";
    let (dt_s, count) = (5e-8, 340_000);
    let trace = Trace::from_volts(0.0, dt_s, signals::played(Signal::Video, count, dt_s)).expect("a trace");
    keep(folder, name, dt_s, volts(&trace));
    let run = move || {
        let found = separate(&trace, LineStandard::L525).expect("sync pulses");
        vec![found.depth_v, found.pulses.len() as f64]
    };
    Case { name, samples: count, run: Box::new(run), truth: None }
}

const LINES: LineStandard = LineStandard::L525;
/// Points of a capture.
const POINTS: usize = 2_500;
/// Bounds of the scope's screen, in volts.
const SCREEN_V: (f64, f64) = (-0.45, 1.05);

/// Captures of two lines each, from anywhere in the picture: levels; period and jitter.
fn lines(folder: &Path) -> [Case; 2] {
    let names = ["video: sync, burst, white, 24 captures", "video: line period, jitter, 24 captures"];
    let dt_s = 2.3 * video::LINE_S / POINTS as f64;
    let lengths_s = video::line_lengths(24);
    let capture =
        |(line_s, n): (&f64, u64)| digitised((0.0, dt_s), SCREEN_V, &video::lines((POINTS, dt_s), *line_s, n));
    let traces: Vec<Trace> = lengths_s.iter().zip(0..).map(capture).collect();
    for name in names {
        keep(folder, name, dt_s, volts_of(&traces));
    }
    let samples = samples_of(&traces);
    let same = traces.clone();
    let levels = move || {
        let (mut found, mut noise_v) = (Vec::new(), f64::INFINITY);
        for trace in &same {
            let syncs = separate(trace, LINES).expect("sync pulses");
            noise_v = noise_v.min(syncs.noise_v);
            found.extend(line_levels(trace, &syncs, LINES));
        }
        let step_v = same[0].conversion().step_v;
        let syncs: Vec<f64> = found.iter().map(|line| line.sync_v).collect();
        let bursts: Vec<f64> = found.iter().filter_map(|line| line.burst_v).collect();
        let whites: Vec<f64> = with_picture(&found).iter().map(|(white, _)| *white).collect();
        let level = |values: &[f64]| level_over_lines(values, step_v, noise_v, 0.0).expect("lines").value;
        let burst_v = median(&bursts).expect("bursts");
        let white = patch_over_lines(&whites, (step_v, noise_v, 0.0), burst_v).expect("pictures");
        vec![level(&syncs), level(&bursts), white.value]
    };
    let times = move || {
        let (mut periods_s, mut lead_u_s) = (Vec::new(), 0.0_f64);
        for trace in &traces {
            let syncs = separate(trace, LINES).expect("sync pulses");
            periods_s.extend(line_periods(&syncs).first());
            lead_u_s = lead_u_s.max(syncs.lead_u_s);
        }
        let period = line_period(&periods_s, lead_u_s, 0.0).expect("periods");
        let sampling = Sampling { one_u_s: core::f64::consts::SQRT_2 * lead_u_s, in_step: false };
        let worth = effective_count(&periods_s).expect("periods");
        vec![period.value, scatter_of_times(&periods_s, worth, sampling).expect("periods").value]
    };
    let truth = signals::mean_and_deviation(&lengths_s).to_vec();
    [
        Case { name: names[0], samples, run: Box::new(levels), truth: Some(video::LEVELS_V.to_vec()) },
        Case { name: names[1], samples, run: Box::new(times), truth: Some(truth) },
    ]
}

/// More than two fields: time-base error, and lines from field to field.
fn long(folder: &Path) -> Case {
    let name = "video: time-base error, two fields";
    let count = 200_000;
    let dt_s = 2.15 * 262.5 * video::LINE_S / count as f64;
    let trace = digitised((0.0, dt_s), SCREEN_V, &video::wobbling(count, dt_s));
    keep(folder, name, dt_s, volts(&trace));
    let truth = video::time_base(trace.span_s());
    let run = move || {
        let syncs = separate(&trace, LINES).expect("sync pulses");
        let times = time_base_errors(&syncs);
        let errors = scatter_of_times(&times.errors_s, times.errors_s.len() as f64, times.sampling).expect("lines");
        let starts = field_syncs(&syncs, LINES);
        let field = starts.windows(2).next().map_or(0.0, |w| (w[1].at_s - w[0].at_s) / video::LINE_S);
        vec![1e6 * errors.value, field]
    };
    Case { name, samples: count, run: Box::new(run), truth: Some(truth) }
}

/// Captures about head-switch edges: lines to vertical sync.
fn switch(folder: &Path) -> Case {
    let name = "head switch to vertical sync, 16 edges";
    let time = (-6.0 * video::LINE_S, 26.0 * video::LINE_S / POINTS as f64);
    let ahead = video::switched(16);
    let capture = |(lines, n): (&f64, u64)| digitised(time, SCREEN_V, &video::about_switch(time, POINTS, *lines, n));
    let traces: Vec<Trace> = ahead.iter().zip(0..).map(capture).collect();
    keep(folder, name, time.1, volts_of(&traces));
    let samples = samples_of(&traces);
    let run = move || {
        let (mut points_s, mut lead_u_s) = (Vec::new(), 0.0_f64);
        for trace in &traces {
            let syncs = separate(trace, LINES).expect("sync pulses");
            let point = point_of_edge(&field_syncs(&syncs, LINES), 20.0 * video::LINE_S).expect("a field");
            points_s.push(point.0);
            lead_u_s = lead_u_s.max(point.1);
        }
        let point = switch_point(&points_s, lead_u_s, 0.5 * time.1, 0.0, 0.0).expect("edges");
        vec![point.mean.value / video::LINE_S]
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![signals::mean_and_deviation(&ahead)[0]]) }
}

/// The cases of this room.
pub(super) fn all(folder: &Path) -> Vec<Case> {
    let [levels, times] = lines(folder);
    vec![sync(folder), levels, times, long(folder), switch(folder)]
}
