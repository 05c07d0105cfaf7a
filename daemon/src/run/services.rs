//! What the bench does for a procedure: the host's services on a real scope, transport and operator.

use super::convert;
use crate::bench::events::BenchEvent;
use crate::bench::prompts::Question;
use crate::bench::shared::Shared;
use crate::records::{self, Journal, RunEvent};
use core::time::Duration;
use std::sync::Arc;
use tapewright_formats::{Mode, TapeKind, TrackingPress, UnableCode};
use tapewright_host::{
    Abilities, Answer, Capture, Earlier, Failure, Point, Prompt, Refusal, Request, Services, Subject,
};
use tapewright_instrument::transport::RecordGrant;

/// The services of one procedure's run.
pub(crate) struct BenchServices {
    pub(crate) bench: Shared,
    pub(crate) run: String,
    pub(crate) procedure: String,
    pub(crate) subject: Subject,
    /// Whether the operator declared the tape scratch: only then may a procedure record.
    pub(crate) scratch: bool,
    /// The earlier run that this one is held against.
    pub(crate) earlier: Option<Arc<Earlier>>,
    /// Start of the run on the bench's clock: times that procedures are told count from here.
    pub(crate) start_s: f64,
    /// The run's journal, for prompts and their answers.
    pub(crate) journal: Journal,
}

impl BenchServices {
    fn told(code: UnableCode, text: impl Into<String>) -> Refusal {
        Refusal::Told(Failure::new(code, text))
    }

    fn note(&self, event: &RunEvent) -> Result<(), Refusal> {
        self.journal.append(event).map(|_| ()).map_err(|error| Refusal::Broken(Box::new(error)))
    }
}

impl Services for BenchServices {
    fn acquire(&mut self, request: Request) -> Answer<'_, Vec<Capture>> {
        Box::pin(async move {
            let captures = self.bench.scope.acquire(convert::request(&request)).await.map_err(|error| {
                if error.is_trouble() {
                    self.bench.events.push(BenchEvent::Trouble { text: crate::report::chain(&error) });
                }
                Refusal::Told(Failure::new(error.code(), crate::report::chain(&error)))
            })?;
            Ok(captures.into_iter().map(|c| convert::capture(c, self.start_s)).collect())
        })
    }

    fn hookup(&mut self) -> Answer<'_, Vec<Point>> {
        Box::pin(async move { Ok(self.bench.points()) })
    }

    fn abilities(&mut self) -> Answer<'_, Abilities> {
        Box::pin(async move { Ok(self.bench.scope.abilities()) })
    }

    fn subject(&mut self) -> Answer<'_, Subject> {
        Box::pin(async move { Ok(self.subject.clone()) })
    }

    fn go(&mut self, to: Mode) -> Answer<'_, f64> {
        Box::pin(async move {
            self.bench.transport.go(to).await.map_err(|error| Self::told(error.code(), crate::report::chain(&error)))
        })
    }

    fn now(&mut self) -> Answer<'_, Mode> {
        Box::pin(async move { Ok(self.bench.transport.now()) })
    }

    fn track(&mut self, press: TrackingPress) -> Answer<'_, bool> {
        Box::pin(async move {
            let done = self.bench.transport.track(press).await;
            done.map_err(|error| Self::told(error.code(), crate::report::chain(&error)))
        })
    }

    fn record_for(&mut self, seconds: f64) -> Answer<'_, ()> {
        Box::pin(async move {
            if !self.scratch || self.subject.tape == TapeKind::Alignment {
                return Err(Self::told(
                    UnableCode::WrongTape,
                    format!(
                        "recording on `{}` was refused: only a tape that the operator declared scratch is recorded on; put one in and declare it",
                        self.subject.tape_name
                    ),
                ));
            }
            let grant = RecordGrant::for_scratch_tape(&self.subject.tape_name);
            let lasting = Duration::try_from_secs_f64(seconds).unwrap_or_default();
            self.bench
                .transport
                .record(grant, lasting)
                .await
                .map_err(|error| Self::told(error.code(), crate::report::chain(&error)))
        })
    }

    fn ask(&mut self, prompt: Prompt) -> Answer<'_, String> {
        Box::pin(async move {
            let question: Question = convert::question(&prompt);
            let id = format!("{}-{}", self.procedure, question.name);
            self.note(&RunEvent::Prompt(records::Prompt {
                id: id.clone(),
                text: question.text.clone(),
                action: serde_json::to_value(&question.action).unwrap_or_default(),
                choices: question.choices.clone(),
                deadline_s: question.deadline_s,
            }))?;
            let answer = self.bench.ask(question).await;
            let text = answer.as_ref().ok().cloned();
            self.note(&RunEvent::Answer(records::Answer { prompt: id, text, by: "operator".to_owned() }))?;
            answer.map_err(Refusal::Told)
        })
    }

    fn earlier(&mut self) -> Answer<'_, Option<Earlier>> {
        let earlier = self.earlier.as_deref().cloned();
        Box::pin(async move { Ok(earlier) })
    }

    fn progress(&mut self, share: f64, doing: &str) {
        self.bench.events.push(BenchEvent::Progress {
            run: self.run.clone(),
            procedure: self.procedure.clone(),
            share,
            doing: doing.to_owned(),
        });
    }
}
