//! Scans in search: captures first, levels against position once the noise is known; the tape's speed by its control pulses.

use tapewright_sdk::formats::definitions::GUARD_LINES;
use tapewright_sdk::formats::relations::line_shift;
use tapewright_sdk::formats::{Format, SignalForm};
use tapewright_sdk::measure::course::{Course, CourseLevel};
use tapewright_sdk::measure::pulses::pulses_in;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::search::{Bars, ScanCourse, count_bars};
use tapewright_sdk::measure::statistics::{Moments, moments};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// Counts that are looked for, a scan: from 2 to 25 times play speed.
const COUNTS: (f64, f64) = (0.45, 13.0);
/// Frames of a record of control pulses.
const FRAMES: f64 = 4.0;

/// What was captured in one mode.
pub(crate) struct Take {
    pub(crate) mode: Mode,
    /// Scans of each head.
    scans: Vec<(ScanHead, Vec<Capture>)>,
    /// Speed by the control pulses.
    pub(crate) by_pulses: Option<Estimate>,
}

/// What one head shows.
pub(crate) struct HeadLook {
    pub(crate) name: &'static str,
    pub(crate) bars: Result<Bars>,
    /// Levels of its scans, over whole bars.
    pub(crate) level_v: Moments,
    /// By how much their mean is off when the noise is by its standard uncertainty.
    pub(crate) by_noise_v: f64,
    /// Standard uncertainty from how much of a bin stands at its crest.
    pub(crate) by_crest_v: f64,
    /// By how much it is off when the count of bars is by its standard uncertainty, with its sign.
    pub(crate) by_count_v: f64,
}

/// Scans of each head and the control pulses, in a mode.
pub(crate) fn take(
    front: &Front,
    format: &Format,
    mode: Mode,
    scans: u32,
    control: Option<SignalForm>,
) -> Result<Take> {
    go(mode)?;
    let captured = front.heads.iter().map(|head| Ok((*head, front.frames(*head, 1, scans)?)));
    let scans = captured.collect::<Result<Vec<_>>>()?;
    let by_pulses = match control {
        Some(form) => control_speed(format, form)?,
        None => None,
    };
    Ok(Take { mode, scans, by_pulses })
}

/// Drum's rate in search over its nominal one: anywhere between not corrected at all and corrected for the line rate.
pub(crate) fn drum_ratio(format: &Format, speed: f64) -> (f64, f64) {
    let corrected = 1.0 / (1.0 - (speed - 1.0) * line_shift(format) / format.lines.lines_a_scan());
    (0.5 * (1.0 + corrected), 0.5 * (corrected - 1.0).abs())
}

/// Both heads' levels, and the bars in them.
pub(crate) fn looks(front: &Front, format: &Format, take: &Take, floor: &Floor) -> Result<Vec<HeadLook>> {
    let mut seen = Vec::new();
    for (head, captures) in &take.scans {
        let courses = front.courses(captures, floor, *head)?;
        let bars = bars_in(&courses);
        seen.push((*head, courses, bars));
    }
    // Where the drum is made to turn faster, so that the line rate stays right, the scan ends early: what the record holds after that is
    // the other head's.
    if let Some(rough) = best_of(&seen) {
        let sign = if take.mode == Mode::Review { -1.0 } else { 1.0 };
        let (ratio, half) = drum_ratio(format, 1.0 + sign * 2.0 * rough.value);
        let end = (1.0 - GUARD_LINES / format.lines.lines_a_scan()) / (ratio + half).max(1.0);
        for (_, courses, bars) in &mut seen {
            *courses = std::mem::take(courses).into_iter().map(|course| course.until(end)).collect();
            *bars = bars_in(courses);
        }
    }
    let known = best_of(&seen).map(|count| (count.value, count.standard_uncertainty));
    let mut found = Vec::new();
    for (head, courses, bars) in seen {
        let levels: Vec<CourseLevel> = courses.iter().map(|course| course.level(known)).collect();
        let of = |each: fn(&CourseLevel) -> f64| levels.iter().map(each).collect::<Vec<f64>>();
        found.push(HeadLook {
            name: if head == ScanHead::A { "head-a" } else { "head-b" },
            bars,
            level_v: moments(&of(|level| level.level_v))?,
            by_noise_v: moments(&of(|level| level.by_noise_v))?.mean,
            by_crest_v: moments(&of(|level| level.by_crest_v))?.mean,
            by_count_v: moments(&of(|level| level.by_count_v))?.mean,
        });
    }
    let strongest_v = found.iter().map(|head| head.level_v.mean).fold(0.0, f64::max);
    floor.demand_below(strongest_v).on("rf")?;
    Ok(found)
}

fn bars_in(courses: &[Course]) -> Result<Bars> {
    let scans: Vec<ScanCourse> = courses.iter().map(|course| course.scan.clone()).collect();
    Ok(count_bars(&scans, COUNTS.0, COUNTS.1)?)
}

/// Both heads cross the same tape: the one whose bars are known better tells how many there are.
fn best_of(seen: &[(ScanHead, Vec<Course>, Result<Bars>)]) -> Option<Estimate> {
    let known = seen.iter().filter_map(|(_, _, bars)| bars.as_ref().ok().map(|bars| &bars.count));
    known.min_by(|a, b| a.standard_uncertainty.total_cmp(&b.standard_uncertainty)).cloned()
}

/// Tape speed over play speed by the rate of the control pulses; none: they cannot be told in this mode.
fn control_speed(format: &Format, form: SignalForm) -> Result<Option<Estimate>> {
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
