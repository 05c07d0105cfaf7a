//! The contract's interfaces, each function through [`State::via`] or [`State::local`].

use crate::bindings::tapewright::procedure::{
    captures, earlier, operator, recording, report, tracking, transport, types,
};
use crate::convert::{self, abilities_out, failure_out, info_out, mode, mode_out, point_out, subject_out};
use crate::services::{CaptureStore, Refusal};
use crate::state::{Held, State, Stop, nonsense, written};
use crate::types::{Abilities, Capture, Detection, Earlier, Failure, Point, Request, Subject};
use serde_json::{Value, json};
use std::sync::Arc;
use tapewright_formats::{TrackingPress, UnableCode};
use wasmtime::component::Resource;

fn keep<T: serde::Serialize>(answer: &T) -> Result<Value, Refusal> {
    written(answer).map_err(Refusal::Broken)
}

/// What no bench may send: told to the procedure as bad data, never handed on.
fn bad(text: impl Into<String>) -> Refusal {
    Refusal::Told(Failure::new(UnableCode::BadData, text))
}

/// Holds captures against the request, keeps each in the store, and names them by their hash.
fn keep_captures(asked: &Request, taken: &[Capture], store: &mut dyn CaptureStore) -> Result<Value, Refusal> {
    if taken.len() != asked.count as usize {
        return Err(bad(format!("{} captures came, {} were asked for", taken.len(), asked.count)));
    }
    let mut kept = Vec::with_capacity(taken.len());
    for (place, capture) in taken.iter().enumerate() {
        let signals: Vec<_> = capture.traces.iter().map(|trace| trace.info.signal).collect();
        if signals != asked.signals {
            return Err(bad(format!("capture {place} holds {signals:?}, {:?} were asked for", asked.signals)));
        }
        if let Some(trace) =
            capture.traces.iter().find(|trace| trace.info.pairs != (asked.detection == Detection::Peak))
        {
            return Err(bad(format!(
                "capture {place}: pairs are {} for {}, not as asked",
                trace.info.pairs, trace.info.signal
            )));
        }
        if let Some(trace) = capture.traces.iter().find(|trace| trace.codes.len() < asked.least_points.max(1) as usize)
        {
            return Err(bad(format!(
                "capture {place}: {} codes of {} came, at least {} were asked for",
                trace.codes.len(),
                trace.info.signal,
                asked.least_points.max(1)
            )));
        }
        let bytes = capture.to_bytes().map_err(|e| bad(format!("capture {place}: {e}")))?;
        kept.push(json!({ "capture": store.put(&bytes).map_err(Refusal::Broken)? }));
    }
    Ok(Value::Array(kept))
}

fn keep_abilities(can: &Abilities) -> Result<Value, Refusal> {
    let numbers = [can.greatest_rate_hz, can.seconds_a_point, can.peak_pulse_s.unwrap_or(0.0)];
    if numbers.iter().any(|number| !number.is_finite()) {
        return Err(bad(format!("what the scope can do holds a number that is none: {can:?}")));
    }
    keep(can)
}

fn keep_hookup(points: &Vec<Point>) -> Result<Value, Refusal> {
    match points.iter().find(|point| point.expected_v.is_some_and(|volts| !volts.is_finite())) {
        Some(point) => Err(bad(format!("the hookup expects {:?} V of {}", point.expected_v, point.signal))),
        None => keep(points),
    }
}

fn keep_subject(subject: &Subject) -> Result<Value, Refusal> {
    match subject.known_level_v {
        Some(level) if !level.is_finite() => Err(bad(format!("the known level is {level} V"))),
        _ => keep(subject),
    }
}

impl types::Host for State {}

impl captures::Host for State {
    async fn acquire(
        &mut self,
        what: captures::Request,
    ) -> wasmtime::Result<Result<Vec<Resource<Held>>, types::Failure>> {
        let request = convert::request(what).map_err(|reason| self.end(Stop::Fault(reason)))?;
        let args = serde_json::to_value(&request)?;
        let (asked, span_s) = (request.clone(), request.span_s + request.deadline_s);
        let taken = self
            .via(
                "captures.acquire",
                args,
                span_s * f64::from(asked.count),
                |services| services.acquire(request),
                move |taken, store| keep_captures(&asked, taken, store),
            )
            .await?;
        let taken = match taken {
            Ok(taken) => taken,
            Err(failure) => return Ok(Err(failure_out(failure))),
        };
        let mut handles = Vec::with_capacity(taken.len());
        for capture in taken {
            let held = Held(Arc::new(capture));
            self.codes_held += held.codes();
            if self.codes_held > self.limits.codes_held {
                let reason = format!(
                    "it holds captures of {} codes, of {} allowed: it should drop them",
                    self.codes_held, self.limits.codes_held
                );
                return Err(self.end(Stop::Fault(reason)));
            }
            match self.table.push(held) {
                Ok(handle) => handles.push(handle),
                Err(_) => {
                    let reason = format!(
                        "it holds {} captures, and may hold no more: it should drop them",
                        self.limits.captures_held
                    );
                    return Err(self.end(Stop::Fault(reason)));
                }
            }
        }
        Ok(Ok(handles))
    }

    async fn hookup(&mut self) -> wasmtime::Result<Vec<captures::Point>> {
        let told = self
            .via("captures.hookup", Value::Null, 0.0, |services| services.hookup(), |points, _| keep_hookup(points))
            .await?;
        Ok(self.surely(told)?.into_iter().map(point_out).collect())
    }

    async fn can_do(&mut self) -> wasmtime::Result<captures::Abilities> {
        let told = self
            .via("captures.can-do", Value::Null, 0.0, |services| services.abilities(), |can, _| keep_abilities(can))
            .await?;
        Ok(abilities_out(&self.surely(told)?))
    }

    async fn describe_subject(&mut self) -> wasmtime::Result<captures::Subject> {
        let told = self
            .via(
                "captures.describe-subject",
                Value::Null,
                0.0,
                |services| services.subject(),
                |subject, _| keep_subject(subject),
            )
            .await?;
        Ok(subject_out(self.surely(told)?))
    }
}

impl captures::HostCapture for State {
    async fn info(&mut self, handle: Resource<Held>) -> wasmtime::Result<captures::CaptureInfo> {
        let held = self.table.get(&handle)?.clone();
        self.local("capture.info", json!({ "handle": handle.rep() }), |_| Ok((info_out(&held.0), Value::Null)))
    }

    async fn codes(
        &mut self,
        handle: Resource<Held>,
        trace: u32,
        first: u32,
        count: u32,
    ) -> wasmtime::Result<Vec<i16>> {
        let held = self.table.get(&handle)?.clone();
        let args = json!({ "handle": handle.rep(), "trace": trace, "first": first, "count": count });
        self.local("capture.codes", args, |_| {
            let traces = &held.0.traces;
            let codes = &traces
                .get(trace as usize)
                .ok_or_else(|| format!("it asked for trace {trace} of a capture that has {}", traces.len()))?
                .codes;
            let start = codes.len().min(first as usize);
            let end = codes.len().min(start.saturating_add(count as usize));
            Ok((codes[start..end].to_vec(), json!(end - start)))
        })
    }

    async fn drop(&mut self, handle: Resource<Held>) -> wasmtime::Result<()> {
        let held = self.table.delete(handle)?;
        self.codes_held -= held.codes();
        Ok(())
    }
}

impl transport::Host for State {
    async fn go(&mut self, to: types::Mode) -> wasmtime::Result<Result<f64, types::Failure>> {
        let to = mode(to);
        let finite = |seconds: &f64, _: &mut dyn CaptureStore| {
            if seconds.is_finite() { keep(seconds) } else { Err(bad(format!("going to {to} took {seconds} s"))) }
        };
        Ok(self.via("transport.go", json!(to), 0.0, |services| services.go(to), finite).await?.map_err(failure_out))
    }

    async fn now(&mut self) -> wasmtime::Result<types::Mode> {
        let known = |mode: &tapewright_formats::Mode, _: &mut dyn CaptureStore| match mode_out(*mode) {
            Some(_) => keep(mode),
            None => Err(nonsense("the machine is recording, and this procedure has no such mode")),
        };
        let told = self.via("transport.now", Value::Null, 0.0, |services| services.now(), known).await?;
        let mode = self.surely(told)?;
        mode_out(mode).ok_or_else(|| self.end(Stop::Fault(format!("`{mode}` is no mode of the contract"))))
    }
}

/// Presses of one call, at most: beyond any control's range.
const TRACKING_PRESSES: u32 = 200;

/// How long one press may take: the longest pulse, and the longest time to settle that a table of keys may give.
const TRACKING_PRESS_S: f64 = 62.0;

impl tracking::Host for State {
    async fn turn(&mut self, what: tracking::Press) -> wasmtime::Result<Result<bool, types::Failure>> {
        let press = match what {
            tracking::Press::Centre => TrackingPress::Centre,
            tracking::Press::By(by) => TrackingPress::By(by),
        };
        if !(1..=TRACKING_PRESSES).contains(&press.presses()) {
            let reason = format!("it asked for {} presses of a tracking key", press.presses());
            return Err(self.end(Stop::Fault(reason)));
        }
        let allowed_s = TRACKING_PRESS_S * f64::from(press.presses());
        let told = self
            .via("tracking.turn", json!(press), allowed_s, |services| services.track(press), |done, _| keep(done))
            .await?;
        Ok(told.map_err(failure_out))
    }
}

impl recording::Host for State {
    async fn record_for(&mut self, seconds: f64) -> wasmtime::Result<Result<(), types::Failure>> {
        if !(0.0..=self.limits.run_deadline_s).contains(&seconds) {
            return Err(self.end(Stop::Fault(format!("it asked to record for {seconds} s"))));
        }
        let told = self
            .via(
                "recording.record-for",
                json!(seconds),
                seconds,
                |services| services.record_for(seconds),
                |(), _| Ok(Value::Null),
            )
            .await?;
        Ok(told.map_err(failure_out))
    }
}

impl operator::Host for State {
    async fn ask(&mut self, what: operator::Prompt) -> wasmtime::Result<Result<String, types::Failure>> {
        let prompt = convert::prompt(what).map_err(|reason| self.end(Stop::Fault(reason)))?;
        let (args, allowed_s) = (serde_json::to_value(&prompt)?, prompt.deadline_s);
        let told = self
            .via("operator.ask", args, allowed_s, |services| services.ask(prompt), |answer, _| keep(answer))
            .await?;
        Ok(told.map_err(failure_out))
    }
}

#[expect(clippy::ref_option, reason = "what is kept is what the service answered, as it stands")]
fn keep_earlier(run: &Option<Earlier>) -> Result<Value, Refusal> {
    let numbers = run.iter().flat_map(|run| &run.measurements).flat_map(|m| [m.value, m.low, m.high, m.coverage]);
    if numbers.into_iter().any(|number| !number.is_finite()) {
        return Err(bad("the earlier run holds a number that is none"));
    }
    keep(run)
}

fn earlier_out(run: Earlier) -> earlier::Run {
    earlier::Run {
        id: run.id,
        machine: run.machine,
        bench: run.bench,
        tape: run.tape,
        tape_name: run.tape_name,
        measurements: run
            .measurements
            .into_iter()
            .map(|m| earlier::Measurement {
                procedure: m.procedure,
                name: m.name,
                unit: m.unit,
                value: m.value,
                low: m.low,
                high: m.high,
                coverage: m.coverage,
            })
            .collect(),
    }
}

impl earlier::Host for State {
    async fn look(&mut self) -> wasmtime::Result<Option<earlier::Run>> {
        let told = self
            .via("earlier.look", Value::Null, 0.0, |services| services.earlier(), |run, _| keep_earlier(run))
            .await?;
        Ok(self.surely(told)?.map(earlier_out))
    }
}

impl State {
    /// One report: weighed, checked, collected, written down.
    fn reports<R: serde::Serialize>(
        &mut self,
        name: &'static str,
        args: Value,
        collect: impl FnOnce(&mut Self) -> Result<R, String>,
    ) -> wasmtime::Result<R> {
        let bytes = args.to_string().len();
        self.local(name, args, |state| {
            if state.live {
                return Err(format!("it called {name} in a live session, which has no verdict"));
            }
            state.weigh(bytes)?;
            let answer = collect(state)?;
            let result = written(&answer).map_err(|e| e.to_string())?;
            Ok((answer, result))
        })
    }
}

impl report::Host for State {
    async fn measured(&mut self, what: report::Measurement) -> wasmtime::Result<u32> {
        let limit = |l: &report::Limit| json!({ "at_least": l.at_least, "at_most": l.at_most });
        let args = json!({
            "name": what.name, "unit": what.unit, "value": what.value, "low": what.low, "high": what.high, "coverage": what.coverage,
            "degrees_of_freedom": what.degrees_of_freedom,
            "limits": what.limits.as_ref().map(|l| json!({ "good": limit(&l.good), "reject": limit(&l.reject), "source": l.source })),
        });
        self.reports("report.measured", args, |state| state.reported.measured(what))
    }

    async fn contributes(&mut self, to: u32, what: report::Contribution) -> wasmtime::Result<()> {
        let by = match what.evaluation {
            report::Evaluation::A => "a",
            report::Evaluation::B => "b",
        };
        let args = json!({
            "to": to, "name": what.name, "evaluation": by, "standard_uncertainty": what.standard_uncertainty,
            "degrees_of_freedom": what.degrees_of_freedom,
        });
        self.reports("report.contributes", args, |state| state.reported.contributes(to, what))
    }

    async fn draw(&mut self, what: report::Figure) -> wasmtime::Result<()> {
        let series: Vec<_> = what
            .series
            .iter()
            .map(|s| json!({ "name": s.name, "values": s.values, "standard_errors": s.standard_errors }))
            .collect();
        let args = json!({
            "name": what.name, "x_label": what.x_label, "x_low": what.x_low, "x_high": what.x_high, "unit": what.unit, "series": series,
        });
        self.reports("report.draw", args, |state| state.reported.draw(what))
    }

    async fn found(&mut self, finding: String, seen: String) -> wasmtime::Result<()> {
        let args = json!({ "finding": finding, "seen": seen });
        self.reports("report.found", args, |state| state.reported.found(&finding, seen))
    }

    async fn unable(&mut self, what: String, code: String, why: String) -> wasmtime::Result<()> {
        let args = json!({ "what": what, "code": code, "why": why });
        self.reports("report.unable", args, |state| state.reported.unable(what, &code, why))
    }

    async fn advise(&mut self, text: String) -> wasmtime::Result<()> {
        self.reports("report.advise", json!(text), |state| {
            state.reported.advice.push(text);
            Ok(())
        })
    }

    async fn note(&mut self, text: String) -> wasmtime::Result<()> {
        if self.bench.is_none() || self.live {
            // Last words of a component that dies: nothing else is kept of them.
            self.reported.notes = vec![text];
            return Ok(());
        }
        self.reports("report.note", json!(text), |state| {
            state.reported.notes.push(text);
            Ok(())
        })
    }

    async fn progress(&mut self, share: f64, doing: String) -> wasmtime::Result<()> {
        let args = json!({ "share": share, "doing": doing });
        self.reports("report.progress", args, |state| {
            if !(0.0..=1.0).contains(&share) {
                return Err(format!("a progress of {share} is not between 0 and 1"));
            }
            if let Some(bench) = &mut state.bench {
                bench.services.progress(share, &doing);
            }
            Ok(())
        })
    }
}
