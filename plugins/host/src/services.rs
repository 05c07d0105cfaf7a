//! What the daemon does for a procedure, what it writes down, and where captures are kept.

use crate::types::{Abilities, Capture, Earlier, Failure, Point, Prompt, Request, Subject};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use std::collections::BTreeMap;
use std::error::Error;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_formats::{Mode, TrackingPress};

/// Why a service gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// The procedure is told and may go on: the ordinary case of something that cannot be done.
    #[error(transparent)]
    Told(#[from] Failure),
    /// The tool itself is broken (bench gone, disk full): the run ends without a verdict.
    #[error("the service is broken")]
    Broken(#[source] Fault),
    /// The run ends as `unable: procedure-fault` with this reason. A replay says it where the recorded
    /// run ended so; a bench has no use for it.
    #[error("{0}")]
    Ended(String),
}

/// What went wrong in the tool itself.
pub type Fault = Box<dyn Error + Send + Sync>;

/// An answer on its way. Dropping it gives the question up.
pub type Answer<'a, T> = Pin<Box<dyn Future<Output = Result<T, Refusal>> + Send + 'a>>;

/// What the daemon does for a procedure.
///
/// The host asks one thing at a time. It has checked the arguments (finite, in range, words of the
/// closed lists), and drops an answer that takes longer than [`crate::Limits::call_deadline_s`] beyond
/// what the question itself allows. `hookup`, `abilities`, `subject` and `now` cannot be told as
/// failed: `Refusal::Told` from them ends the procedure as unable with that code and text.
pub trait Services: Send {
    /// Takes captures: `request.count` of them, traces in the order of `request.signals`.
    fn acquire(&mut self, request: Request) -> Answer<'_, Vec<Capture>>;
    /// What is hooked up.
    fn hookup(&mut self) -> Answer<'_, Vec<Point>>;
    /// What the scope can do.
    fn abilities(&mut self) -> Answer<'_, Abilities>;
    /// What is on the bench.
    fn subject(&mut self) -> Answer<'_, Subject>;
    /// Goes to a mode (never `record`): the seconds that it took.
    fn go(&mut self, to: Mode) -> Answer<'_, f64>;
    /// The mode that was last reached.
    fn now(&mut self) -> Answer<'_, Mode>;
    /// Presses tracking keys; false: the bench has none, and nothing was pressed.
    fn track(&mut self, press: TrackingPress) -> Answer<'_, bool>;
    /// Records for so many seconds, then stops. Only on a tape declared scratch: the service checks.
    fn record_for(&mut self, seconds: f64) -> Answer<'_, ()>;
    /// Asks the operator.
    fn ask(&mut self, prompt: Prompt) -> Answer<'_, String>;
    /// The earlier run that this one is held against; none: none was named.
    fn earlier(&mut self) -> Answer<'_, Option<Earlier>> {
        Box::pin(std::future::ready(Ok(None)))
    }
    /// Shows how far the procedure is, 0 to 1, and what it does. Must return at once.
    fn progress(&mut self, share: f64, doing: &str);
}

/// One call of a procedure, as it is written down.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Call {
    /// Number of the call in its run. 0 is the start itself, with the settings.
    pub seq: u32,
    /// Interface and function, e.g. `captures.acquire`.
    pub name: String,
    /// What was asked.
    pub args: Value,
    /// What was answered. Captures by their hash: `{"ok": [{"capture": "..."}]}`.
    pub result: Value,
}

/// Where calls are written down: the run's journal.
pub trait Log: Send {
    /// Takes the next call; called in order, before the procedure sees the answer.
    ///
    /// # Errors
    /// If it cannot be kept. The run then ends without a verdict: what is not written did not happen.
    fn call(&mut self, call: &Call) -> Result<(), Fault>;
}

/// Where captures are kept by their content.
pub trait CaptureStore: Send {
    /// Keeps the bytes: their SHA-256 in lower-case hexadecimal. Keeping the same bytes again is no error.
    ///
    /// # Errors
    /// If they cannot be kept.
    fn put(&mut self, bytes: &[u8]) -> Result<String, Fault>;

    /// The bytes of a hash.
    ///
    /// # Errors
    /// If they are not there, or cannot be read.
    fn get(&self, hash: &str) -> Result<Vec<u8>, Fault>;
}

/// A log that stays in memory.
impl Log for Arc<Mutex<Vec<Call>>> {
    fn call(&mut self, call: &Call) -> Result<(), Fault> {
        self.lock().unwrap_or_else(PoisonError::into_inner).push(call.clone());
        Ok(())
    }
}

/// Captures that stay in memory. Clones share them.
#[derive(Debug, Clone, Default)]
pub struct MemoryCaptures(Arc<Mutex<BTreeMap<String, Vec<u8>>>>);

impl CaptureStore for MemoryCaptures {
    fn put(&mut self, bytes: &[u8]) -> Result<String, Fault> {
        let hash = sha256_hex(bytes);
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(hash.clone(), bytes.to_vec());
        Ok(hash)
    }

    fn get(&self, hash: &str) -> Result<Vec<u8>, Fault> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(hash).cloned().ok_or_else(|| format!("no capture {hash} is kept").into())
    }
}

/// SHA-256 in lower-case hexadecimal.
#[must_use]
pub fn sha256_hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    let mut text = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
    }
    text
}
