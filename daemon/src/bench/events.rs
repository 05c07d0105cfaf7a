//! The events of a bench: a closed list, numbered in one order, resumable by a client.

use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::{Clock, Instant};
use tapewright_formats::{Mode, Outcome, TrackingPress};
use tokio::sync::Notify;

/// Events kept for clients that come back. The oldest go first; a client that asks for one that is
/// gone sees from the first number that it gets what it missed. The journal of the run has them all.
pub const KEPT_EVENTS: usize = 4096;

/// What happens on a bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "event", deny_unknown_fields)]
pub enum BenchEvent {
    /// A run began.
    RunOpened {
        /// The run.
        run: String,
        /// What is run.
        sequence: String,
        /// The machine's shelf mark.
        machine: String,
        /// The tape's label.
        tape: String,
    },
    /// A procedure began.
    ProcedureStarted {
        /// The run.
        run: String,
        /// The procedure.
        procedure: String,
        /// Its place in the sequence, from 1.
        place: usize,
        /// Steps in the sequence.
        of: usize,
    },
    /// A step was left out.
    StepSkipped {
        /// The run.
        run: String,
        /// The procedure.
        procedure: String,
        /// Why.
        because: String,
    },
    /// A procedure says how far it is.
    Progress {
        /// The run.
        run: String,
        /// The procedure.
        procedure: String,
        /// Share done, 0 to 1.
        share: f64,
        /// What it does.
        doing: String,
    },
    /// The transport was told to go to a mode.
    ModeAsked {
        /// The mode.
        mode: Mode,
    },
    /// The transport had time to reach a mode.
    ModeReached {
        /// The mode.
        mode: Mode,
    },
    /// Tracking keys are pressed. The tape goes on as it did.
    TrackingAsked {
        /// What is pressed.
        press: TrackingPress,
    },
    /// A still picture is about to be ended by the bench: the loading arms will move.
    DwellEnding {
        /// Seconds until then.
        left_s: u64,
    },
    /// The operator is asked.
    Prompted {
        /// The prompt.
        prompt: super::prompts::OpenPrompt,
    },
    /// A prompt was answered.
    Answered {
        /// The prompt's id.
        prompt: String,
        /// The answer.
        answer: String,
    },
    /// A prompt ended without an answer.
    Unanswered {
        /// The prompt's id.
        prompt: String,
    },
    /// A procedure ended. Its verdict is on disk.
    ProcedureEnded {
        /// The run.
        run: String,
        /// The procedure.
        procedure: String,
        /// Its outcome.
        outcome: Outcome,
    },
    /// The run ended. Its verdict is on disk.
    RunClosed {
        /// The run.
        run: String,
        /// The verdict of the whole.
        outcome: Outcome,
        /// The conclusion.
        conclusion: String,
    },
    /// The run ended, and its verdict could not be brought to the disk: there is none.
    RunWithoutVerdict {
        /// The run.
        run: String,
        /// Why.
        because: String,
    },
    /// Something about the bench that an operator should know.
    Trouble {
        /// What.
        text: String,
    },
    /// Stop was asked for; the transport was told at once.
    Stopped {
        /// By whom or why.
        because: String,
    },
}

/// An event with its number and wall time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NumberedEvent {
    /// Counts from 1 without a gap.
    pub number: u64,
    /// Milliseconds since 1970.
    pub at_ms: i64,
    /// What happened.
    #[serde(flatten)]
    pub event: BenchEvent,
}

struct Kept {
    next: u64,
    events: VecDeque<NumberedEvent>,
}

/// The events of one bench.
#[derive(Clone)]
pub struct EventLog {
    clock: Clock,
    kept: Arc<Mutex<Kept>>,
    changed: Arc<Notify>,
}

impl EventLog {
    /// An empty log.
    #[must_use]
    pub fn new(clock: Clock) -> Self {
        let kept = Kept { next: 1, events: VecDeque::new() };
        Self { clock, kept: Arc::new(Mutex::new(kept)), changed: Arc::new(Notify::new()) }
    }

    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds an event.
    pub fn push(&self, event: BenchEvent) {
        let at_ms = self.clock.wall().0;
        let mut kept = self.kept();
        let number = kept.next;
        kept.next += 1;
        if kept.events.len() == KEPT_EVENTS {
            kept.events.pop_front();
        }
        kept.events.push_back(NumberedEvent { number, at_ms, event });
        drop(kept);
        self.changed.notify_waiters();
    }

    /// The number that the next event will have.
    #[must_use]
    pub fn next_number(&self) -> u64 {
        self.kept().next
    }

    /// The latest event of a kind, if it is still kept.
    #[must_use]
    pub fn latest(&self, of: impl Fn(&BenchEvent) -> bool) -> Option<NumberedEvent> {
        self.kept().events.iter().rev().find(|e| of(&e.event)).cloned()
    }

    /// Events after a number; waits for one until the deadline when there is none yet.
    pub async fn after(&self, number: u64, until: Instant) -> Vec<NumberedEvent> {
        loop {
            // Asked for before looking, so that an event between the look and the wait is not missed.
            let changed = self.changed.notified();
            let found: Vec<NumberedEvent> = self.kept().events.iter().filter(|e| e.number > number).cloned().collect();
            if !found.is_empty() || self.clock.deadline(until, changed).await.is_none() {
                return found;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::time::Duration;
    use tapewright_clock::WallTime;

    #[test]
    fn a_client_that_comes_back_misses_nothing() {
        let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
        runtime.block_on(async {
            let clock = Clock::virtual_from(WallTime(0));
            let log = EventLog::new(clock.clone());
            let writer = log.clone();
            let pace = clock.clone();
            tokio::spawn(async move {
                for _ in 0..100 {
                    pace.sleep(Duration::from_millis(7)).await;
                    writer.push(BenchEvent::ModeAsked { mode: Mode::Play });
                }
            });
            let (mut last, mut seen) = (0, 0);
            while seen < 100 {
                for event in log.after(last, clock.now() + Duration::from_secs(10)).await {
                    assert_eq!(event.number, last + 1);
                    last = event.number;
                    seen += 1;
                }
            }
        });
    }

    #[test]
    fn the_oldest_go_first() {
        let log = EventLog::new(Clock::virtual_from(WallTime(0)));
        for _ in 0..KEPT_EVENTS + 10 {
            log.push(BenchEvent::ModeAsked { mode: Mode::Stop });
        }
        assert_eq!(log.kept().events.front().map(|e| e.number), Some(11));
        assert_eq!(log.next_number(), KEPT_EVENTS as u64 + 11);
    }
}
