//! From a request to settings: time base and vertical ranges. Pure arithmetic.

use super::ScopeError;
use crate::dialect::{Dialect, Input};
use crate::hookup::{Coupling, Hookup, Point};
use crate::request::{CaptureRequest, Detection, Trigger};
use tapewright_formats::Signal;

/// Least steps of the converter that the expected signal must span.
pub const LEAST_STEPS: f64 = 20.0;
/// Divisions that the expected signal fills, of the eight or so on the screen: room for half as much again.
const FILLED_DIVISIONS: f64 = 6.0;

/// Time base of one capture.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TimePlan {
    /// Points to ask for; of pairs, two each.
    pub(super) points: u32,
    /// Length of the record as it is set.
    pub(super) span_s: f64,
    /// How much of it lies before the trigger.
    pub(super) before_s: f64,
}

/// Where a level lies and how far it goes, at the test point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    /// Volts a division.
    pub(super) volts_a_division: f64,
    /// Volts at the middle of the range.
    pub(super) centre_v: f64,
}

/// One channel of one capture.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ChannelPlan {
    pub(super) point: Point,
    pub(super) input: Input,
    /// None: unknown, a look is needed.
    pub(super) level: Option<Level>,
}

impl ChannelPlan {
    pub(super) fn signal(&self) -> Signal {
        self.point.signal
    }
}

/// The source of the trigger.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TriggerPlan {
    pub(super) input: Input,
    pub(super) signal: Signal,
    /// Volts as the instrument means them.
    pub(super) level_v: f64,
    /// Volts at the test point.
    pub(super) level_at_point_v: f64,
}

fn cannot(asked: impl Into<String>, can: impl Into<String>) -> ScopeError {
    ScopeError::CannotDo { asked: asked.into(), can: can.into() }
}

/// Plans the time base.
pub(super) fn time(dialect: &Dialect, request: &CaptureRequest) -> Result<TimePlan, ScopeError> {
    let limits = &dialect.limits;
    let (span, before, rate) = (request.span_s, request.before_s, request.least_rate_hz);
    let paired = request.detection == Detection::Peak;
    if !(span.is_finite() && span > 0.0 && before.is_finite() && (0.0..=span).contains(&before)) {
        let asked = format!("a record of {span} s with {before} s before the trigger");
        return Err(cannot(asked, "a record is longer than nothing, and its trigger lies in it"));
    }
    if !(rate.is_finite()
        && rate >= 0.0
        && request.deadline_s.is_finite()
        && (0.0..=86_400.0).contains(&request.deadline_s))
    {
        let asked = format!("{rate} Hz within {} s", request.deadline_s);
        return Err(cannot(asked, "rates are finite, and a trigger is waited for at most a day"));
    }
    if request.count == 0 || request.count > 100_000 {
        return Err(cannot(format!("{} acquisitions", request.count), "expected 1 to 100000"));
    }
    if paired && limits.peak_pulse_s.is_none() {
        return Err(cannot("peak detection", "it has samples only"));
    }
    let set = limits.span_steps.at_least(span.max(limits.least_span_s) / limits.time_divisions) * limits.time_divisions;
    if set > limits.greatest_span_s * (1.0 + 1e-9) {
        let can = format!("its longest record is {} s", limits.greatest_span_s);
        return Err(cannot(format!("a record of {span} s"), can));
    }
    let each = if paired { 2.0 } else { 1.0 };
    if rate > limits.greatest_rate_hz {
        let can = format!("its greatest rate is {} Hz", limits.greatest_rate_hz);
        return Err(cannot(format!("a rate of {rate} Hz"), can));
    }
    // What is set may be longer than what was asked; the points wanted must lie in the part asked for.
    let stretch = set / span;
    let by_rate = (rate * set * each * (1.0 - 1e-9)).ceil();
    let by_points = (f64::from(request.least_points) * stretch * (1.0 - 1e-9)).ceil();
    let wanted = by_rate.max(by_points);
    let most = f64::from(limits.greatest_points);
    if wanted > most {
        let what = if paired { "pairs" } else { "points" };
        let asked = format!("{} {what} over {span} s", (wanted / stretch / each).ceil());
        let can = format!(
            "over that time it gives at most {} {what}, {:.6e} Hz; at the rate asked for its record is at most {:.6e} s",
            (most / each / stretch).floor(),
            most / each / set,
            if rate > 0.0 { most / each / rate } else { most / each / (wanted / each / set) },
        );
        return Err(cannot(asked, can));
    }
    // The converter bounds how many points fit in a short record.
    let fastest = (limits.greatest_rate_hz * set * each * (1.0 + 1e-9)).floor().max(2.0);
    if wanted > fastest {
        let can = format!("at its greatest rate of {} Hz that time holds {fastest} points", limits.greatest_rate_hz);
        return Err(cannot(format!("{} points over {span} s", request.least_points), can));
    }
    let usual = f64::from(limits.usual_points).min(fastest);
    // More than what is asked costs time on the link.
    let points = if wanted > 0.0 { wanted } else { usual };
    // Pairs need an even number.
    let points = if paired { (points / 2.0).ceil() * 2.0 } else { points }.max(2.0);
    let Some(points) = limits.points_for(points as u32) else {
        return Err(cannot(format!("{points} points"), format!("it gives at most {}", limits.greatest_points)));
    };
    Ok(TimePlan { points, span_s: set, before_s: before })
}

/// Finds the point and input of a signal.
fn input_of<'a>(
    dialect: &'a Dialect,
    hookup: &'a Hookup,
    signal: Signal,
) -> Result<(&'a Point, &'a Input), ScopeError> {
    let hooked = || hookup.points.iter().map(|point| point.signal.as_str()).collect();
    let point = hookup.point(signal).ok_or_else(|| ScopeError::NotHookedUp { signal, hooked: hooked() })?;
    let inputs = || dialect.inputs.iter().map(|input| input.label.clone()).collect();
    let input = dialect.input(&point.channel);
    let input =
        input.ok_or_else(|| ScopeError::NoSuchInput { signal, channel: point.channel.clone(), inputs: inputs() })?;
    Ok((point, input))
}

/// Plans the channels.
pub(super) fn channels(dialect: &Dialect, hookup: &Hookup, signals: &[Signal]) -> Result<Vec<ChannelPlan>, ScopeError> {
    let faults = hookup.faults();
    if !faults.is_empty() {
        return Err(ScopeError::Hookup(faults));
    }
    if signals.is_empty() {
        return Err(cannot("a capture of no signal", "name at least one"));
    }
    let mut plans: Vec<ChannelPlan> = Vec::new();
    for &signal in signals {
        let (point, input) = input_of(dialect, hookup, signal)?;
        if input.trigger_only {
            let channels = dialect.channels().map(|input| input.label.clone()).collect();
            return Err(ScopeError::TriggerOnly { signal, channel: input.label.clone(), channels });
        }
        if plans.iter().any(|plan| plan.signal() == signal) {
            return Err(cannot(format!("`{signal}` twice in one capture"), "each signal has one trace"));
        }
        plans.push(ChannelPlan {
            point: point.clone(),
            input: input.clone(),
            level: expected_level(dialect, point, input)?,
        });
    }
    Ok(plans)
}

/// The range for what the hookup expects; none where it expects nothing.
///
/// An absent signal does not matter here: the range follows from what is expected, never from what is seen.
fn expected_level(dialect: &Dialect, point: &Point, input: &Input) -> Result<Option<Level>, ScopeError> {
    let Some(expected_v) = point.expected_v else { return Ok(None) };
    let limits = &dialect.limits;
    let (wanted, centre_v) = match point.middle() {
        Some(middle) => (expected_v / FILLED_DIVISIONS, middle),
        // Where it lies is not known: it has room on either side of zero.
        None => (2.0 * expected_v / limits.level_divisions, 0.0),
    };
    let mut level = fit(dialect, point.probe_factor, Level { volts_a_division: wanted, centre_v });
    let most = limits.greatest_volts_a_division * point.probe_factor;
    if wanted > most * (1.0 + 1e-9) {
        let asked = format!("`{}` of {expected_v} V on {}", point.signal, input.label);
        let can =
            format!("its least sensitive setting is {most} V a division with this probe; take one of a greater factor");
        return Err(cannot(asked, can));
    }
    if centre_v.abs() > limits.greatest_offset_v * point.probe_factor {
        let asked = format!("`{}` about {centre_v} V on {}", point.signal, input.label);
        let can = format!(
            "its offset reaches {} V with this probe; couple the channel by AC, or take a probe of a greater factor",
            limits.greatest_offset_v * point.probe_factor
        );
        return Err(cannot(asked, can));
    }
    // A far offset may need a coarse setting.
    let far = limits.greatest_offset_divisions.map_or(0.0, |divisions| centre_v.abs() / divisions);
    let is_far = far > level.volts_a_division;
    if is_far {
        level = fit(dialect, point.probe_factor, Level { volts_a_division: far, centre_v });
    }
    let steps = expected_v / level.volts_a_division * limits.steps_a_division;
    if steps < LEAST_STEPS {
        let remedy = if is_far {
            format!("it stands on {centre_v} V: couple the channel by AC (`coupling = \"ac\"`)")
        } else if point.probe_factor > 1.0 {
            format!(
                "take a probe of a smaller factor than {} (and say so in the hookup), or a point with more level",
                point.probe_factor
            )
        } else {
            "take a point with more level, or an amplifier".to_owned()
        };
        return Err(ScopeError::TooFewSteps {
            signal: point.signal,
            channel: input.label.clone(),
            expected_v,
            steps,
            least: LEAST_STEPS,
            remedy,
        });
    }
    Ok(Some(level))
}

/// The nearest setting that there is and that is not more sensitive.
pub(super) fn fit(dialect: &Dialect, factor: f64, level: Level) -> Level {
    let limits = &dialect.limits;
    let at_input = level.volts_a_division / factor;
    let set =
        limits.range_steps.at_least(at_input.max(limits.least_volts_a_division)).min(limits.greatest_volts_a_division);
    Level { volts_a_division: set * factor, centre_v: level.centre_v }
}

/// The range for what was seen, filled as the expected one is.
pub(super) fn seen_level(dialect: &Dialect, point: &Point, low_v: f64, high_v: f64) -> Level {
    let centre_v = if point.coupling() == Coupling::Ac { 0.0 } else { f64::midpoint(low_v, high_v) };
    let reach = 2.0 * (high_v - centre_v).max(centre_v - low_v).max(0.0);
    let most = dialect.limits.greatest_offset_v * point.probe_factor;
    let centre_v = centre_v.clamp(-most, most);
    let far = dialect.limits.greatest_offset_divisions.map_or(0.0, |divisions| centre_v.abs() / divisions);
    fit(dialect, point.probe_factor, Level { volts_a_division: (reach / FILLED_DIVISIONS).max(far), centre_v })
}

/// The least sensitive range.
pub(super) fn widest(dialect: &Dialect, point: &Point) -> Level {
    Level { volts_a_division: dialect.limits.greatest_volts_a_division * point.probe_factor, centre_v: 0.0 }
}

/// Plans the trigger; none in free run.
pub(super) fn trigger(dialect: &Dialect, hookup: &Hookup, what: Trigger) -> Result<Option<TriggerPlan>, ScopeError> {
    let (signal, level) = match what {
        Trigger::Free => return Ok(None),
        Trigger::Edge(edge) => (edge.signal, edge.level_v),
        Trigger::Field(field) => {
            if field > 2 {
                return Err(cannot(format!("field {field} of the video"), "fields are 1, 2, or 0 for either"));
            }
            (Signal::Video, Some(0.0))
        }
        Trigger::Line(line) => {
            let most = hookup.lines.unwrap_or(625);
            if line == 0 || line > most {
                return Err(cannot(format!("line {line} of the video"), format!("lines are 1 to {most}")));
            }
            (Signal::Video, Some(0.0))
        }
    };
    let (point, input) = input_of(dialect, hookup, signal)?;
    if !matches!(what, Trigger::Edge(_)) {
        if !dialect.limits.video_trigger {
            return Err(cannot(
                "a trigger on video",
                "it triggers on edges only: trigger on the head switch, or run free",
            ));
        }
        if input.trigger_only {
            let can = format!("video must be on a channel for that, and it is on {}", input.label);
            return Err(cannot("a trigger on video", can));
        }
        if hookup.lines.is_none() {
            return Err(cannot(
                "a trigger on video",
                "it must know the standard: say `lines = 525` or `lines = 625` in the hookup",
            ));
        }
    }
    let Some(level_at_point_v) = level.or_else(|| point.trigger_level()) else {
        let asked = format!("a trigger on `{signal}` at no stated level");
        return Err(cannot(
            asked,
            "say `trigger-level-v` or `middle-v` of that point in the hookup, or a level in the request",
        ));
    };
    if !level_at_point_v.is_finite() {
        return Err(cannot(format!("a trigger on `{signal}` at {level_at_point_v} V"), "a level is a finite number"));
    }
    // An input that only triggers knows no probe: its level is meant at the connector.
    let at_tip = dialect.volts_at_tip && !input.trigger_only;
    let level_v = if at_tip { level_at_point_v } else { level_at_point_v / point.probe_factor };
    Ok(Some(TriggerPlan { input: input.clone(), signal, level_v, level_at_point_v }))
}
