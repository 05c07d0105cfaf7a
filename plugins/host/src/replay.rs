//! Running a component again on its own evidence: the log and the captures, and nothing else.

use crate::cancel::Cancel;
use crate::description::Setting;
use crate::engine::{Engine, Procedure};
use crate::error::RunError;
use crate::limits::Limits;
use crate::run::{Run, START};
use crate::services::{Answer, Call, CaptureStore, Fault, Log, Refusal, Services, sha256_hex};
use crate::types::{Abilities, Capture, Earlier, Failure, Point, Prompt, Request, Subject};
use crate::verdict::Verdict;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::Clock;
use tapewright_formats::{Mode, TrackingPress};

/// Where a run left its recorded way. `seq` is the number of the call.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Divergence {
    /// The log does not begin with the start of a run.
    #[error("the log does not begin with `{START}`: it is no run's, or its beginning is lost")]
    NoStart,
    /// The log ends before this call.
    #[error("call {seq}: the component asks {name}, and the log ends before it")]
    Cut {
        /// Number of the call.
        seq: u32,
        /// What is asked.
        name: String,
    },
    /// Another function was called.
    #[error("call {seq}: the component asks {name}, the log has {recorded}")]
    Function {
        /// Number of the call.
        seq: u32,
        /// What the log has.
        recorded: String,
        /// What is asked.
        name: String,
    },
    /// The same function was called with something else.
    #[error("call {seq}, {name}: the component asks {args}, the log has {recorded}")]
    Arguments {
        /// Number of the call.
        seq: u32,
        /// Which function.
        name: String,
        /// What the log has.
        recorded: String,
        /// What is asked.
        args: String,
    },
    /// The answer that the log has is not one that the host gives.
    #[error("call {seq}, {name}: the host answers {result}, the log has {recorded}")]
    Answer {
        /// Number of the call.
        seq: u32,
        /// Which function.
        name: String,
        /// What the log has.
        recorded: String,
        /// What the host answers.
        result: String,
    },
    /// The component ended, and the log goes on.
    #[error("the component ended after call {seq}, the log goes on with {name}")]
    LeftOver {
        /// Number of the last call that was made.
        seq: u32,
        /// What comes next in the log.
        name: String,
    },
    /// A capture is gone, or not the one that it was.
    #[error("call {seq}: capture {hash}: {text}")]
    Capture {
        /// Number of the call.
        seq: u32,
        /// Its hash, by the log.
        hash: String,
        /// What is wrong.
        text: String,
    },
}

/// Why a run was not judged again.
#[derive(Debug, thiserror::Error)]
pub enum RejudgeError {
    /// The component does not do what the log says, or the evidence is not whole.
    #[error("the run does not repeat")]
    Diverged(#[from] Divergence),
    /// Something else.
    #[error("the run could not be repeated")]
    Run(#[source] RunError),
}

/// A recorded run that answers as it was answered then. Clones share one place in the log.
#[derive(Clone)]
pub struct Replay(Arc<Mutex<Recorded>>);

struct Recorded {
    calls: Vec<Call>,
    /// Place of the next call.
    next: usize,
    captures: Box<dyn CaptureStore>,
}

impl std::fmt::Debug for Replay {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let recorded = self.recorded();
        write!(f, "Replay(at {} of {})", recorded.next, recorded.calls.len())
    }
}

impl Replay {
    /// A replay of these calls, with captures from this store.
    #[must_use]
    pub fn new(calls: Vec<Call>, captures: Box<dyn CaptureStore>) -> Self {
        Self(Arc::new(Mutex::new(Recorded { calls, next: 0, captures })))
    }

    /// The settings of the recorded run.
    ///
    /// # Errors
    /// [`Divergence::NoStart`].
    pub fn settings(&self) -> Result<Vec<Setting>, Divergence> {
        let recorded = self.recorded();
        let first = recorded.calls.first().filter(|call| call.name == START).ok_or(Divergence::NoStart)?;
        serde_json::from_value(first.args["settings"].clone()).map_err(|_| Divergence::NoStart)
    }

    /// Whether every recorded call was made.
    ///
    /// # Errors
    /// [`Divergence::LeftOver`].
    pub fn finished(&self) -> Result<(), Divergence> {
        let recorded = self.recorded();
        match recorded.calls.get(recorded.next) {
            None => Ok(()),
            Some(call) => Err(Divergence::LeftOver { seq: call.seq.saturating_sub(1), name: call.name.clone() }),
        }
    }

    fn recorded(&self) -> MutexGuard<'_, Recorded> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What was answered then; the call itself is ticked off when the host writes it down.
    fn answer<T: DeserializeOwned>(&self, name: &str, args: &Value) -> Result<T, Refusal> {
        let broken = |divergence: Divergence| Refusal::Broken(divergence.into());
        let recorded = self.recorded();
        let call = recorded.expect(name, args).map_err(broken)?;
        let result = &call.result;
        let unreadable = || {
            broken(Divergence::Answer {
                seq: call.seq,
                name: name.into(),
                recorded: result.to_string(),
                result: "an answer of its kind".into(),
            })
        };
        let read = |value: &Value| serde_json::from_value(value.clone());
        if let Some(ok) = result.get("ok") {
            return serde_json::from_value(ok.clone()).map_err(|_| unreadable());
        }
        if let Some(Ok(failure)) = result.get("err").map(read) {
            let failure: Failure = failure;
            return Err(Refusal::Told(failure));
        }
        match result.get("fault").and_then(Value::as_str) {
            Some(reason) => Err(Refusal::Ended(reason.to_owned())),
            None => Err(unreadable()),
        }
    }

    fn captured(&self, request: &Request) -> Result<Vec<Capture>, Refusal> {
        let kept: Vec<Kept> = self.answer("captures.acquire", &json!(request))?;
        let recorded = self.recorded();
        let seq = recorded.calls.get(recorded.next).map_or(0, |call| call.seq);
        let read = |Kept { capture: hash }: Kept| {
            let wrong = |text: String| Refusal::Broken(Divergence::Capture { seq, hash: hash.clone(), text }.into());
            let bytes = recorded.captures.get(&hash).map_err(|e| wrong(e.to_string()))?;
            if sha256_hex(&bytes) != hash {
                return Err(wrong("its bytes have another hash: they were changed".into()));
            }
            Capture::from_bytes(&bytes).map_err(|e| wrong(e.to_string()))
        };
        kept.into_iter().map(read).collect()
    }
}

/// A capture, by its hash, as a log names it.
#[derive(serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    capture: String,
}

impl Recorded {
    /// The next call of the log, if it is this one.
    fn expect(&self, name: &str, args: &Value) -> Result<&Call, Divergence> {
        // Number 0 is the start, so a call's number is its place in a whole log.
        let seq = u32::try_from(self.next).unwrap_or(u32::MAX);
        let call = self.calls.get(self.next).ok_or_else(|| Divergence::Cut { seq, name: name.into() })?;
        if call.name != name || call.seq != seq {
            let recorded = format!("{} as call {}", call.name, call.seq);
            return Err(Divergence::Function { seq, recorded, name: name.into() });
        }
        if &call.args != args {
            return Err(Divergence::Arguments {
                seq,
                name: name.into(),
                recorded: call.args.to_string(),
                args: args.to_string(),
            });
        }
        Ok(call)
    }
}

impl Log for Replay {
    fn call(&mut self, made: &Call) -> Result<(), Fault> {
        let mut recorded = self.recorded();
        let call = recorded.expect(&made.name, &made.args)?;
        if call.result != made.result {
            return Err(Divergence::Answer {
                seq: call.seq,
                name: made.name.clone(),
                recorded: call.result.to_string(),
                result: made.result.to_string(),
            }
            .into());
        }
        recorded.next += 1;
        Ok(())
    }
}

/// A ready answer.
fn now<'a, T: Send + 'a>(answer: Result<T, Refusal>) -> Answer<'a, T> {
    Box::pin(std::future::ready(answer))
}

impl Services for Replay {
    fn acquire(&mut self, request: Request) -> Answer<'_, Vec<Capture>> {
        now(self.captured(&request))
    }

    fn hookup(&mut self) -> Answer<'_, Vec<Point>> {
        now(self.answer("captures.hookup", &Value::Null))
    }

    fn abilities(&mut self) -> Answer<'_, Abilities> {
        now(self.answer("captures.can-do", &Value::Null))
    }

    fn subject(&mut self) -> Answer<'_, Subject> {
        now(self.answer("captures.describe-subject", &Value::Null))
    }

    fn go(&mut self, to: Mode) -> Answer<'_, f64> {
        now(self.answer("transport.go", &json!(to)))
    }

    fn now(&mut self) -> Answer<'_, Mode> {
        now(self.answer("transport.now", &Value::Null))
    }

    fn track(&mut self, press: TrackingPress) -> Answer<'_, bool> {
        now(self.answer("tracking.turn", &json!(press)))
    }

    fn record_for(&mut self, seconds: f64) -> Answer<'_, ()> {
        now(self.answer("recording.record-for", &json!(seconds)))
    }

    fn ask(&mut self, prompt: Prompt) -> Answer<'_, String> {
        now(self.answer("operator.ask", &json!(prompt)))
    }

    fn earlier(&mut self) -> Answer<'_, Option<Earlier>> {
        now(self.answer("earlier.look", &Value::Null))
    }

    fn progress(&mut self, _share: f64, _doing: &str) {}
}

/// Captures of a replay are kept already: it only names them.
struct Named;

impl CaptureStore for Named {
    fn put(&mut self, bytes: &[u8]) -> Result<String, Fault> {
        Ok(sha256_hex(bytes))
    }

    fn get(&self, hash: &str) -> Result<Vec<u8>, Fault> {
        Err(format!("capture {hash} is asked for, and a replay keeps none").into())
    }
}

impl Engine {
    /// Runs a procedure again on a run's own evidence: its log and its captures.
    ///
    /// The same component and the same evidence give the same verdict bit for bit, on the same processor
    /// family and runtime version. `limits` are those of the recorded run, if fuel and verdict shall be
    /// equal too; [`Limits::without_fuel_limit`] otherwise.
    ///
    /// # Errors
    /// [`RejudgeError::Diverged`] at the exact call where the component, the log or a capture is not what
    /// it was. A run that was cancelled ends so, where its log ends.
    pub async fn rejudge(
        &self,
        procedure: &Procedure,
        calls: Vec<Call>,
        captures: Box<dyn CaptureStore>,
        limits: Limits,
        clock: Clock,
    ) -> Result<Verdict, RejudgeError> {
        let replay = Replay::new(calls, captures);
        let run = Run {
            settings: replay.settings()?,
            limits,
            services: Box::new(replay.clone()),
            log: Box::new(replay.clone()),
            captures: Box::new(Named),
            clock,
            cancel: Cancel::default(),
        };
        let verdict = self.run(procedure, run).await.map_err(|error| match error {
            RunError::Broken { seq, name, source } => match source.downcast::<Divergence>() {
                Ok(divergence) => RejudgeError::Diverged(*divergence),
                Err(source) => RejudgeError::Run(RunError::Broken { seq, name, source }),
            },
            other @ RunError::Settings(_) => RejudgeError::Run(other),
        })?;
        replay.finished()?;
        Ok(verdict)
    }
}
