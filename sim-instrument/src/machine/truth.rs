//! The exact truth, by the written definitions of the formats crate, from the machine's own state.
//!
//! No noise, no sampling by a scope, and nothing of the arithmetic that measures: where two
//! implementations of one formula meet, each is the other's check.

use super::Machine;
use super::conditions::Head;
use super::pulses::Train;
use super::replay::Picture;
use super::scan::Stretch;
use serde::Serialize;
use tapewright_formats::definitions::{ENTRANCE, EXIT, GUARD_LINES, MIDDLE, SEGMENTS, segment_start};
use tapewright_formats::{Signal, SignalForm};

/// Instants at which a segment's level is taken.
const LOOKS: usize = 24;

/// The curve of one head.
#[derive(Debug, Clone, Serialize)]
pub struct HeadCurve {
    /// Scans that it is the median of.
    pub scans: usize,
    /// Median level of each segment, volts.
    pub curve_v: Vec<f64>,
    /// Least over greatest.
    pub flatness: f64,
    /// Entrance over middle.
    pub entrance: f64,
    /// Exit over middle.
    pub exit: f64,
    /// Middle level, volts.
    pub middle_v: f64,
    /// Frame-to-frame modulation of the mean level.
    pub modulation: f64,
    /// Mean of the curve, volts.
    pub mean_v: f64,
}

/// Both heads.
#[derive(Debug, Clone, Serialize)]
pub struct CurveTruth {
    /// Head A.
    pub head_a: HeadCurve,
    /// Head B.
    pub head_b: HeadCurve,
    /// B over A, in dB.
    pub balance_db: f64,
}

/// Slip of the tape against the heads.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct SlipTruth {
    /// Mean of `|dp/dt|`, hertz.
    pub frequency_hz: f64,
    /// Its share of the frame rate, per cent.
    pub speed_error_percent: f64,
    /// Net walk of the place over the span, frames of tape; a servo that hunts comes back.
    pub walk_frames: f64,
}

/// Control pulses over a span.
#[derive(Debug, Clone, Serialize)]
pub struct ControlTruth {
    /// Pulses that should have come.
    pub expected: usize,
    /// Of these, how many did not.
    pub missing: usize,
    /// Missing over expected; none without any expected.
    pub missing_ratio: Option<f64>,
    /// When those that came rose, or had their positive spike.
    pub times_s: Vec<f64>,
    /// Pulses a second.
    pub rate_hz: Option<f64>,
    /// Standard deviation of the intervals, seconds.
    pub jitter_s: Option<f64>,
    /// High less low, or spike to spike, volts.
    pub level_v: Option<f64>,
    /// Time above the middle over the period, per cent (square only).
    pub duty_percent: Option<f64>,
    /// From rising edge to the switching to head A, modulo the frame, seconds.
    pub delay_s: Option<f64>,
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn deviation(values: &[f64]) -> f64 {
    let m = mean(values);
    (values.iter().map(|x| (x - m) * (x - m)).sum::<f64>() / (values.len() as f64 - 1.0)).sqrt()
}

pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { 0.5 * (values[half - 1] + values[half]) }
}

/// Flatness of a curve.
pub(super) fn least_over_greatest(curve: &[f64]) -> f64 {
    let (least, greatest) = curve.iter().fold((f64::INFINITY, 0.0_f64), |(low, high), v| (low.min(*v), high.max(*v)));
    least / greatest
}

impl Machine {
    /// Starts of every whole scan of a head within a span, in seconds, each with its end.
    #[must_use]
    pub fn scans(&self, head: Head, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
        let mut found = Vec::new();
        let mut t = from_s;
        while t < to_s {
            let stretch = self.timeline.stretch(t, self.seed);
            let end_s = if stretch.rate_hz > 0.0 { stretch.edge_s + 1.0 / stretch.rate_hz } else { stretch.end_s };
            let whole = stretch.edge_s >= from_s && end_s <= to_s && stretch.start_s == stretch.edge_s;
            if whole && stretch.head() == Some(head) && stretch.rate_hz > 0.0 {
                found.push((stretch.edge_s, end_s));
            }
            t = if stretch.end_s > t { stretch.end_s } else { t + 1e-9 };
        }
        found
    }

    /// Level `L_k` of each segment of the scan that holds an instant, in volts; none: it is not this head's scan.
    #[must_use]
    pub fn level_curve(&self, head: Head, scan_start_s: f64) -> Option<[f64; SEGMENTS]> {
        let stretch = self.timeline.stretch(scan_start_s + 1e-9, self.seed);
        if stretch.head() != Some(head) || stretch.rate_hz <= 0.0 {
            return None;
        }
        let guard = GUARD_LINES / self.format.lines.lines_a_scan();
        let (from_s, scan_s) = (stretch.edge_s, 1.0 / stretch.rate_hz);
        let mut current = stretch;
        let at_s = |k: usize| from_s + segment_start(k, guard) * scan_s;
        Some(core::array::from_fn(|k| self.rms_level_v(&mut current, at_s(k), at_s(k + 1), LOOKS)))
    }

    /// Root of the mean square of the level from one position of a scan to another.
    #[must_use]
    pub fn level_over_v(&self, head: Head, scan_start_s: f64, (from, to): (f64, f64)) -> Option<f64> {
        let mut stretch = self.timeline.stretch(scan_start_s + 1e-9, self.seed);
        if stretch.head() != Some(head) || stretch.rate_hz <= 0.0 {
            return None;
        }
        let (edge_s, rate_hz) = (stretch.edge_s, stretch.rate_hz);
        let (from_s, to_s) = (edge_s + from / rate_hz, edge_s + to / rate_hz);
        Some(self.rms_level_v(&mut stretch, from_s, to_s, LOOKS * SEGMENTS))
    }

    /// Root of the mean square of the level at so many instants, evenly from one to the other.
    fn rms_level_v(&self, current: &mut Stretch, from_s: f64, to_s: f64, looks: usize) -> f64 {
        let mut power = 0.0;
        for i in 0..looks {
            let t = from_s + (to_s - from_s) * (i as f64 + 0.5) / looks as f64;
            if t < current.start_s || t >= current.end_s {
                // A new epoch within the scan.
                *current = self.timeline.stretch(t, self.seed);
            }
            power += current.read(t).level_v().powi(2);
        }
        (power / looks as f64).sqrt()
    }

    /// The curve of a head over a span; none: no whole scan of it.
    #[must_use]
    pub fn head_curve(&self, head: Head, from_s: f64, to_s: f64) -> Option<HeadCurve> {
        let curves: Vec<[f64; SEGMENTS]> =
            self.scans(head, from_s, to_s).into_iter().filter_map(|(start, _)| self.level_curve(head, start)).collect();
        if curves.is_empty() {
            return None;
        }
        let curve: Vec<f64> = (0..SEGMENTS).map(|k| median(curves.iter().map(|c| c[k]).collect())).collect();
        let middle_v = mean(&curve[MIDDLE]);
        let means: Vec<f64> = curves.iter().map(|c| mean(c)).collect();
        Some(HeadCurve {
            scans: curves.len(),
            flatness: least_over_greatest(&curve),
            entrance: mean(&curve[ENTRANCE]) / middle_v,
            exit: mean(&curve[EXIT]) / middle_v,
            middle_v,
            modulation: if means.len() > 1 { deviation(&means) / mean(&means) } else { 0.0 },
            mean_v: mean(&curve),
            curve_v: curve,
        })
    }

    /// Both heads' curves over a span.
    #[must_use]
    pub fn curve_truth(&self, from_s: f64, to_s: f64) -> Option<CurveTruth> {
        let (head_a, head_b) = (self.head_curve(Head::A, from_s, to_s)?, self.head_curve(Head::B, from_s, to_s)?);
        let balance_db = 20.0 * (head_b.mean_v / head_a.mean_v).log10();
        Some(CurveTruth { head_a, head_b, balance_db })
    }

    /// Level of every whole frame of a span, both heads together, in volts.
    #[must_use]
    pub fn level_course(&self, from_s: f64, to_s: f64) -> Vec<f64> {
        let frame_s = 1.0 / self.format.lines.frame_rate_hz();
        let frames = ((to_s - from_s) / frame_s + 1e-6) as usize;
        let level_v = |t: f64| self.timeline.stretch(t, self.seed).read(t).level_v();
        let looks = 2 * LOOKS;
        (0..frames)
            .map(|n| {
                let at = |i: usize| from_s + (n as f64 + (i as f64 + 0.5) / looks as f64) * frame_s;
                (0..looks).map(|i| level_v(at(i))).sum::<f64>() / looks as f64
            })
            .collect()
    }

    /// Place of the heads against their tracks, in frames of tape: tape's place less the drum's phase, over two.
    fn slip_place(&self, t_s: f64) -> f64 {
        let epoch = self.timeline.at(t_s);
        let t_s = if epoch.start_s.is_finite() { t_s } else { 0.0 };
        (epoch.tape.at(t_s) - epoch.drum.at(t_s)) / 2.0
    }

    /// Slip over a span.
    #[must_use]
    pub fn slip_truth(&self, from_s: f64, to_s: f64) -> SlipTruth {
        let span_s = to_s - from_s;
        let steps = (span_s * self.format.lines.frame_rate_hz()).clamp(1.0, 1e6).round() as usize;
        let place = |i: usize| self.slip_place(from_s + span_s * i as f64 / steps as f64);
        let way: f64 = (0..steps).map(|i| (place(i + 1) - place(i)).abs()).sum();
        let frequency_hz = way / span_s;
        SlipTruth {
            frequency_hz,
            speed_error_percent: 100.0 * frequency_hz / self.format.lines.frame_rate_hz(),
            walk_frames: place(steps) - place(0),
        }
    }

    /// Control pulses over a span.
    #[must_use]
    pub fn control_truth(&self, from_s: f64, to_s: f64) -> ControlTruth {
        let spike = self.config.control.form == SignalForm::Spike;
        // Edges beyond the span make the last pulse whole, and are not counted.
        let edges = self.edges_with_missing(Train::Control, from_s, to_s + 0.1);
        let rises: Vec<_> = edges.iter().filter(|edge| edge.rising && edge.at_s < to_s).collect();
        let there: Vec<_> = rises.iter().filter(|edge| !edge.missing).collect();
        let times_s: Vec<f64> = there.iter().map(|edge| edge.at_s).collect();
        let (expected, missing) = (rises.len(), rises.len() - there.len());
        let rate_hz = match (there.first(), there.last()) {
            (Some(first), Some(last)) if last.pulse != first.pulse => {
                Some((last.pulse - first.pulse).unsigned_abs() as f64 / (last.at_s - first.at_s))
            }
            _ => None,
        };
        let intervals: Vec<f64> = there
            .windows(2)
            .filter(|pair| (pair[1].pulse - pair[0].pulse).abs() == 1)
            .map(|pair| pair[1].at_s - pair[0].at_s)
            .collect();
        let period_s = rate_hz.map(f64::recip);
        let falls = |rise_s: f64| edges.iter().find(|edge| !edge.rising && !edge.missing && edge.at_s > rise_s);
        let pairs: Vec<(f64, f64)> =
            there.iter().filter_map(|rise| falls(rise.at_s).map(|fall| (rise.at_s, fall.at_s))).collect();
        let present: Vec<_> = edges.iter().filter(|edge| !edge.missing).copied().collect();
        let levels: Vec<f64> = pairs
            .iter()
            .map(|(rise_s, fall_s)| {
                if spike {
                    self.spikes_v(&present, *rise_s) - self.spikes_v(&present, *fall_s)
                } else {
                    let (low_v, high_v, _, _) = self.train_levels(Train::Control, *rise_s);
                    high_v - low_v
                }
            })
            .collect();
        let duties: Vec<f64> = period_s
            .map_or_else(Vec::new, |period| pairs.iter().map(|(rise, fall)| 100.0 * (fall - rise) / period).collect());
        let some = |values: Vec<f64>| (!values.is_empty()).then(|| median(values));
        ControlTruth {
            expected,
            missing,
            missing_ratio: (expected > 0).then(|| missing as f64 / expected as f64),
            rate_hz,
            jitter_s: (intervals.len() > 1).then(|| deviation(&intervals)),
            level_v: some(levels),
            duty_percent: if spike { None } else { some(duties) },
            delay_s: self.delay_s(&times_s),
            times_s,
        }
    }

    /// Mean time from instants to the next switching to head A, modulo the frame.
    fn delay_s(&self, instants: &[f64]) -> Option<f64> {
        let (first, last) = (*instants.first()?, *instants.last()?);
        let frame_s = 1.0 / self.format.lines.frame_rate_hz();
        let switches: Vec<f64> = self
            .edges(Train::HeadSwitch, first, last + 3.0 * frame_s)
            .into_iter()
            .filter(|edge| edge.rising == self.config.head_switch.high_is_a)
            .map(|edge| edge.at_s)
            .collect();
        // As angles, so that delays about nothing and about a frame are neighbours.
        let (mut sine, mut cosine, mut count) = (0.0, 0.0, 0);
        for instant in instants {
            let next = switches[switches.partition_point(|s| s < instant)..].first()?;
            let angle = core::f64::consts::TAU * (next - instant) / frame_s;
            sine += angle.sin();
            cosine += angle.cos();
            count += 1;
        }
        (count > 0).then(|| (sine.atan2(cosine) / core::f64::consts::TAU).rem_euclid(1.0) * frame_s)
    }

    /// Head-switch periods a second over a span; none: fewer than two edges of one kind.
    #[must_use]
    pub fn head_switch_rate_hz(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let rises: Vec<f64> =
            self.edges(Train::HeadSwitch, from_s, to_s).into_iter().filter(|e| e.rising).map(|e| e.at_s).collect();
        (rises.len() > 1).then(|| (rises.len() as f64 - 1.0) / (rises[rises.len() - 1] - rises[0]))
    }

    /// Whether a signal is really there over a span: pulses come, or it stands clear of its noise.
    /// Video counts only when it comes off the tape.
    #[must_use]
    pub fn really_present(&self, signal: Signal, from_s: f64, to_s: f64) -> bool {
        let looks: Vec<f64> = (0..64).map(|i| from_s + (to_s - from_s) * (f64::from(i) + 0.37) / 64.0).collect();
        let share = |test: &dyn Fn(f64) -> bool| looks.iter().filter(|t| test(**t)).count() as f64 / looks.len() as f64;
        match signal {
            Signal::Rf => {
                share(&|t| {
                    let stretch = self.timeline.stretch(t, self.seed);
                    stretch.read(t).level_v() > 3.0 * stretch.conditions.noise_v.max(1e-6)
                }) > 0.2
            }
            Signal::Video => {
                share(&|t| matches!(self.picture(&self.timeline.stretch(t, self.seed), t).0, Picture::Tape { .. }))
                    > 0.5
            }
            Signal::Supply => share(&|t| self.supply_v(t).abs() > 0.5 * self.config.supply.rail_v.abs()) > 0.5,
            Signal::AudioLeft | Signal::AudioRight => share(&|t| self.audio_plays(t)) > 0.5,
            Signal::HifiRf => share(&|t| self.hifi_v(t) != 0.0) > 0.5,
            other => Self::train(other).is_some_and(|train| self.edges(train, from_s, to_s).len() >= 2),
        }
    }
}
