//! Between the contract's words and the instrument's: the same meaning, two owners.
//!
//! Written by hand on purpose, so that either side can change without the other.

use tapewright_host as told;
use tapewright_instrument as scope;

/// A procedure's request as the scope takes it.
pub(crate) fn request(from: &told::Request) -> scope::CaptureRequest {
    scope::CaptureRequest {
        signals: from.signals.clone(),
        span_s: from.span_s,
        before_s: from.before_s,
        least_points: from.least_points,
        least_rate_hz: from.least_rate_hz,
        trigger: match &from.trigger {
            told::Trigger::Free => scope::Trigger::Free,
            told::Trigger::Edge { signal, slope, level_v } => scope::Trigger::Edge(scope::Edge {
                signal: *signal,
                slope: match slope {
                    told::Slope::Rising => scope::Slope::Rising,
                    told::Slope::Falling => scope::Slope::Falling,
                },
                level_v: *level_v,
            }),
            told::Trigger::Field(field) => scope::Trigger::Field(*field),
            told::Trigger::Line(line) => scope::Trigger::Line(*line),
        },
        detection: match from.detection {
            told::Detection::Sample => scope::Detection::Sample,
            told::Detection::Peak => scope::Detection::Peak,
        },
        count: from.count,
        deadline_s: from.deadline_s,
    }
}

/// A capture as a procedure is told of it; times count from `run_start_s` on the bench's clock.
pub(crate) fn capture(from: scope::Capture, run_start_s: f64) -> told::Capture {
    told::Capture {
        trigger_s: from.trigger_s - run_start_s,
        trigger_uncertainty_s: from.trigger_uncertainty_s,
        timebase_uncertainty: from.timebase_uncertainty,
        triggered: from.triggered,
        traces: from.traces.into_iter().map(trace).collect(),
    }
}

fn trace(from: scope::Trace) -> told::TraceData {
    told::TraceData {
        info: told::TraceInfo {
            signal: from.signal,
            channel: from.channel,
            t0_s: from.t0_s,
            dt_s: from.dt_s,
            pairs: from.pairs,
            gain_v: from.gain_v,
            offset_v: from.offset_v,
            code_low: from.code_low,
            code_high: from.code_high,
            gain_uncertainty: from.gain_uncertainty,
            offset_uncertainty_v: from.offset_uncertainty_v,
            bandwidth_hz: from.bandwidth_hz,
        },
        codes: from.codes.into(),
    }
}

/// A point of the hookup as a procedure is told of it.
pub(crate) fn point(from: &scope::Point, trigger_only: bool) -> told::Point {
    told::Point {
        signal: from.signal,
        channel: from.channel.clone(),
        trigger_only,
        place: from.place,
        form: from.form,
        head: match from.head {
            scope::Head::Both => told::Head::Both,
            scope::Head::A => told::Head::A,
            scope::Head::B => told::Head::B,
        },
        high_is_a: from.high_is_a,
        expected_v: from.expected_v,
    }
}

/// What the operator is asked to do.
pub(crate) fn question(from: &told::Prompt) -> crate::bench::prompts::Question {
    use crate::bench::prompts::{Action, Question};
    Question {
        name: from.id.clone(),
        text: from.text.clone(),
        action: match &from.action {
            told::Action::Answer => Action::Answer,
            told::Action::MoveProbe { signal, to } => Action::MoveProbe { signal: *signal, to: to.clone() },
            told::Action::ChangeTape(kind) => Action::ChangeTape { kind: *kind },
            told::Action::Adjust(what) => Action::Adjust { what: what.clone() },
        },
        choices: from.choices.clone(),
        deadline_s: from.deadline_s,
    }
}
