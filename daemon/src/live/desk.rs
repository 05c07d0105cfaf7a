//! The session of a bench: begun, looked at, spoken to, ended. Whoever asks gets the latest frame.

use super::services::{LiveServices, Pace};
use crate::bench::prompts::{Action, OpenPrompt};
use crate::bench::shared::Shared;
use crate::library::{LibraryError, Loaded};
use core::time::Duration;
use serde::{Deserialize, Serialize};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::Instant;
use tapewright_formats::Mode;
use tapewright_host::{Cancel, Live, LiveError, Reading, Subject};
use tokio::sync::Notify;

/// A session that nobody asked for so long ends: whoever watched has gone.
pub const CLIENT_PATIENCE: Duration = Duration::from_secs(30);

/// Pause after a look that failed or captured nothing.
const PAUSE: Duration = Duration::from_millis(200);

/// Why there is no session.
#[derive(Debug, thiserror::Error)]
pub enum LiveStartError {
    /// The bench is in use.
    #[error(
        "bench `{bench}` is running {run}: live readings go beside a run only while it waits for an adjustment; wait for it, or cancel it"
    )]
    Busy {
        /// The bench.
        bench: String,
        /// What it runs.
        run: String,
    },
    /// There is a session already.
    #[error("bench `{0}` has a live session already: watch that one, or end it")]
    Already(String),
    /// Something is missing or unknown.
    #[error("{0}")]
    Spec(String),
    /// The cautions were not read.
    #[error("the cautions of `{procedure}` were not acknowledged: {cautions}")]
    Cautions {
        /// The procedure.
        procedure: String,
        /// Their texts.
        cautions: String,
    },
    /// An alignment tape may not go in.
    #[error("no alignment tape yet: {0}")]
    NoAlignmentTape(String),
    /// It does not fit the bench or its job.
    #[error(transparent)]
    Unfit(#[from] crate::run::spec::SpecError),
    /// There is no such procedure, or it does not load.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// The procedure would not begin.
    #[error("the live session did not begin")]
    Live(#[source] LiveError),
    /// The records could not be read.
    #[error(transparent)]
    Records(#[from] crate::records::RecordsError),
}

/// The latest of a live session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LiveFrame {
    /// Counts up with each change; goes on over sessions.
    pub number: u64,
    /// The procedure; empty: there was no session yet.
    pub procedure: String,
    /// The latest reading.
    pub reading: Option<Reading>,
    /// Why the last look gave none.
    pub trouble: Option<String>,
    /// Captures a second over the last two seconds; none: too few came.
    pub captures_a_second: Option<f64>,
    /// The mode that the transport last reached.
    pub mode: Mode,
    /// Seconds until the bench itself stops a still that was held too long.
    pub dwell_left_s: Option<f64>,
    /// A key that the operator is asked to press on the machine.
    pub prompt: Option<OpenPrompt>,
    /// Why the session ended; none: it goes on, or there was none.
    pub ended: Option<String>,
}

struct Session {
    cancel: Cancel,
    said: Option<String>,
    asked: Instant,
}

struct Inner {
    frame: LiveFrame,
    session: Option<Session>,
}

/// Where a bench's live session is reached.
#[derive(Clone)]
pub struct LiveDesk {
    inner: Arc<Mutex<Inner>>,
    changed: Arc<Notify>,
}

impl Default for LiveDesk {
    fn default() -> Self {
        let frame = LiveFrame {
            number: 0,
            procedure: String::new(),
            reading: None,
            trouble: None,
            captures_a_second: None,
            mode: Mode::Stop,
            dwell_left_s: None,
            prompt: None,
            ended: None,
        };
        Self { inner: Arc::new(Mutex::new(Inner { frame, session: None })), changed: Arc::new(Notify::new()) }
    }
}

/// What a session is begun with.
pub(crate) struct Begin {
    pub(crate) bench: Shared,
    pub(crate) loaded: Arc<Loaded>,
    pub(crate) subject: Subject,
    /// Whether the session may still go on: no run, or one that waits for an adjustment.
    pub(crate) may_go_on: Box<dyn Fn() -> bool + Send>,
}

impl LiveDesk {
    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether a session goes on.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.inner().session.is_some()
    }

    /// Begins a session; it goes on as a task of its own.
    pub(crate) async fn begin(&self, begin: Begin) -> Result<(), LiveStartError> {
        let Begin { bench, loaded, subject, may_go_on } = begin;
        let cancel = Cancel::default();
        {
            let mut inner = self.inner();
            if inner.session.is_some() {
                return Err(LiveStartError::Already(bench.name.to_string()));
            }
            inner.session = Some(Session { cancel: cancel.clone(), said: None, asked: bench.clock.now() });
        }
        let pace = Pace::default();
        let services = LiveServices {
            bench: bench.clone(),
            subject,
            start_s: bench.clock.now().as_secs_f64(),
            pace: pace.clone(),
        };
        let live = match loaded.live(services, &bench.clock, &cancel).await {
            Ok(live) => live,
            Err(error) => {
                self.inner().session = None;
                return Err(LiveStartError::Live(error));
            }
        };
        let procedure = loaded.description().name.clone();
        self.change(&bench, |frame| {
            (frame.procedure, frame.reading, frame.trouble, frame.ended) = (procedure, None, None, None);
        });
        tokio::spawn(self.clone().go_on(bench, live, pace, may_go_on));
        Ok(())
    }

    async fn go_on(self, bench: Shared, mut live: Live, pace: Pace, may_go_on: Box<dyn Fn() -> bool + Send>) {
        let why = loop {
            if !may_go_on() {
                break "the run goes on".to_owned();
            }
            let (said, idle) = {
                let mut inner = self.inner();
                let Some(session) = &mut inner.session else { break "it was ended".to_owned() };
                (session.said.take(), bench.clock.now().since(session.asked))
            };
            if idle > CLIENT_PATIENCE {
                break format!("nobody watched for {} s", CLIENT_PATIENCE.as_secs());
            }
            let before = pace.last();
            let looked = live.look(said.as_deref()).await;
            let rate = pace.a_second(bench.clock.now());
            let idle = pace.last() == before;
            match looked {
                Ok(reading) => self.change(&bench, |frame| {
                    (frame.reading, frame.trouble, frame.captures_a_second) = (Some(reading), None, rate);
                }),
                Err(error) if error.goes_on() => {
                    let text = crate::report::chain(&error);
                    self.change(&bench, |frame| (frame.trouble, frame.captures_a_second) = (Some(text), rate));
                    bench.clock.sleep(PAUSE).await;
                    continue;
                }
                Err(LiveError::Cancelled) => break "it was ended".to_owned(),
                Err(error) => break crate::report::chain(&error),
            }
            if idle {
                bench.clock.sleep(PAUSE).await;
            }
        };
        self.inner().session = None;
        self.change(&bench, |frame| {
            (frame.reading, frame.captures_a_second, frame.ended) = (None, None, Some(why));
        });
    }

    fn change(&self, bench: &Shared, change: impl FnOnce(&mut LiveFrame)) {
        let prompt = bench.prompts.open().into_iter().find(|p| matches!(p.question.action, Action::PressKey { .. }));
        let (mode, left) = (bench.transport.now(), bench.transport.dwell_left(bench.clock.now()));
        let mut inner = self.inner();
        let frame = &mut inner.frame;
        change(frame);
        frame.number += 1;
        (frame.mode, frame.prompt) = (mode, prompt);
        frame.dwell_left_s = left.map(|left| left.as_secs_f64());
        drop(inner);
        self.changed.notify_waiters();
    }

    /// The latest frame after a number; waits for one until the deadline. Whoever asks keeps the session alive.
    pub async fn after(&self, bench: &Shared, number: u64, until: Instant) -> LiveFrame {
        loop {
            let changed = self.changed.notified();
            let frame = {
                let mut inner = self.inner();
                if let Some(session) = &mut inner.session {
                    session.asked = bench.clock.now();
                }
                inner.frame.clone()
            };
            if frame.number > number || bench.clock.deadline(until, changed).await.is_none() {
                return frame;
            }
        }
    }

    /// Says a word to the procedure. It must be one of the latest reading's choices.
    ///
    /// # Errors
    /// In words: what could be said.
    pub fn say(&self, word: &str) -> Result<(), String> {
        let mut inner = self.inner();
        let choices = inner.frame.reading.as_ref().map_or(&[][..], |reading| &reading.choices);
        if !choices.iter().any(|choice| choice.word == word) {
            let known = choices.iter().map(|choice| choice.word.as_str()).collect::<Vec<_>>().join(", ");
            return Err(format!("`{word}` cannot be said now; what can: {known}"));
        }
        match &mut inner.session {
            Some(session) => session.said = Some(word.to_owned()),
            None => return Err("there is no live session: begin one".to_owned()),
        }
        Ok(())
    }

    /// Ends the session, if there is one. The machine is left as it is.
    pub fn end(&self) {
        if let Some(session) = &self.inner().session {
            session.cancel.cancel();
        }
    }
}
