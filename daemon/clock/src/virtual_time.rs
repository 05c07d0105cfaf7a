//! The timeline of a virtual clock.

use crate::{Instant, WallTime};
use core::pin::Pin;
use core::task::{Context, Poll, Waker};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Turns that every other ready task gets before time moves. A message may pass through this many
/// tasks, each at one turn, before it counts as lost; the longest chain of the project passes some ten.
pub const SETTLE_ROUNDS: u32 = 64;

/// State of a virtual clock.
pub(crate) struct Timeline {
    start: WallTime,
    state: Mutex<State>,
}

#[derive(Default)]
struct State {
    now: u64,
    /// Sleepers by time, then by order of arrival; each with what wakes it, once it was polled.
    sleepers: BTreeMap<(u64, u64), Option<Waker>>,
    arrivals: u64,
    busy: u64,
}

impl State {
    /// Only the first sleeper counts rounds: to be called, and the waker woken, where another has become the first, or
    /// nothing holds time any longer.
    fn first_waker(&self) -> Option<Waker> {
        self.sleepers.first_key_value().and_then(|(_, waker)| waker.clone())
    }
}

impl Timeline {
    pub(crate) fn new(start: WallTime) -> Self {
        Self { start, state: Mutex::default() }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere leaves the numbers whole: each change is one assignment.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn now(&self) -> Instant {
        Instant(self.state().now)
    }

    pub(crate) fn wall(&self) -> WallTime {
        WallTime(self.start.0.saturating_add(i64::try_from(self.state().now / 1_000_000).unwrap_or(i64::MAX)))
    }

    pub(crate) async fn sleep_until(&self, until: Instant) {
        let key = {
            let mut state = self.state();
            if until.0 <= state.now {
                return;
            }
            state.arrivals += 1;
            let key = (until.0, state.arrivals);
            state.sleepers.insert(key, None);
            key
        };
        Sleeper { line: self, key, rounds: 0 }.await;
    }
}

/// Waits in the set of sleepers; leaves it when dropped.
struct Sleeper<'a> {
    line: &'a Timeline,
    key: (u64, u64),
    rounds: u32,
}

impl Future for Sleeper<'_> {
    type Output = ();

    fn poll(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<()> {
        let mut state = self.line.state();
        if state.now >= self.key.0 {
            return Poll::Ready(());
        }
        let first = state.sleepers.first_key_value().is_some_and(|(key, _)| *key == self.key);
        if !first || state.busy > 0 {
            state.sleepers.insert(self.key, Some(cx.waker().clone()));
            drop(state);
            self.rounds = 0;
            return Poll::Pending;
        }
        if self.rounds >= SETTLE_ROUNDS {
            state.now = self.key.0;
            return Poll::Ready(());
        }
        drop(state);
        self.rounds += 1;
        // Asking to be polled again puts this task behind every task that is ready now.
        cx.waker().wake_by_ref();
        Poll::Pending
    }
}

impl Drop for Sleeper<'_> {
    fn drop(&mut self) {
        let next = {
            let mut state = self.line.state();
            state.sleepers.remove(&self.key);
            state.first_waker()
        };
        if let Some(waker) = next {
            waker.wake();
        }
    }
}

/// Holds virtual time while it lives.
pub struct Busy(Option<Arc<Timeline>>);

impl Busy {
    pub(crate) const fn none() -> Self {
        Self(None)
    }

    pub(crate) fn on(line: &Arc<Timeline>) -> Self {
        line.state().busy += 1;
        Self(Some(Arc::clone(line)))
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        if let Some(line) = &self.0 {
            let next = {
                let mut state = line.state();
                state.busy -= 1;
                state.first_waker().filter(|_| state.busy == 0)
            };
            if let Some(waker) = next {
                waker.wake();
            }
        }
    }
}
