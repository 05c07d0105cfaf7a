//! Between the contract's records and the house's: one place where words are checked.

use crate::bindings::exports::tapewright::procedure::entry;
use crate::bindings::tapewright::procedure::{captures, operator, types as wire};
use crate::description::{Setting, Value};
use crate::limits::RUN_DEADLINE_S;
use crate::types::{
    Abilities, Action, Capture, Detection, Failure, Head, Point, Prompt, Request, Slope, Subject, Trigger,
};
use tapewright_formats::{Mode, Outcome, TapeKind};

/// A word or number that the contract does not allow: the component's fault.
pub(crate) type Refused = String;

/// Most acquisitions of one request: beyond, a loop of requests shows its progress.
const COUNT: u32 = 10_000;

pub(crate) const fn mode(told: wire::Mode) -> Mode {
    match told {
        wire::Mode::Stop => Mode::Stop,
        wire::Mode::Play => Mode::Play,
        wire::Mode::Still => Mode::Still,
        wire::Mode::Advance => Mode::Advance,
        wire::Mode::Cue => Mode::Cue,
        wire::Mode::Review => Mode::Review,
        wire::Mode::FastForward => Mode::FastForward,
        wire::Mode::Rewind => Mode::Rewind,
    }
}

/// None for `record`, which the contract's modes do not have.
pub(crate) const fn mode_out(mode: Mode) -> Option<wire::Mode> {
    Some(match mode {
        Mode::Stop => wire::Mode::Stop,
        Mode::Play => wire::Mode::Play,
        Mode::Still => wire::Mode::Still,
        Mode::Advance => wire::Mode::Advance,
        Mode::Cue => wire::Mode::Cue,
        Mode::Review => wire::Mode::Review,
        Mode::FastForward => wire::Mode::FastForward,
        Mode::Rewind => wire::Mode::Rewind,
        Mode::Record => return None,
    })
}

pub(crate) const fn outcome(told: wire::Outcome) -> Outcome {
    match told {
        wire::Outcome::Fail => Outcome::Fail,
        wire::Outcome::Unable => Outcome::Unable,
        wire::Outcome::Inconclusive => Outcome::Inconclusive,
        wire::Outcome::Marginal => Outcome::Marginal,
        wire::Outcome::Pass => Outcome::Pass,
    }
}

const fn tape(told: wire::TapeKind) -> TapeKind {
    match told {
        wire::TapeKind::Alignment => TapeKind::Alignment,
        wire::TapeKind::Own => TapeKind::Own,
        wire::TapeKind::Other => TapeKind::Other,
        wire::TapeKind::Unknown => TapeKind::Unknown,
    }
}

const fn tape_out(kind: TapeKind) -> wire::TapeKind {
    match kind {
        TapeKind::Alignment => wire::TapeKind::Alignment,
        TapeKind::Own => wire::TapeKind::Own,
        TapeKind::Other => wire::TapeKind::Other,
        TapeKind::Unknown => wire::TapeKind::Unknown,
    }
}

pub(crate) fn failure_out(failure: Failure) -> wire::Failure {
    wire::Failure { code: failure.code.as_str().into(), text: failure.text }
}

fn not_negative(what: &str, number: f64, greatest: f64) -> Result<f64, Refused> {
    if (0.0..=greatest).contains(&number) {
        Ok(number)
    } else {
        Err(format!("{what} of {number} is not between 0 and {greatest}"))
    }
}

/// Checks and takes over a request.
pub(crate) fn request(told: captures::Request) -> Result<Request, Refused> {
    let signals = told
        .signals
        .iter()
        .map(|word| word.parse().map_err(|e| format!("request: {e}")))
        .collect::<Result<Vec<_>, _>>()?;
    let span_s = not_negative("request: a span", told.span_s, RUN_DEADLINE_S)?;
    if signals.is_empty() || span_s == 0.0 {
        return Err(format!("request: {} signals over {span_s} s give nothing to look at", signals.len()));
    }
    if told.count == 0 || told.count > COUNT {
        return Err(format!("request: {} acquisitions are not between 1 and {COUNT}", told.count));
    }
    Ok(Request {
        signals,
        span_s,
        before_s: not_negative("request: time before the trigger", told.before_s, span_s)?,
        least_points: told.least_points,
        least_rate_hz: not_negative("request: a sample rate", told.least_rate_hz, f64::MAX)?,
        trigger: trigger(told.trigger)?,
        detection: match told.detection {
            captures::Detection::Sample => Detection::Sample,
            captures::Detection::Peak => Detection::Peak,
        },
        count: told.count,
        deadline_s: not_negative("request: a deadline", told.deadline_s, RUN_DEADLINE_S)?,
    })
}

fn trigger(told: captures::Trigger) -> Result<Trigger, Refused> {
    Ok(match told {
        captures::Trigger::Free => Trigger::Free,
        captures::Trigger::Edge(edge) => {
            if edge.level.is_some_and(|level| !level.is_finite()) {
                return Err(format!("request: a trigger level of {:?} V is not a finite number", edge.level));
            }
            Trigger::Edge {
                signal: edge.signal.parse().map_err(|e| format!("trigger: {e}"))?,
                slope: match edge.slope {
                    captures::Slope::Rising => Slope::Rising,
                    captures::Slope::Falling => Slope::Falling,
                },
                level_v: edge.level,
            }
        }
        captures::Trigger::Field(field) if field <= 2 => Trigger::Field(field),
        captures::Trigger::Field(field) => {
            return Err(format!("trigger: there is no field {field}, only 1, 2, and 0 for either"));
        }
        captures::Trigger::Line(line) => Trigger::Line(line),
    })
}

pub(crate) fn info_out(capture: &Capture) -> captures::CaptureInfo {
    captures::CaptureInfo {
        trigger_s: capture.trigger_s,
        trigger_uncertainty_s: capture.trigger_uncertainty_s,
        timebase_uncertainty: capture.timebase_uncertainty,
        triggered: capture.triggered,
        traces: capture
            .traces
            .iter()
            .map(|trace| captures::TraceInfo {
                signal: trace.info.signal.as_str().into(),
                channel: trace.info.channel.clone(),
                t0_s: trace.info.t0_s,
                dt_s: trace.info.dt_s,
                codes: u32::try_from(trace.codes.len()).unwrap_or(u32::MAX),
                pairs: trace.info.pairs,
                gain_v: trace.info.gain_v,
                offset_v: trace.info.offset_v,
                code_low: trace.info.code_low,
                code_high: trace.info.code_high,
                gain_uncertainty: trace.info.gain_uncertainty,
                offset_uncertainty_v: trace.info.offset_uncertainty_v,
                bandwidth_hz: trace.info.bandwidth_hz,
            })
            .collect(),
    }
}

pub(crate) fn point_out(point: Point) -> captures::Point {
    captures::Point {
        signal: point.signal.as_str().into(),
        channel: point.channel,
        trigger_only: point.trigger_only,
        place: point.place.as_str().into(),
        form: point.form.as_str().into(),
        head: match point.head {
            Head::Both => captures::Head::Both,
            Head::A => captures::Head::A,
            Head::B => captures::Head::B,
        },
        high_is_a: point.high_is_a,
        expected_v: point.expected_v,
    }
}

pub(crate) const fn abilities_out(can: &Abilities) -> captures::Abilities {
    captures::Abilities {
        channels: can.channels,
        greatest_points: can.greatest_points,
        greatest_rate_hz: can.greatest_rate_hz,
        peak_pulse_s: can.peak_pulse_s,
        video_trigger: can.video_trigger,
        seconds_a_point: can.seconds_a_point,
    }
}

pub(crate) fn subject_out(subject: Subject) -> captures::Subject {
    captures::Subject {
        format: subject.format,
        tape: tape_out(subject.tape),
        tape_name: subject.tape_name,
        known_level_v: subject.known_level_v,
        even_picture: subject.even_picture,
    }
}

/// Checks and takes over a prompt.
pub(crate) fn prompt(told: operator::Prompt) -> Result<Prompt, Refused> {
    if told.id.is_empty() || told.text.is_empty() {
        return Err("a prompt without an id or a text cannot be answered".into());
    }
    Ok(Prompt {
        action: match told.action {
            operator::Action::Answer => Action::Answer,
            operator::Action::MoveProbe(to) => Action::MoveProbe {
                signal: to.signal.parse().map_err(|e| format!("prompt `{}`: {e}", told.id))?,
                to: to.to,
            },
            operator::Action::ChangeTape(kind) => Action::ChangeTape(tape(kind)),
            operator::Action::Adjust(what) => Action::Adjust(what),
        },
        deadline_s: not_negative("prompt: a deadline", told.deadline_s, RUN_DEADLINE_S)?,
        id: told.id,
        text: told.text,
        choices: told.choices,
    })
}

pub(crate) fn setting_out(setting: &Setting) -> entry::Setting {
    entry::Setting {
        name: setting.name.clone(),
        value: match &setting.value {
            Value::Number(number) => entry::Value::Number(*number),
            Value::Text(text) => entry::Value::Text(text.clone()),
        },
        source: setting.source.clone(),
    }
}
