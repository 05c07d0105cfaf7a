//! How long a still picture stands: the count, what is said before its end, and the end.

use crate::bench::events::{BenchEvent, EventLog};
use core::time::Duration;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::{Clock, Instant};

/// How long a still picture is held at the most. Machines release by themselves after some five
/// minutes; the tape wears well before that (common practice, no source).
pub const STILL_DWELL: Duration = Duration::from_secs(120);

/// Seconds before the dwell's end at which the bench says so: stopping moves loading arms.
const COUNTDOWN_S: [u64; 8] = [30, 15, 10, 5, 4, 3, 2, 1];

/// The count of one bench. Clones share it.
#[derive(Clone)]
pub(super) struct Dwell {
    clock: Clock,
    events: EventLog,
    until: Arc<Mutex<Option<Instant>>>,
}

impl Dwell {
    pub(super) fn new(clock: Clock, events: EventLog) -> Self {
        Self { clock, events, until: Arc::default() }
    }

    /// When the still that is held must end; none: the tape does not stand still.
    pub(super) fn set(&self, until: Option<Instant>) {
        *self.until.lock().unwrap_or_else(PoisonError::into_inner) = until;
    }

    fn until(&self) -> Option<Instant> {
        *self.until.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How long until then.
    pub(super) fn left(&self, now: Instant) -> Option<Duration> {
        self.until().map(|until| until.since(now))
    }

    /// Counts down in events, and returns when still must end. While nothing is held still it never does.
    pub(super) async fn over(&self) {
        while let Some(until) = self.until() {
            let (at, left_s) = next_mark(until, self.clock.now());
            self.clock.sleep_until(at).await;
            // Meanwhile the key that ends it may have been pressed.
            if self.until() != Some(until) {
                continue;
            }
            if left_s == 0 {
                return;
            }
            self.events.push(BenchEvent::DwellEnding { left_s });
        }
        core::future::pending().await
    }
}

/// When the bench next speaks of a still's end, and how many seconds are left then; 0: it stops.
fn next_mark(until: Instant, now: Instant) -> (Instant, u64) {
    let left = until.since(now);
    // A mark that is due within a moment was just said.
    let moment = Duration::from_millis(10);
    let next = COUNTDOWN_S.into_iter().find(|mark| Duration::from_secs(*mark) + moment < left).unwrap_or(0);
    (now + left.saturating_sub(Duration::from_secs(next)), next)
}
