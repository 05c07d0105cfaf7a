//! Scans of one head in search, as level against position; the tape's speed by its control pulses.

use tapewright_sdk::formats::definitions::GUARD_LINES;
use tapewright_sdk::formats::{Format, SignalForm};
use tapewright_sdk::measure::pulses::pulses_in;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::search::{Bars, ScanCourse, count_bars};
use tapewright_sdk::measure::statistics::moments;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

/// Places of a scan at which the level is taken: nine for a bar of the greatest count.
const PLACES: usize = 120;
/// Counts that are looked for, a scan: from 2 to 25 times play speed.
const COUNTS: (f64, f64) = (0.45, 13.0);
/// Frames of a record of control pulses.
const FRAMES: f64 = 4.0;

/// What one head shows.
pub(crate) struct HeadLook {
    pub(crate) name: &'static str,
    pub(crate) bars: Result<Bars>,
    /// Mean level over its scans, and its standard error.
    pub(crate) mean_v: f64,
    pub(crate) mean_u_v: f64,
    pub(crate) scans: usize,
}

/// Both heads' scans, and the bars in them.
pub(crate) fn looks(front: &Front, format: &Format, scans: u32) -> Result<Vec<HeadLook>> {
    let mut found = Vec::new();
    for &head in &front.heads {
        let captures = front.frames(head, 1, scans)?;
        let courses = captures.iter().map(|capture| course(capture, format)).collect::<Result<Vec<_>>>()?;
        let means: Vec<f64> =
            courses.iter().map(|c| c.level_v.iter().sum::<f64>() / c.level_v.len().max(1) as f64).collect();
        let m = moments(&means)?;
        found.push(HeadLook {
            name: if head == ScanHead::A { "head-a" } else { "head-b" },
            bars: count_bars(&courses, COUNTS.0, COUNTS.1).map_err(Unable::from),
            mean_v: m.mean,
            mean_u_v: m.standard_deviation / (m.count as f64).sqrt(),
            scans: m.count,
        });
    }
    Ok(found)
}

/// Level against position within the guards, of a capture that began at its head's edge.
fn course(capture: &Capture, format: &Format) -> Result<ScanCourse> {
    if !capture.info.triggered {
        return Err(Unable::new(UnableCode::NoTrigger, "a scan was captured without its head-switch edge"));
    }
    let codes = capture.trace(Signal::Rf)?;
    let scan_s = 1.0 / format.lines.field_rate_hz();
    let guard = GUARD_LINES / format.lines.lines_a_scan();
    let (from, to) = (guard, 1.0 - guard);
    let place = |time_s: f64| ((time_s / scan_s - from) / (to - from) * PLACES as f64).floor();
    let mut sums = vec![(0.0, 0.0); PLACES];
    let mut add = |time_s: f64, power: f64| {
        let at = place(time_s);
        if at >= 0.0 && at < PLACES as f64 {
            let sum: &mut (f64, f64) = &mut sums[at as usize];
            *sum = (sum.0 + power, sum.1 + 1.0);
        }
    };
    if codes.info.pairs {
        let pairs = codes.pairs()?;
        pairs.conversion().demand_unclipped("RF")?;
        for (i, (low, high)) in pairs.least().iter().zip(pairs.greatest()).enumerate() {
            add(pairs.time_s(i), (0.5 * (f64::from(*high) - f64::from(*low))).powi(2));
        }
    } else {
        let trace = codes.samples()?;
        trace.conversion().demand_unclipped("RF")?;
        let mean = trace.volts().iter().map(|v| f64::from(*v)).sum::<f64>() / trace.volts().len().max(1) as f64;
        for (i, v) in trace.volts().iter().enumerate() {
            add(trace.time_s(i), 2.0 * (f64::from(*v) - mean).powi(2));
        }
    }
    if sums.iter().any(|(_, count)| *count == 0.0) {
        let why = "the record of a scan has fewer points than places, or ends before the scan does: the drum may be far off its rate";
        return Err(Unable::new(UnableCode::TooShort, why));
    }
    let width = (to - from) / PLACES as f64;
    Ok(ScanCourse {
        level_v: sums.iter().map(|(power, count)| (power / count).sqrt()).collect(),
        from: from + 0.5 * width,
        to: to - 0.5 * width,
    })
}

/// Tape speed over play speed by the rate of the control pulses; none: they cannot be told in this mode.
pub(crate) fn control_speed(format: &Format, form: SignalForm) -> Result<Option<Estimate>> {
    let frame_hz = format.lines.frame_rate_hz();
    let capture = Acquire::of(&[Signal::ControlTrack])
        .span_s(FRAMES / frame_hz)
        .least_points(2_500.min(abilities().greatest_points))
        .take_one()?;
    let trace = capture.trace(Signal::ControlTrack)?.samples()?;
    trace.conversion().demand_unclipped("control pulses")?;
    let pulses = match pulses_in(&trace, form) {
        Ok(pulses) if pulses.times_s.len() >= 4 => pulses,
        Ok(_) | Err(MeasureError::InNoise { .. }) => return Ok(None),
        Err(error) => return Err(error.into()),
    };
    let own_hz = (pulses.times_s.len() as f64 - 1.0) / (pulses.times_s[pulses.times_s.len() - 1] - pulses.times_s[0]);
    let rate = pulses.rate(own_hz, capture.info.timebase_uncertainty)?;
    Ok(Some(rate.scaled(1.0 / frame_hz)))
}
