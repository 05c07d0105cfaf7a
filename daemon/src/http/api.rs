//! What the daemon does for HTTP: the trait, and the shapes that go over the wire.

use super::ApiError;
use crate::records::{DataFolder, RunId};
use core::pin::Pin;
use core::time::Duration;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use tapewright_formats::Mode;

/// A boxed answer.
pub type ApiFuture<'a, T> = Pin<Box<dyn Future<Output = Result<T, ApiError>> + Send + 'a>>;

/// The daemon, as HTTP sees it. Names of benches and prompts come from the client unchecked. What only
/// looks may be dropped at any time, when its client goes away; what changes something is done to its end.
pub trait Api: Send + Sync + 'static {
    /// The data folder. Runs and jobs are listed from it.
    fn records(&self) -> &DataFolder;
    /// The benches, and where each stands.
    fn benches(&self) -> ApiFuture<'_, Vec<Value>>;
    /// Starts a run, and returns its name once its journal is on the disk.
    fn start_run<'a>(&'a self, bench: &'a str, request: Value) -> ApiFuture<'a, RunId>;
    /// One run with its verdict.
    fn run<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, Value>;
    /// Judges the first procedure of a run from a place on again, on its own evidence: a [`RejudgePage`].
    ///
    /// [`RejudgePage`]: crate::run::rejudge::RejudgePage
    fn rejudge<'a>(&'a self, run: &'a RunId, from: u32) -> ApiFuture<'a, Value>;
    /// Events of a bench after a number, oldest first; if there is none yet, waits so long for one.
    fn events<'a>(&'a self, bench: &'a str, after: u64, wait: Duration) -> ApiFuture<'a, BenchEvents>;
    /// The open prompts of a bench.
    fn prompts<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Vec<Value>>;
    /// Answers a prompt. The first answer wins; a later one is a conflict.
    fn answer<'a>(&'a self, bench: &'a str, prompt: &'a str, answer: Answered) -> ApiFuture<'a, ()>;
    /// Cancels a run.
    fn cancel<'a>(&'a self, run: &'a RunId) -> ApiFuture<'a, ()>;
    /// Stops the transport of a bench, at once.
    fn stop<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()>;
    /// What can be run.
    fn procedures(&self) -> ApiFuture<'_, Vec<Value>>;
    /// The latest live readings of a bench.
    fn readings<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, Value>;
    /// Begins a live session.
    fn start_live<'a>(&'a self, bench: &'a str, request: Value) -> ApiFuture<'a, ()>;
    /// The latest frame of the live session after a number; if there is none yet, waits so long for one.
    fn live<'a>(&'a self, bench: &'a str, after: u64, wait: Duration) -> ApiFuture<'a, Value>;
    /// Says a word to the live session: one of the latest reading's choices.
    fn live_say<'a>(&'a self, bench: &'a str, word: &'a str) -> ApiFuture<'a, ()>;
    /// A person pressed a key of the transport while watching: returns at once, the mode shows in the frames.
    fn live_key<'a>(&'a self, bench: &'a str, mode: Mode) -> ApiFuture<'a, ()>;
    /// Ends the live session; the machine is left as it is.
    fn end_live<'a>(&'a self, bench: &'a str) -> ApiFuture<'a, ()>;
}

/// What a bench's log gives: the events, and the number that the next one will have.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BenchEvents {
    /// Events after the number asked for, oldest first, that are still kept.
    pub events: Vec<WireEvent>,
    /// The number that the next event will have. Must be taken after the events were.
    pub next_number: u64,
}

/// One numbered event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WireEvent {
    /// Its number: from 1, without a gap.
    pub number: u64,
    /// The rest of it.
    #[serde(flatten)]
    pub body: Map<String, Value>,
}

/// Where a client stands in a bench's events. What a page gives as `next` is asked for next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Cursor {
    /// The life of the daemon that the number is of; none: whichever it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub life: Option<i64>,
    /// The last number that was seen; 0: none.
    #[serde(default)]
    pub after: u64,
}

/// Events as a client gets them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EventPage {
    /// Events, oldest first. May be empty when the wait is over.
    pub events: Vec<WireEvent>,
    /// What to ask for next time.
    pub next: Cursor,
    /// Events that were asked for and are no longer kept; the journal of the run has them.
    pub missed: u64,
    /// The daemon was started anew since, and its numbers with it: this page begins from the first.
    pub restarted: bool,
}

/// An answer to a prompt.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Answered {
    /// The answer.
    pub text: String,
    /// Who answers, e.g. `command line`.
    #[serde(default = "somebody")]
    pub by: String,
}

fn somebody() -> String {
    "http".into()
}

/// A run that was started.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Started {
    /// Its name.
    pub run: RunId,
}

/// Turns something of the daemon's into what goes over the wire.
///
/// # Errors
/// If it cannot be written as JSON of that shape, which is a fault of the daemon.
pub fn wire<T: DeserializeOwned>(thing: &impl Serialize) -> Result<T, ApiError> {
    serde_json::to_value(thing).and_then(serde_json::from_value).map_err(|e| ApiError::internal(&e))
}
