//! The task that owns the scope's link.
//!
//! An exchange that began is finished, or the link is resynchronised, even when the asker is gone:
//! the task runs each request to its end and only then looks whether anybody still wants the answer.

use std::sync::Arc;
use tapewright_formats::UnableCode;
use tapewright_host::Abilities;
use tapewright_instrument::{Capture, CaptureRequest, Hookup, Scope, ScopeError};
use tokio::sync::{mpsc, oneshot};

/// Requests that may wait for the scope. A run asks one after the other; a bench check may come between.
/// When the queue is full the asker waits.
const WAITING_REQUESTS: usize = 4;

/// Why there is no capture.
#[derive(Debug, thiserror::Error)]
pub enum AcquireError {
    /// The scope said so.
    #[error("the capture failed")]
    Scope(#[source] Box<ScopeError>),
    /// The task that owns the link has ended.
    #[error("the bench is shutting down: its scope takes no more requests")]
    Gone,
}

impl AcquireError {
    /// The code of unable that says the same.
    #[must_use]
    pub fn code(&self) -> UnableCode {
        match self {
            Self::Scope(error) => error.unable_code(),
            Self::Gone => UnableCode::LinkLost,
        }
    }

    /// Whether something is wrong with the link or the instrument, rather than with what was asked.
    #[must_use]
    pub fn is_trouble(&self) -> bool {
        match self {
            Self::Scope(error) => error.is_fault(),
            Self::Gone => true,
        }
    }
}

/// What a scope can do, in the contract's words.
fn abilities_of(scope: &Scope) -> Abilities {
    let can = scope.abilities();
    Abilities {
        channels: can.channels,
        greatest_points: can.greatest_points,
        greatest_rate_hz: can.greatest_rate_hz,
        peak_pulse_s: can.peak_pulse_s,
        video_trigger: can.video_trigger,
        seconds_a_point: can.seconds_a_point,
    }
}

struct Job {
    request: CaptureRequest,
    reply: oneshot::Sender<Result<Vec<Capture>, AcquireError>>,
}

/// How the rest of the bench asks for captures.
#[derive(Clone)]
pub struct ScopeHandle {
    jobs: mpsc::Sender<Job>,
    abilities: Abilities,
    trigger_only: Arc<[String]>,
    identity: Arc<str>,
    dialect: Arc<str>,
}

impl ScopeHandle {
    /// Starts the task that owns the scope.
    #[must_use]
    pub fn spawn(mut scope: Scope, hookup: Arc<Hookup>) -> Self {
        let (jobs, mut queue) = mpsc::channel::<Job>(WAITING_REQUESTS);
        let handle = Self {
            jobs,
            abilities: abilities_of(&scope),
            trigger_only: scope.dialect().inputs.iter().filter(|i| i.trigger_only).map(|i| i.label.clone()).collect(),
            identity: scope.identity().to_string().into(),
            dialect: scope.dialect().name.as_str().into(),
        };
        tokio::spawn(async move {
            while let Some(job) = queue.recv().await {
                let result = scope.acquire(&hookup, &job.request).await;
                // The asker may be gone; the exchange is finished all the same.
                let _ = job.reply.send(result.map_err(|e| AcquireError::Scope(Box::new(e))));
            }
        });
        handle
    }

    /// Takes captures.
    ///
    /// # Errors
    /// [`AcquireError`] with what was tried on what.
    pub async fn acquire(&self, request: CaptureRequest) -> Result<Vec<Capture>, AcquireError> {
        let (reply, answer) = oneshot::channel();
        self.jobs.send(Job { request, reply }).await.map_err(|_| AcquireError::Gone)?;
        answer.await.map_err(|_| AcquireError::Gone)?
    }

    /// What the scope can do.
    #[must_use]
    pub fn abilities(&self) -> Abilities {
        self.abilities.clone()
    }

    /// Whether an input gives no samples.
    #[must_use]
    pub fn is_trigger_only(&self, label: &str) -> bool {
        self.trigger_only.iter().any(|l| l.eq_ignore_ascii_case(label))
    }

    /// The instrument, as it says itself.
    #[must_use]
    pub fn identity(&self) -> &str {
        &self.identity
    }

    /// The dialect that it is spoken to in.
    #[must_use]
    pub fn dialect(&self) -> &str {
        &self.dialect
    }
}
