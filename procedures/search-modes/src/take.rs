//! Scans in search: captures first, levels against position once the noise is known; the tape's speed by its control pulses.

use tapewright_sdk::control::demand_even;
use tapewright_sdk::formats::definitions::{GUARD_LINES, pitches_a_bar};
use tapewright_sdk::formats::relations::line_shift;
use tapewright_sdk::formats::{Format, SignalForm};
use tapewright_sdk::measure::course::{Course, CourseLevel};
use tapewright_sdk::measure::pulses::pulses_in;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::search::{
    Bars, LEAST_BARS, Places, ScanCourse, ScanPair, count_bars, most_bars, places_off,
};
use tapewright_sdk::measure::statistics::{Moments, moments};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// Pitches that a head crosses in a scan, as far as they are looked for: from 2 to 25 times play speed.
const CROSSED: (f64, f64) = (0.9, 26.0);
/// Standard uncertainty of a count by the shape of bars between which guard bands lie (by trial on simulated machines: up to 0.03
/// off near three bars).
const GUARDED_U: f64 = 0.015;
/// Frames of a record of control pulses.
const FRAMES: f64 = 4.0;

/// What was captured in one mode.
pub(crate) struct Take {
    pub(crate) mode: Mode,
    /// Captures from the switching to each head on.
    captures: Vec<(ScanHead, Vec<Capture>)>,
    /// Speed by the control pulses.
    pub(crate) by_pulses: Option<Estimate>,
}

/// What the heads show.
pub(crate) struct Looks {
    pub(crate) heads: Vec<HeadLook>,
    /// Head B's bars against head A's; none where the point carries one head, or bars were not counted or too few.
    pub(crate) places: Option<Result<Places>>,
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

/// Scans in a capture: of both heads one after the other where the point carries both.
pub(crate) fn scans_a_capture(front: &Front) -> u32 {
    front.heads.len() as u32
}

/// Captures from the switching to each head on, and the control pulses, in a mode.
pub(crate) fn take(
    front: &Front,
    format: &Format,
    mode: Mode,
    count: u32,
    control: Option<SignalForm>,
) -> Result<Take> {
    go(mode)?;
    let scans = scans_a_capture(front);
    let captured = front.heads.iter().map(|head| Ok((*head, front.frames(*head, scans, count)?)));
    let captures = captured.collect::<Result<Vec<_>>>()?;
    let by_pulses = match control {
        Some(form) => control_speed(format, form)?,
        None => None,
    };
    Ok(Take { mode, captures, by_pulses })
}

/// Drum's rate in search over its nominal one: anywhere between not corrected at all and corrected for the line rate.
pub(crate) fn drum_ratio(format: &Format, speed: f64) -> (f64, f64) {
    let corrected = 1.0 / (1.0 - (speed - 1.0) * line_shift(format) / format.lines.lines_a_scan());
    (0.5 * (1.0 + corrected), 0.5 * (corrected - 1.0).abs())
}

/// Forwards or backwards.
pub(crate) fn sign(mode: Mode) -> f64 {
    if mode == Mode::Review { -1.0 } else { 1.0 }
}

/// Courses from the switching to one head on: of its own scans, and of the other's after them.
struct Seen {
    head: ScanHead,
    own: Vec<Course>,
    then: Vec<ScanCourse>,
}

/// Both heads' levels, the bars in them, and where they lie.
pub(crate) fn looks(front: &Front, format: &Format, take: &Take, floor: &Floor) -> Result<Looks> {
    let scans = scans_a_capture(front) as usize;
    let mut seen = Vec::new();
    for (head, captures) in &take.captures {
        let (mut own, mut then) = (Vec::new(), Vec::new());
        for courses in front.courses(captures, floor, *head, scans)? {
            let mut courses = courses.into_iter();
            own.extend(courses.next());
            then.extend(courses);
        }
        seen.push((*head, own, then));
    }
    let pitches = pitches_a_bar(format);
    // A drum that turns faster or slower, so that the line rate stays right, switches early or late: what may be the other head's
    // is left out once the speed is about known.
    let whole: Vec<Seen> =
        seen.iter().map(|(head, own, then)| Seen { head: *head, own: own.clone(), then: plain(then) }).collect();
    let rough = best_of(&bars_of(&whole, pitches));
    let seen: Vec<Seen> = match &rough {
        None => whole,
        Some(rough) => {
            let (ratio, half) = drum_ratio(format, 1.0 + sign(take.mode) * pitches * rough.value);
            let guard = GUARD_LINES / format.lines.lines_a_scan();
            let (fast, slow) = ((ratio + half).max(1.0), (ratio - half).min(1.0));
            let (end, start) = ((1.0 - guard) / fast, (1.0 + guard) / slow - 1.0);
            let last = (2.0 - guard) / fast - 1.0;
            let cut = |(head, own, then): (ScanHead, Vec<Course>, Vec<Course>)| Seen {
                head,
                own: own.into_iter().map(|course| course.until(end)).collect(),
                then: then.into_iter().map(|course| course.until(last).scan.after(start)).collect(),
            };
            seen.into_iter().map(cut).collect()
        }
    };
    let bars = bars_of(&seen, pitches);
    let known = best_of(&bars);
    let places = known.as_ref().and_then(|known| places_in(&seen, known.value));
    let known = known.map(|count| (count.value, count.standard_uncertainty));
    let mut heads = Vec::new();
    for (Seen { head, own, .. }, bars) in seen.into_iter().zip(bars) {
        let levels: Vec<CourseLevel> = own.iter().map(|course| course.level(known)).collect();
        let of = |each: fn(&CourseLevel) -> f64| levels.iter().map(each).collect::<Vec<f64>>();
        heads.push(HeadLook {
            name: if head == ScanHead::A { "head-a" } else { "head-b" },
            bars,
            level_v: moments(&of(|level| level.level_v))?,
            by_noise_v: moments(&of(|level| level.by_noise_v))?.mean,
            by_crest_v: moments(&of(|level| level.by_crest_v))?.mean,
            by_count_v: moments(&of(|level| level.by_count_v))?.mean,
        });
    }
    let strongest_v = heads.iter().map(|head| head.level_v.mean).fold(0.0, f64::max);
    floor.demand_below(strongest_v).on("rf")?;
    Ok(Looks { heads, places })
}

fn plain(courses: &[Course]) -> Vec<ScanCourse> {
    courses.iter().map(|course| course.scan.clone()).collect()
}

/// The bars of each head, in the order of what was seen: in its own scans, and in those that follow on the other's.
fn bars_of(seen: &[Seen], pitches: f64) -> Vec<Result<Bars>> {
    let of = |head: ScanHead| -> Result<Bars> {
        let mut scans = Vec::new();
        for each in seen {
            scans.extend(if each.head == head { plain(&each.own) } else { each.then.clone() });
        }
        let least_levels = scans.iter().map(|scan| scan.level_v.len()).min().unwrap_or(0);
        let most = (CROSSED.1 / pitches).min(most_bars(least_levels));
        let bars = count_bars(&scans, CROSSED.0 / pitches, most)?;
        if pitches > 1.0 {
            return Ok(bars);
        }
        let count = bars.count.also(Contribution::type_b("shape of bars between guard bands", GUARDED_U))?;
        Ok(Bars { count, ..bars })
    };
    seen.iter().map(|each| of(each.head)).collect()
}

/// Both heads cross the same tape: the one whose bars are known better tells how many there are.
fn best_of(bars: &[Result<Bars>]) -> Option<Estimate> {
    let known = bars.iter().filter_map(|bars| bars.as_ref().ok().map(|bars| &bars.count));
    known.min_by(|a, b| a.standard_uncertainty.total_cmp(&b.standard_uncertainty)).cloned()
}

/// Where head B's bars lie against head A's; none for a point of one head, and for less than a bar.
fn places_in(seen: &[Seen], bars: f64) -> Option<Result<Places>> {
    let [from_a, from_b] = seen else { return None };
    if bars < LEAST_BARS {
        return None;
    }
    let pairs = |seen: &Seen| -> Vec<ScanPair> {
        let pair = |(own, then): (&Course, &ScanCourse)| ScanPair { first: own.scan.clone(), second: then.clone() };
        seen.own.iter().zip(&seen.then).map(pair).collect()
    };
    Some(places_off(&pairs(from_a), &pairs(from_b), bars).map_err(Unable::from))
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
    // Where many are missed their mean rate is that of no tape.
    if demand_even(&pulses.gaps()).is_err() {
        return Ok(None);
    }
    let own_hz = (pulses.times_s.len() as f64 - 1.0) / (pulses.times_s[pulses.times_s.len() - 1] - pulses.times_s[0]);
    let rate = pulses.rate(own_hz, capture.info.timebase_uncertainty)?;
    Ok(Some(rate.scaled(1.0 / frame_hz)))
}
