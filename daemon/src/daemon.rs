//! The daemon: its benches over HTTP.

use crate::bench::Bench;
use crate::bench::events::BenchEvent;
use crate::bench::prompts::AnswerError;
use crate::http::{Answered, Api, ApiError, ApiErrorKind, ApiFuture, BenchEvents, wire};
use crate::library::{Library, LibraryError};
use crate::live::{LiveSpec, LiveStartError};
use crate::records::{DataFolder, RecordsError, RunId};
use crate::report::run_report::RunReport;
use crate::run::RunError;
use crate::run::spec::{RunSpec, SpecError};
use core::time::Duration;
use serde_json::{Value, json};
use std::sync::Arc;
use tapewright_formats::Mode;

/// All benches of one daemon.
pub struct Daemon {
    data: DataFolder,
    library: Arc<Library>,
    benches: Vec<Bench>,
    unreachable: Vec<Unreachable>,
}

/// A bench of the configuration that did not answer when the daemon started.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unreachable {
    /// Its name.
    pub bench: String,
    /// What was tried, and why it failed.
    pub why: String,
}

impl Daemon {
    /// Puts a daemon together.
    #[must_use]
    pub const fn new(data: DataFolder, library: Arc<Library>, benches: Vec<Bench>) -> Self {
        Self { data, library, benches, unreachable: Vec::new() }
    }

    /// Keeps the benches that did not answer, so that whoever asks for one is told why.
    #[must_use]
    pub fn with_unreachable(mut self, unreachable: Vec<Unreachable>) -> Self {
        self.unreachable = unreachable;
        self
    }

    /// Stops every transport that may run, at once, and cancels what runs.
    pub fn stop_all(&self) {
        for bench in &self.benches {
            if bench.running().is_some() || bench.shared().transport.now() != Mode::Stop {
                bench.stop("the daemon ends");
            }
        }
    }

    /// Ends it: every run is cancelled and every transport stopped, then it returns.
    pub async fn close(&self) {
        for bench in &self.benches {
            bench.close().await;
        }
    }

    fn bench(&self, name: &str) -> Result<&Bench, ApiError> {
        self.benches.iter().find(|b| &*b.shared().name == name).ok_or_else(|| {
            if let Some(Unreachable { why, .. }) = self.unreachable.iter().find(|u| u.bench == name) {
                let text = format!("bench `{name}` was not reachable when the daemon started: {why}");
                let hint = "switch on and connect what did not answer, then start the daemon again";
                return ApiError::new(ApiErrorKind::Conflict, text, hint);
            }
            let known: Vec<&str> = self.benches.iter().map(|b| &*b.shared().name).collect();
            ApiError::new(
                ApiErrorKind::NotFound,
                format!("there is no bench `{name}`"),
                format!("benches: {}", known.join(", ")),
            )
        })
    }
}

/// What is said where a text says already what to do.
const NOTHING_BEGAN: &str = "nothing was begun";

fn refused(error: &RunError) -> ApiError {
    let text = crate::report::chain(error);
    match error {
        RunError::Busy { bench, .. } => {
            let hint =
                format!("`tapewright stop {bench}` cancels a run, and a live session is ended where it was begun");
            ApiError::new(ApiErrorKind::Conflict, text, hint)
        }
        RunError::Spec(SpecError::ClosedJob(_) | SpecError::BrokenEarlierRun { .. }) => {
            ApiError::new(ApiErrorKind::Conflict, text, NOTHING_BEGAN)
        }
        RunError::Spec(_) | RunError::Sequence(_) | RunError::Library(LibraryError::Unknown { .. }) => {
            ApiError::new(ApiErrorKind::Invalid, text, NOTHING_BEGAN)
        }
        _ => ApiError::internal(error),
    }
}

fn not_live(error: &LiveStartError) -> ApiError {
    let text = crate::report::chain(error);
    match error {
        LiveStartError::Busy { .. } | LiveStartError::Already(_) => {
            ApiError::new(ApiErrorKind::Conflict, text, "look what goes on with `tapewright runs`")
        }
        LiveStartError::Cautions { .. } => {
            ApiError::new(ApiErrorKind::Invalid, text, "read them, and say that they were read")
        }
        LiveStartError::NoAlignmentTape(_) | LiveStartError::Unfit(SpecError::ClosedJob(_)) => {
            ApiError::new(ApiErrorKind::Conflict, text, NOTHING_BEGAN)
        }
        LiveStartError::Records(_) => ApiError::internal(error),
        _ => ApiError::new(ApiErrorKind::Invalid, text, NOTHING_BEGAN),
    }
}

impl Api for Daemon {
    fn records(&self) -> &DataFolder {
        &self.data
    }

    fn benches(&self) -> ApiFuture<'_, Vec<Value>> {
        Box::pin(async move {
            let stand = |b: &Bench| {
                let s = b.shared();
                json!({
                    "bench": &*s.name,
                    "scope": s.scope.identity(),
                    "dialect": s.scope.dialect(),
                    "mode": s.transport.now(),
                    "running": b.running(),
                    "hookup": &*s.hookup,
                    "prompts": s.prompts.open().len(),
                })
            };
            let absent = |u: &Unreachable| json!({ "bench": u.bench, "not-reachable": u.why });
            Ok(self.benches.iter().map(stand).chain(self.unreachable.iter().map(absent)).collect())
        })
    }

    fn start_run<'a>(&'a self, bench: &'a str, request: Value) -> ApiFuture<'a, RunId> {
        Box::pin(async move {
            let spec: RunSpec = serde_json::from_value(request).map_err(|error| {
                ApiError::new(
                    ApiErrorKind::Invalid,
                    format!("this is no run to start: {error}"),
                    "see `tapewright run --help` for what a run needs",
                )
            })?;
            let (run, _) = self.bench(bench)?.start(spec).await.map_err(|e| refused(&e))?;
            run.parse().map_err(|e| ApiError::internal(&e))
        })
    }

    fn run<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, Value> {
        Box::pin(async move {
            let reading = self.data.read_run(run).await.map_err(|error| match error {
                RecordsError::Unknown { .. } => ApiError::new(
                    ApiErrorKind::NotFound,
                    crate::report::chain(&error),
                    "list the runs with `tapewright runs`",
                ),
                error => error.into(),
            })?;
            // What is left of a broken chain must not look like the whole run.
            let reading = reading.sound()?;
            let report = RunReport::from_journal(run.as_str(), &reading).map_err(|e| ApiError::internal(&e))?;
            wire(&report)
        })
    }

    fn rejudge<'a>(&'a self, run: &'a RunId, from: u32) -> ApiFuture<'a, Value> {
        Box::pin(async move { wire(&crate::run::rejudge::rejudge(&self.data, &self.library, run, from).await?) })
    }

    fn events<'a>(&'a self, bench: &'a str, after: u64, wait: Duration) -> ApiFuture<'a, BenchEvents> {
        Box::pin(async move {
            let shared = self.bench(bench)?.shared();
            let events = shared.events.after(after, shared.clock.now() + wait).await;
            Ok(BenchEvents { events: wire(&events)?, next_number: shared.events.next_number() })
        })
    }

    fn prompts<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Vec<Value>> {
        Box::pin(async move { wire(&self.bench(bench)?.shared().prompts.open()) })
    }

    fn answer<'a>(&'a self, bench: &'a str, prompt: &'a str, answer: Answered) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            let desk = &self.bench(bench)?.shared().prompts;
            desk.answer(prompt, &answer.text).map_err(|error| {
                let kind = match error {
                    AnswerError::NotOpen { .. } => ApiErrorKind::Conflict,
                    AnswerError::NotAChoice { .. } => ApiErrorKind::Invalid,
                };
                ApiError::new(
                    kind,
                    error.to_string(),
                    "list the open ones with `tapewright prompts`, and answer one of them",
                )
            })
        })
    }

    fn cancel<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            if self.benches.iter().any(|b| b.cancel(run.as_str())) {
                return Ok(());
            }
            Err(ApiError::new(
                ApiErrorKind::Conflict,
                format!("{run} is not running"),
                "list the benches to see what runs",
            ))
        })
    }

    fn stop<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            self.bench(bench)?.stop("somebody asked for it");
            Ok(())
        })
    }

    fn procedures(&self) -> ApiFuture<'_, Vec<Value>> {
        Box::pin(async move {
            let mut all = Vec::new();
            for name in self.library.names() {
                let loaded = self.library.procedure(name).await.map_err(|e| ApiError::internal(&e))?;
                all.push(json!({
                    "description": loaded.description(),
                    "permissions": loaded.permissions(),
                    "sha256": loaded.hash(),
                    "live": loaded.is_live(),
                }));
            }
            Ok(all)
        })
    }

    fn start_live<'a>(&'a self, bench: &'a str, request: Value) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            let spec: LiveSpec = serde_json::from_value(request).map_err(|error| {
                ApiError::new(
                    ApiErrorKind::Invalid,
                    format!("this is no live session to begin: {error}"),
                    "see `tapewright live --help` for what it needs",
                )
            })?;
            self.bench(bench)?.start_live(spec).await.map_err(|e| not_live(&e))
        })
    }

    fn live<'a>(&'a self, bench: &'a str, after: u64, wait: Duration) -> ApiFuture<'a, Value> {
        Box::pin(async move {
            let bench = self.bench(bench)?;
            let shared = bench.shared();
            wire(&bench.live().after(shared, after, shared.clock.now() + wait).await)
        })
    }

    fn live_say<'a>(&'a self, bench: &'a str, word: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            let said = self.bench(bench)?.live().say(word);
            said.map_err(|why| ApiError::new(ApiErrorKind::Conflict, why, "say one of the latest reading's choices"))
        })
    }

    fn live_key<'a>(&'a self, bench: &'a str, mode: Mode) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            self.bench(bench)?.live_key(mode).map_err(|why| {
                ApiError::new(ApiErrorKind::Conflict, why, "begin a live session, and press a key that does not record")
            })
        })
    }

    fn end_live<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()> {
        Box::pin(async move {
            self.bench(bench)?.live().end();
            Ok(())
        })
    }

    fn readings<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Value> {
        Box::pin(async move {
            let shared = self.bench(bench)?.shared();
            let latest = shared.events.latest(|event| matches!(event, BenchEvent::Progress { .. }));
            Ok(json!({ "mode": shared.transport.now(), "progress": latest }))
        })
    }
}
