//! The state behind a component's imports, and the one place that every call of it passes.

use crate::limiter::Limiter;
use crate::limits::Limits;
use crate::report::Reported;
use crate::services::{Answer, Call, CaptureStore, Fault, Log, Refusal, Services};
use crate::types::{Capture, Failure};
use serde_json::{Value, json};
use std::sync::Arc;
use std::time::Duration;
use tapewright_clock::{Busy, Clock};
use tapewright_formats::UnableCode;
use wasmtime::component::ResourceTable;

/// A capture that a component holds a handle of.
#[derive(Debug, Clone)]
#[expect(unreachable_pub, reason = "the generated bindings export it again, and are private themselves")]
pub struct Held(pub(crate) Arc<Capture>);

impl Held {
    pub(crate) fn codes(&self) -> usize {
        self.0.traces.iter().map(|trace| trace.codes.len()).sum()
    }
}

/// Why a run ends before the component returned.
#[derive(Debug)]
pub(crate) enum Stop {
    /// The component's fault, or a limit's.
    Fault(String),
    /// The bench could not say what every bench can.
    Told(Failure),
    /// The tool is broken: no verdict.
    Broken { seq: u32, name: &'static str, source: Fault },
}

/// What a component asks for: the daemon's services, or nothing at all while it describes itself.
pub(crate) struct Bench {
    pub(crate) services: Box<dyn Services>,
    pub(crate) log: Box<dyn Log>,
    pub(crate) captures: Box<dyn CaptureStore>,
}

/// Everything behind the imports of one instance.
pub(crate) struct State {
    pub(crate) bench: Option<Bench>,
    pub(crate) clock: Clock,
    pub(crate) limits: Limits,
    pub(crate) limiter: Limiter,
    pub(crate) table: ResourceTable,
    pub(crate) codes_held: usize,
    pub(crate) reported: Reported,
    pub(crate) report_bytes: usize,
    pub(crate) calls: u32,
    pub(crate) stop: Option<Stop>,
    /// Virtual time stands still while the component computes; it may pass while a service answers.
    pub(crate) computing: Option<Busy>,
    /// A live session: it builds no verdict.
    pub(crate) live: bool,
}

/// How an answer is written down.
pub(crate) fn written<T: serde::Serialize>(answer: &T) -> Result<Value, Fault> {
    Ok(serde_json::to_value(answer)?)
}

impl State {
    pub(crate) fn new(bench: Option<Bench>, clock: Clock, limits: Limits) -> Self {
        let mut table = ResourceTable::new();
        table.set_max_capacity(limits.captures_held);
        Self {
            bench,
            computing: Some(clock.busy()),
            clock,
            limiter: Limiter::new(&limits),
            limits,
            table,
            codes_held: 0,
            reported: Reported::default(),
            report_bytes: 0,
            calls: 0,
            stop: None,
            live: false,
        }
    }

    /// Ends the run: the error makes the component trap, the reason stays here.
    pub(crate) fn end(&mut self, stop: Stop) -> wasmtime::Error {
        if let Stop::Fault(reason) = &stop {
            tracing::info!(reason, "a procedure is stopped");
        }
        self.stop.get_or_insert(stop);
        wasmtime::Error::msg("the run is stopped")
    }

    /// Takes the next number from the budget of calls.
    fn enter(&mut self, name: &'static str) -> wasmtime::Result<u32> {
        if self.bench.is_none() {
            return Err(self.end(Stop::Fault(format!("it called {name} while it described itself"))));
        }
        if self.calls >= self.limits.calls {
            return Err(self.end(Stop::Fault(format!("it made {} calls, and may make no more", self.limits.calls))));
        }
        self.calls += 1;
        Ok(self.calls)
    }

    /// Writes a call down, before the component sees the answer.
    fn leave(&mut self, seq: u32, name: &'static str, args: Value, result: Value) -> wasmtime::Result<()> {
        let call = Call { seq, name: name.into(), args, result };
        let written = match &mut self.bench {
            Some(bench) => bench.log.call(&call),
            None => Ok(()),
        };
        written.map_err(|source| self.end(Stop::Broken { seq, name, source }))
    }

    /// A call that the host answers by itself: a report, or a look at a capture.
    pub(crate) fn local<R>(
        &mut self,
        name: &'static str,
        args: Value,
        answer: impl FnOnce(&mut Self) -> Result<(R, Value), String>,
    ) -> wasmtime::Result<R> {
        let seq = self.enter(name)?;
        match answer(self) {
            Ok((answer, result)) => {
                self.leave(seq, name, args, json!({ "ok": result }))?;
                Ok(answer)
            }
            Err(reason) => {
                self.leave(seq, name, args, json!({ "fault": reason }))?;
                Err(self.end(Stop::Fault(reason)))
            }
        }
    }

    /// A call that a service answers. `allowed_s` is the time that the question itself allows; `check`
    /// refuses an answer that no bench may give, keeps what is to be kept, and says how it is written down.
    pub(crate) async fn via<R: Send>(
        &mut self,
        name: &'static str,
        args: Value,
        allowed_s: f64,
        ask: impl for<'a> FnOnce(&'a mut dyn Services) -> Answer<'a, R> + Send,
        check: impl FnOnce(&R, &mut dyn CaptureStore) -> Result<Value, Refusal> + Send,
    ) -> wasmtime::Result<Result<R, Failure>> {
        let seq = self.enter(name)?;
        let deadline_s = self.limits.call_deadline_s + allowed_s;
        let until = self.clock.now() + Duration::try_from_secs_f64(deadline_s).unwrap_or(Duration::MAX);
        self.computing = None;
        let answer = match &mut self.bench {
            Some(Bench { services, captures, .. }) => match self.clock.deadline(until, ask(services.as_mut())).await {
                Some(Ok(answer)) => check(&answer, captures.as_mut()).map(|result| (answer, result)),
                Some(Err(refusal)) => Err(refusal),
                None => Err(Refusal::Ended(format!("{name} gave no answer within {deadline_s} s: the bench hangs"))),
            },
            None => Err(Refusal::Ended("nothing answers".into())),
        };
        self.computing = Some(self.clock.busy());
        match answer {
            Ok((answer, result)) => {
                self.leave(seq, name, args, json!({ "ok": result }))?;
                Ok(Ok(answer))
            }
            Err(Refusal::Told(failure)) => {
                let result = written(&failure).map_err(|source| self.end(Stop::Broken { seq, name, source }))?;
                self.leave(seq, name, args, json!({ "err": result }))?;
                Ok(Err(failure))
            }
            Err(Refusal::Ended(reason)) => {
                self.leave(seq, name, args, json!({ "fault": reason }))?;
                Err(self.end(Stop::Fault(reason)))
            }
            Err(Refusal::Broken(source)) => Err(self.end(Stop::Broken { seq, name, source })),
        }
    }

    /// The answer to a question that every bench can answer: a failure ends the run.
    pub(crate) fn surely<R>(&mut self, answer: Result<R, Failure>) -> wasmtime::Result<R> {
        answer.map_err(|failure| self.end(Stop::Told(failure)))
    }

    /// Counts what is reported in bytes, against the limit of the whole verdict.
    pub(crate) fn weigh(&mut self, bytes: usize) -> Result<(), String> {
        self.report_bytes = self.report_bytes.saturating_add(bytes);
        if self.report_bytes > self.limits.report_bytes {
            return Err(format!("it reported more than {} bytes", self.limits.report_bytes));
        }
        Ok(())
    }
}

/// A failure that the host itself tells a procedure: what was asked makes no sense.
pub(crate) fn nonsense(text: impl Into<String>) -> Refusal {
    Refusal::Told(Failure::new(UnableCode::NotPossible, text))
}
