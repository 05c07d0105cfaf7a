//! Sync separator for composite video: where sync pulses lead, how wide they are, how deep.
//!
//! Nothing is taken for granted but the line standard: the signal may stand on any direct voltage, drift as AC
//! coupling lets it, hum, be noisy, lack pulses, have any gain.
//!
//! 1. Samples that are close enough are smoothed by a running mean of about a cycle of the subcarrier, so that strong
//!    colour below blanking is not taken for sync: it is even, so the middle of an edge stays where it is.
//! 2. The sync tip is followed: every line holds at least `TIP_SHARE` of tip (two equalising pulses), so the quantile
//!    in the middle of that share is the tip in each line; the median over five lines steps over lines without sync.
//! 3. Low stretches under a first threshold are pulses; behind those as wide as a line's sync lies the back porch, whose mean
//!    (the burst averages out) is blanking.
//! 4. With both levels known, pulses are cut again with hysteresis (30 % and 70 % of the sync), and their edges
//!    interpolated at the middle (IEEE 181).

use crate::error::{MeasureError, positive};
use crate::statistics::median_in_place;
use crate::trace::Trace;
use tapewright_formats::LineStandard;

/// Share of a line that lies at the tip at least: two equalising pulses of 2.3 us in 64 us.
const TIP_SHARE: f64 = 0.07;
/// Low for longer than this share of a line is a broad pulse (common practice, no source).
pub const BROAD_LINES: f64 = 0.25;
/// Pulses shorter than this are disturbances.
const GLITCH_S: f64 = 1.0e-6;
/// High for less than this within a pulse is a disturbance: half of a serration and less.
const SPLIT_S: f64 = 1.4e-6;
/// A pulse that disturbances part is low for at least this share: a line's sync with one of them is for 0.7 of it. Colour that its
/// sampling folds into slow dips is low for less than two thirds of what they span, the less the brighter it is.
const LOW_SHARE: f64 = 0.65;
/// A line's sync is wider than this, an equalising pulse narrower: the middle of 2.3 us and 4.7 us.
const LINE_SYNC_S: f64 = 3.5e-6;
/// Widest line sync.
const WIDEST_S: f64 = 7.0e-6;
/// Samples farther apart miss equalising pulses: three of 2.3 us.
const SLOWEST_S: f64 = 0.85e-6;
/// Straight edge over a half wave of a sine that takes as long from 10 % to 90 %: `0.8` of the one, `0.590` of the other.
const SINE_LENGTH: f64 = 0.590 / 0.8;
/// Sync must stand so many deviations of the smoothed noise above nothing.
const CLEAR: f64 = 5.0;

/// What a pulse is, by its width.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PulseKind {
    /// Half as wide as a line's sync.
    Equalising,
    /// A line's sync.
    Line,
    /// A broad pulse of the field sync.
    Broad,
    /// None of these.
    Other,
}

/// One sync pulse.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SyncPulse {
    /// Middle of its leading edge, in seconds from the trigger.
    pub lead_s: f64,
    /// From that to the middle of its trailing edge.
    pub width_s: f64,
    /// What it is.
    pub kind: PulseKind,
}

/// The sync pulses of a record.
#[derive(Debug, Clone, PartialEq)]
pub struct Syncs {
    /// In order of time. Pulses that begin or end outside the record are left out.
    pub pulses: Vec<SyncPulse>,
    /// Blanking less tip, in volts: median over lines.
    pub depth_v: f64,
    /// Standard deviation of single samples at the tip, in volts.
    pub noise_v: f64,
    /// Standard uncertainty of one leading edge from noise and sampling, in seconds.
    pub lead_u_s: f64,
    /// Blanking as each line's back porch shows it: time and volts.
    pub blanking: Vec<(f64, f64)>,
    /// Tip as each line shows it: time and volts.
    pub tips: Vec<(f64, f64)>,
    /// Dips too short to be pulses.
    pub glitches: usize,
    /// Begin and end of the record.
    pub observed: (f64, f64),
    /// Length of a line by the standard.
    pub line_s: f64,
    /// From sample to sample.
    pub dt_s: f64,
}

/// Length of the running mean: about a cycle of the subcarrier.
const SMOOTH_S: f64 = 0.25e-6;
/// Three samples are averaged where they lie no farther apart than this: a quarter of an equalising pulse together.
const SMOOTH_DT_S: f64 = 0.2e-6;

/// Running mean over an odd number of samples, even about each.
fn smooth(volts: &[f32], dt_s: f64) -> (Vec<f32>, usize) {
    let half = (((SMOOTH_S / dt_s) as usize) / 2).max(usize::from(dt_s <= SMOOTH_DT_S));
    let count = 2 * half + 1;
    if half == 0 || volts.len() < count {
        return (volts.to_vec(), 1);
    }
    let mut sum: f64 = volts[..count].iter().map(|v| f64::from(*v)).sum();
    let mut out = volts.to_vec();
    for i in half..volts.len() - half {
        out[i] = (sum / count as f64) as f32;
        if i + half + 1 < volts.len() {
            sum += f64::from(volts[i + half + 1]) - f64::from(volts[i - half]);
        }
    }
    (out, count)
}

/// The value below which a share of finite values lies; reorders them.
fn quantile(values: &mut [f32], share: f64) -> f64 {
    let place = ((values.len() - 1) as f64 * share) as usize;
    let (_, value, _) = values.select_nth_unstable_by(place, f32::total_cmp);
    f64::from(*value)
}

/// A level that changes slowly: straight between known places.
struct Course<'a> {
    points: &'a [(f64, f64)],
    next: usize,
}

impl Course<'_> {
    /// At rising times.
    fn at(&mut self, time: f64) -> f64 {
        while self.next < self.points.len() && self.points[self.next].0 < time {
            self.next += 1;
        }
        match (self.next.checked_sub(1).map(|before| self.points[before]), self.points.get(self.next)) {
            (None, Some(after)) => after.1,
            (Some(before), None) => before.1,
            (Some(before), Some(after)) => {
                before.1 + (after.1 - before.1) * (time - before.0) / (after.0 - before.0).max(f64::MIN_POSITIVE)
            }
            (None, None) => 0.0,
        }
    }
}

/// Tip in each line, in samples from the start and volts.
fn tips(volts: &[f32], line: f64) -> Vec<(f64, f64)> {
    let windows = (volts.len() as f64 / line).ceil().max(1.0) as usize;
    let length = line.ceil() as usize;
    let mut raw = Vec::with_capacity(windows);
    let mut buffer = Vec::with_capacity(length);
    for w in 0..windows {
        // The last window ends with the record.
        let from = ((w as f64 * line) as usize).min(volts.len().saturating_sub(length));
        buffer.clear();
        buffer.extend_from_slice(&volts[from..(from + length).min(volts.len())]);
        raw.push((from as f64 + 0.5 * line, quantile(&mut buffer, 0.5 * TIP_SHARE)));
    }
    let reach = 2.min(raw.len().saturating_sub(1) / 2);
    (0..raw.len())
        .map(|i| {
            let from = i.saturating_sub(reach).min(raw.len() - 1 - (2 * reach).min(raw.len() - 1));
            let mut near: Vec<f64> = raw[from..(from + 2 * reach + 1).min(raw.len())].iter().map(|t| t.1).collect();
            (raw[i].0, median_in_place(&mut near))
        })
        .collect()
}

/// Low stretches: samples of falling and rising crossings of `middle`, found with hysteresis.
fn low_stretches(above: &[f32], low: f64, high: f64, middle: f64) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut was_high = false;
    let mut fall = None;
    let (mut inside, mut start) = (false, 0);
    let mut crossing = 0;
    for i in 0..above.len() {
        let v = f64::from(above[i]);
        if i > 0 {
            let before = f64::from(above[i - 1]);
            if before >= middle && v < middle {
                fall = Some(i - 1);
            }
            if before < middle && v >= middle {
                crossing = i - 1;
            }
        }
        if !inside && v < low {
            inside = true;
            // A pulse that the record begins in has no leading edge.
            start = if was_high { fall.unwrap_or(0) } else { usize::MAX };
        } else if inside && v > high {
            inside = false;
            if start != usize::MAX {
                out.push((start, crossing));
            }
        }
        was_high |= v > high;
    }
    out
}

fn crossing(above: &[f32], i: usize, middle: f64) -> f64 {
    let (a, b) = (f64::from(above[i]), f64::from(above[i + 1]));
    i as f64 + if a == b { 0.5 } else { ((middle - a) / (b - a)).clamp(0.0, 1.0) }
}

/// Finds the sync pulses of a sampled record.
///
/// # Errors
/// [`MeasureError::TooSlow`] where samples lie too far apart, [`MeasureError::TooShort`] under one line,
/// [`MeasureError::Clipped`], [`MeasureError::InNoise`] where no sync stands out.
pub fn separate(trace: &Trace, lines: LineStandard) -> Result<Syncs, MeasureError> {
    let dt_s = trace.dt_s();
    let line_s = 1.0 / lines.line_rate_hz();
    positive("time from sample to sample", dt_s)?;
    if dt_s > SLOWEST_S {
        return Err(MeasureError::TooSlow { what: "sync pulses", rate_hz: 1.0 / dt_s, needed_hz: 1.0 / SLOWEST_S });
    }
    if trace.span_s() < line_s {
        return Err(MeasureError::TooShort { what: "lines of video", given: trace.span_s() / line_s, needed: 1.0 });
    }
    trace.conversion().demand_unclipped("video")?;
    let (smoothed, averaged) = smooth(trace.volts(), dt_s);
    let line = line_s / dt_s;
    let tips = tips(&smoothed, line);
    let mut course = Course { points: &tips, next: 0 };
    let above: Vec<f32> =
        smoothed.iter().enumerate().map(|(i, v)| (f64::from(*v) - course.at(i as f64)) as f32).collect();
    let top = quantile(&mut above.clone(), 0.97);
    let none = |detail: String| MeasureError::InNoise { what: "sync pulses", detail };
    if !(top > 2.0 * trace.conversion().step_v && top > 0.0) {
        return Err(none(format!("the signal lies within {top:.4} V")));
    }
    // Blanking, from the porches behind first finds.
    let first = low_stretches(&above, 0.13 * top, 0.17 * top, 0.15 * top);
    let timing = lines.video();
    let porch_s = (timing.h_blanking_us.value - timing.front_porch_us.value - timing.h_sync_us.value) * 1e-6 - 1.1e-6;
    let mut porches: Vec<(f64, f64)> = Vec::new();
    for (fall, rise) in &first {
        let width_s = (rise - fall) as f64 * dt_s;
        if !(LINE_SYNC_S..WIDEST_S).contains(&width_s) {
            continue;
        }
        let from = rise + (0.5e-6 / dt_s).ceil() as usize + 1;
        let until = from + ((porch_s / dt_s) as usize).max(1);
        if until <= above.len() {
            let mean = above[from..until].iter().map(|v| f64::from(*v)).sum::<f64>() / (until - from) as f64;
            porches.push((0.5 * (from + until) as f64, mean));
        }
    }
    if porches.is_empty() {
        return Err(none(format!("no pulse of a line's sync in {:.1} lines", trace.span_s() / line_s)));
    }
    let depth_v = median_in_place(&mut porches.iter().map(|p| p.1).collect::<Vec<_>>());
    let middle = 0.5 * depth_v;
    if !(depth_v > 0.08 * top && depth_v > 4.0 * trace.conversion().step_v) {
        return Err(none(format!("the porch lies {depth_v:.4} V above the tip, the picture reaches {top:.4} V")));
    }
    let (pulses, glitches, places) = pulses(&above, depth_v, trace, line_s);
    // Noise: what samples well inside pulses scatter about each other.
    let mut away: Vec<f64> = Vec::new();
    for &(fall, rise) in &places {
        let (a, b) = (fall + (rise - fall) / 4 + 1, rise.saturating_sub((rise - fall) / 4));
        away.extend((a..b.max(a)).map(|i| f64::from(trace.volts()[i + 1] - trace.volts()[i]).abs()));
    }
    // A difference of two samples has root two of the noise, and the mean of its size is `sqrt(2 / pi)` of that. A median would be
    // one of the converter's few steps.
    let mean_v = away.iter().sum::<f64>() / away.len().max(1) as f64;
    let noise_v = (0.5 * core::f64::consts::PI.sqrt() * mean_v).max(0.29 * trace.conversion().step_v);
    let smoothed_noise = noise_v / (averaged as f64).sqrt();
    if depth_v < CLEAR * smoothed_noise {
        return Err(none(format!("sync of {depth_v:.4} V over noise of {smoothed_noise:.4} V")));
    }
    let edge_s = timing.sync_edge_us.value * 1e-6 / 0.8;
    let sampling_s = between_samples_s(edge_s, dt_s, averaged);
    let lead_u_s = (smoothed_noise * edge_s.max(averaged as f64 * dt_s) / depth_v).hypot(sampling_s);
    let time = |place: f64| trace.t0_s() + place * dt_s;
    let mut course = Course { points: &tips, next: 0 };
    Ok(Syncs {
        pulses,
        depth_v,
        noise_v,
        lead_u_s,
        blanking: porches.iter().map(|(place, v)| (time(*place), v + course.at(*place))).collect(),
        tips: tips.iter().map(|(place, v)| (time(*place), *v)).collect(),
        glitches,
        observed: (trace.t0_s(), trace.t0_s() + trace.span_s()),
        line_s,
        dt_s,
    })
    .and_then(|found| {
        if middle > 0.0 && !found.pulses.is_empty() { Ok(found) } else { Err(none("no whole pulse".into())) }
    })
}

/// Standard deviation of where a straight line between two samples puts the middle of an edge, the samples lying anywhere
/// against it. A slope from sample to sample tells the middle well; between samples that both miss the edge it lies anywhere.
///
/// Each sample is the mean of so many. The edge is straight, `edge_s` from foot to top, or a half wave of a sine as long from
/// 10 % to 90 %: the greater of both, since its form is not known.
fn between_samples_s(edge_s: f64, dt_s: f64, averaged: usize) -> f64 {
    const LOOKS: usize = 64;
    const QUARTER: f64 = core::f64::consts::FRAC_PI_2;
    let straight = |at_s: f64| (2.0 * at_s / edge_s).clamp(-1.0, 1.0);
    let sine = |at_s: f64| (SINE_LENGTH * 2.0 * QUARTER * at_s / edge_s).clamp(-QUARTER, QUARTER).sin();
    let half = 0.5 * (averaged as f64 - 1.0);
    let scatter = |edge: &dyn Fn(f64) -> f64| {
        let level = |at_s: f64| (0..averaged).map(|k| edge(at_s + (k as f64 - half) * dt_s)).sum::<f64>();
        let error_s = |n: usize| {
            let at_s = -dt_s * (n as f64 + 0.5) / LOOKS as f64;
            let (before, after) = (level(at_s), level(at_s + dt_s));
            at_s + dt_s * before / (before - after)
        };
        ((0..LOOKS).map(|n| error_s(n).powi(2)).sum::<f64>() / LOOKS as f64).sqrt()
    };
    scatter(&straight).max(scatter(&sine))
}

type Found = (Vec<SyncPulse>, usize, Vec<(usize, usize)>);

/// Pulses cut at the right middle, disturbances merged or left out, named by their widths; how many were left out; the samples of
/// those that nothing parts, or of all.
fn pulses(above: &[f32], depth_v: f64, trace: &Trace, line_s: f64) -> Found {
    let middle = 0.5 * depth_v;
    // With the samples that are low in each.
    let mut merged: Vec<(usize, usize, usize)> = Vec::new();
    for (fall, rise) in low_stretches(above, 0.3 * depth_v, 0.7 * depth_v, middle) {
        match merged.last_mut() {
            Some((_, until, low)) if (fall as f64 - *until as f64) * trace.dt_s() < SPLIT_S => {
                (*until, *low) = (rise, *low + rise - fall);
            }
            _ => merged.push((fall, rise, rise - fall)),
        }
    }
    let before = merged.len();
    merged.retain(|(fall, rise, low)| {
        (rise - fall) as f64 * trace.dt_s() > GLITCH_S && *low as f64 > LOW_SHARE * (rise - fall) as f64
    });
    let found = merged
        .iter()
        .map(|&(fall, rise, _)| {
            let (lead, trail) = (crossing(above, fall, middle), crossing(above, rise, middle));
            let width_s = (trail - lead) * trace.dt_s();
            let kind = if width_s > BROAD_LINES * line_s {
                PulseKind::Broad
            } else if width_s > WIDEST_S {
                PulseKind::Other
            } else if width_s > LINE_SYNC_S {
                PulseKind::Line
            } else {
                PulseKind::Equalising
            };
            SyncPulse { lead_s: trace.t0_s() + lead * trace.dt_s(), width_s, kind }
        })
        .collect();
    let left_out = before - merged.len();
    if merged.iter().any(|(fall, rise, low)| *low == rise - fall) {
        merged.retain(|(fall, rise, low)| *low == rise - fall);
    }
    (found, left_out, merged.into_iter().map(|(fall, rise, _)| (fall, rise)).collect())
}
