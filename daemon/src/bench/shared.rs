//! What a bench's parts share: cheap to clone, each member owns its own lock or task.

use super::events::{BenchEvent, EventLog};
use super::prompts::{PromptDesk, Question};
use super::scope_task::ScopeHandle;
use super::transport_task::TransportHandle;
use core::time::Duration;
use std::sync::Arc;
use tapewright_clock::Clock;
use tapewright_formats::UnableCode;
use tapewright_host::Failure;
use tapewright_instrument::Hookup;

/// The parts of a bench.
#[derive(Clone)]
pub struct Shared {
    /// The bench's name.
    pub name: Arc<str>,
    /// Its clock.
    pub clock: Clock,
    /// Its scope.
    pub scope: ScopeHandle,
    /// Its hookup.
    pub hookup: Arc<Hookup>,
    /// The machine's keys.
    pub transport: TransportHandle,
    /// Open prompts.
    pub prompts: PromptDesk,
    /// What happened.
    pub events: EventLog,
}

impl Shared {
    /// The hookup as procedures are told it.
    #[must_use]
    pub fn points(&self) -> Vec<tapewright_host::Point> {
        let told = |p| crate::run::convert::point(p, self.scope.is_trigger_only(&p.channel));
        self.hookup.points.iter().map(told).collect()
    }

    /// Asks the operator, and waits for the answer until the question's deadline.
    ///
    /// # Errors
    /// `unattended` when nobody answered in time.
    pub async fn ask(&self, question: Question) -> Result<String, Failure> {
        let deadline = Duration::try_from_secs_f64(question.deadline_s).unwrap_or_default();
        let unattended = |why: String| Failure::new(UnableCode::Unattended, why);
        let name = question.name.clone();
        let (prompt, answer) = self.prompts.ask(question).ok_or_else(|| {
            unattended(format!("`{name}` could not be asked: too many prompts are open; answer them first"))
        })?;
        let id = prompt.id.clone();
        self.events.push(BenchEvent::Prompted { prompt });
        match self.clock.deadline(self.clock.now() + deadline, answer).await {
            Some(Ok(answer)) => {
                self.events.push(BenchEvent::Answered { prompt: id, answer: answer.clone() });
                Ok(answer)
            }
            Some(Err(_)) | None => {
                self.events.push(BenchEvent::Unanswered { prompt: id });
                let text = format!(
                    "nobody answered `{name}` within {} s: run it attended, or answer with `tapewright answer`",
                    deadline.as_secs()
                );
                Err(unattended(text))
            }
        }
    }
}
