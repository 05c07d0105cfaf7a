//! Prompts: questions to the operator, listed and answered from anywhere; the first answer wins.

use serde::{Deserialize, Serialize};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_formats::{Signal, TapeKind};
use tokio::sync::oneshot;

/// Prompts that may be open at once on a bench. A run asks one after the other; more than this means
/// that something asks without waiting.
pub const OPEN_PROMPTS: usize = 16;

/// What the operator is asked to do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "do", deny_unknown_fields)]
pub enum Action {
    /// Nothing but to answer.
    Answer,
    /// Read the cautions.
    ReadCautions,
    /// Keep clear of moving parts: the transport is about to be told to move.
    KeepClear,
    /// Move a probe.
    MoveProbe {
        /// Signal whose probe is moved.
        signal: Signal,
        /// Where to: a signal's test point, or `test-output`.
        to: String,
    },
    /// Put in another tape.
    ChangeTape {
        /// Of this kind.
        kind: TapeKind,
    },
    /// Press the machine's key, where no relay does.
    PressKey {
        /// The mode to go to.
        mode: tapewright_formats::Mode,
    },
    /// Adjust something.
    Adjust {
        /// What.
        what: String,
    },
}

/// A question.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Question {
    /// Stable name, e.g. `probe-proof`.
    pub name: String,
    /// The text to show.
    pub text: String,
    /// What is to be done.
    pub action: Action,
    /// Answers to choose from; empty: free text.
    pub choices: Vec<String>,
    /// How long it stays open.
    pub deadline_s: f64,
}

/// An open prompt: a question with an id of its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OpenPrompt {
    /// Unique on this bench.
    pub id: String,
    /// The question.
    pub question: Question,
}

/// Why an answer was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum AnswerError {
    /// No such prompt is open.
    #[error(
        "prompt `{id}` is not open: it was answered, ran out, or never was; list the open ones and answer one of them"
    )]
    NotOpen {
        /// What was answered.
        id: String,
    },
    /// Not one of the choices.
    #[error("`{answer}` does not answer prompt `{id}`; answer one of: {choices}")]
    NotAChoice {
        /// The prompt.
        id: String,
        /// What was given.
        answer: String,
        /// What could be.
        choices: String,
    },
}

struct Entry {
    prompt: OpenPrompt,
    reply: oneshot::Sender<String>,
}

#[derive(Default)]
struct Desk {
    asked: u64,
    open: Vec<Entry>,
}

/// Where prompts lie open.
#[derive(Clone, Default)]
pub struct PromptDesk(Arc<Mutex<Desk>>);

impl PromptDesk {
    fn desk(&self) -> MutexGuard<'_, Desk> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lays a question open. `None` when too many are open already.
    #[must_use]
    pub fn ask(&self, question: Question) -> Option<(OpenPrompt, oneshot::Receiver<String>)> {
        let mut desk = self.desk();
        // A prompt whose asker is gone is no longer open.
        desk.open.retain(|e| !e.reply.is_closed());
        if desk.open.len() >= OPEN_PROMPTS {
            return None;
        }
        desk.asked += 1;
        let prompt = OpenPrompt { id: format!("{}-{}", desk.asked, question.name), question };
        let (reply, answer) = oneshot::channel();
        desk.open.push(Entry { prompt: prompt.clone(), reply });
        Some((prompt, answer))
    }

    /// Answers an open prompt; the first answer wins.
    ///
    /// # Errors
    /// [`AnswerError`] when it is not open, or the answer is none of its choices.
    pub fn answer(&self, id: &str, answer: &str) -> Result<(), AnswerError> {
        let mut desk = self.desk();
        let not_open = || AnswerError::NotOpen { id: id.to_owned() };
        let place = desk.open.iter().position(|e| e.prompt.id == id && !e.reply.is_closed()).ok_or_else(not_open)?;
        let choices = &desk.open[place].prompt.question.choices;
        if !choices.is_empty() && !choices.iter().any(|c| c == answer) {
            return Err(AnswerError::NotAChoice {
                id: id.to_owned(),
                answer: answer.to_owned(),
                choices: choices.join(", "),
            });
        }
        let entry = desk.open.remove(place);
        entry.reply.send(answer.to_owned()).map_err(|_| not_open())
    }

    /// The open prompts.
    #[must_use]
    pub fn open(&self) -> Vec<OpenPrompt> {
        self.desk().open.iter().filter(|e| !e.reply.is_closed()).map(|e| e.prompt.clone()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn question(choices: &[&str]) -> Question {
        Question {
            name: "probe-proof".to_owned(),
            text: "Touch the head-switch point.".to_owned(),
            action: Action::Answer,
            choices: choices.iter().map(ToString::to_string).collect(),
            deadline_s: 60.0,
        }
    }

    #[test]
    fn the_first_answer_wins() {
        let desk = PromptDesk::default();
        let (prompt, mut answer) = desk.ask(question(&["done", "cannot"])).expect("there is room");
        assert_eq!(desk.open(), std::slice::from_ref(&prompt));
        let wrong = desk.answer(&prompt.id, "maybe").expect_err("not a choice");
        assert!(wrong.to_string().contains("done, cannot"));
        desk.answer(&prompt.id, "done").expect("it is open");
        assert_eq!(desk.answer(&prompt.id, "cannot"), Err(AnswerError::NotOpen { id: prompt.id }));
        assert_eq!(answer.try_recv().as_deref(), Ok("done"));
    }

    #[test]
    fn a_prompt_whose_asker_is_gone_is_closed() {
        let desk = PromptDesk::default();
        let (prompt, answer) = desk.ask(question(&[])).expect("there is room");
        drop(answer);
        assert!(desk.open().is_empty());
        assert!(desk.answer(&prompt.id, "x").is_err());
        for _ in 0..OPEN_PROMPTS * 2 {
            assert!(desk.ask(question(&[])).is_some(), "closed prompts do not fill the desk");
        }
    }
}
