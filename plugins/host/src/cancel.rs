//! Ending a run from outside.

use std::sync::Arc;
use tokio::sync::watch;

/// Ends runs that were given a clone of it.
#[derive(Debug, Clone)]
pub struct Cancel(Arc<watch::Sender<bool>>);

impl Default for Cancel {
    fn default() -> Self {
        Self(Arc::new(watch::Sender::new(false)))
    }
}

impl Cancel {
    /// Ends the runs: each gives `unable: cancelled` at its next yield. Cannot be taken back.
    pub fn cancel(&self) {
        self.0.send_replace(true);
    }

    /// Whether it was called.
    #[must_use]
    pub fn is_cancelled(&self) -> bool {
        *self.0.borrow()
    }

    /// Waits until it is called.
    pub async fn cancelled(&self) {
        // The sender is held by self, so this ends only when the value is set.
        let _ = self.0.subscribe().wait_for(|cancelled| *cancelled).await;
    }
}
