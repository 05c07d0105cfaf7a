//! The one clock: now, sleep until, wall time; real or virtual.
//!
//! This is the only place of the project that asks the system for the time. A [`Clock`] is cheap to
//! clone; clones share one timeline. [`Instant`]s count from the moment the clock was made.
//!
//! # The virtual clock
//! Virtual time stands still while anything works and jumps when everything waits. A sleeper is
//! woken when it is the earliest of all sleepers, no [`Busy`] guard is alive, and the runtime had
//! [`SETTLE_ROUNDS`] turns to run every other ready task. On a current-thread runtime with
//! in-process links this is exact and repeatable. Whoever leaves the runtime (a blocking call, a
//! thread) holds a [`Busy`] guard meanwhile, because the clock cannot see that work.

mod virtual_time;

use core::fmt;
use core::time::Duration;
use std::sync::Arc;
use virtual_time::Timeline;

pub use virtual_time::{Busy, SETTLE_ROUNDS};

/// How late the runtime's timer may be.
const TIMER_LATE: Duration = Duration::from_millis(3);

/// A moment on a clock's timeline: nanoseconds since the clock was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Instant(u64);

impl Instant {
    /// From nanoseconds since the clock was made.
    #[must_use]
    pub const fn from_nanos(nanos: u64) -> Self {
        Self(nanos)
    }

    /// Nanoseconds since the clock was made.
    #[must_use]
    pub const fn as_nanos(self) -> u64 {
        self.0
    }

    /// Seconds since the clock was made.
    #[must_use]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// From seconds since the clock was made; negative or non-finite seconds are 0.
    #[must_use]
    pub fn from_secs_f64(seconds: f64) -> Self {
        Self(if seconds > 0.0 { (seconds * 1e9) as u64 } else { 0 })
    }

    /// Time from `earlier` to here; zero if `earlier` is later.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

impl core::ops::Add<Duration> for Instant {
    type Output = Self;
    fn add(self, by: Duration) -> Self {
        Self(self.0.saturating_add(u64::try_from(by.as_nanos()).unwrap_or(u64::MAX)))
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.6} s", self.as_secs_f64())
    }
}

/// Wall time: milliseconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct WallTime(pub i64);

#[derive(Clone)]
enum Kind {
    Real { origin: std::time::Instant, pace: u32 },
    Virtual(Arc<Timeline>),
}

/// A clock, real or virtual.
#[derive(Clone)]
pub struct Clock(Kind);

impl fmt::Debug for Clock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = if self.is_virtual() { "virtual" } else { "real" };
        write!(f, "Clock({kind}, {})", self.now())
    }
}

impl Clock {
    /// A clock that follows the system.
    #[must_use]
    pub fn real() -> Self {
        Self::real_at_pace(1)
    }

    /// A clock that follows the system, so many times as fast: for demonstrations on a simulated bench,
    /// where everybody shares it. A pace of 0 counts as 1. Wall time is not hurried.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "the one place that asks the system for the time")]
    pub fn real_at_pace(pace: u32) -> Self {
        Self(Kind::Real { origin: std::time::Instant::now(), pace: pace.max(1) })
    }

    /// A clock whose time jumps when everything waits, starting at the given wall time.
    #[must_use]
    pub fn virtual_from(start: WallTime) -> Self {
        Self(Kind::Virtual(Arc::new(Timeline::new(start))))
    }

    /// Whether time is virtual.
    #[must_use]
    pub const fn is_virtual(&self) -> bool {
        matches!(self.0, Kind::Virtual(_))
    }

    /// Now.
    #[must_use]
    pub fn now(&self) -> Instant {
        match &self.0 {
            Kind::Real { origin, pace } => {
                let hurried = origin.elapsed().as_nanos() * u128::from(*pace);
                Instant(u64::try_from(hurried).unwrap_or(u64::MAX))
            }
            Kind::Virtual(line) => line.now(),
        }
    }

    /// Wall time now.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "the one place that asks the system for the time")]
    pub fn wall(&self) -> WallTime {
        match &self.0 {
            Kind::Real { .. } => {
                let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
                WallTime(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
            }
            Kind::Virtual(line) => line.wall(),
        }
    }

    /// Waits until a moment; returns at once if it has passed.
    #[expect(clippy::disallowed_methods, reason = "the one place that asks the system for the time")]
    pub async fn sleep_until(&self, until: Instant) {
        match &self.0 {
            Kind::Real { pace, .. } => {
                let left = until.since(self.now()) / *pace;
                if !left.is_zero() {
                    tokio::time::sleep(left).await;
                }
            }
            Kind::Virtual(line) => line.sleep_until(until).await,
        }
    }

    /// As [`Clock::sleep_until`], to a tenth of a millisecond where time is real: the runtime's own timer is up to
    /// two milliseconds late. It costs a hop to a thread, so it is for what imitates a device's own timing.
    pub async fn sleep_finely_until(&self, until: Instant) {
        if let Kind::Real { pace, .. } = &self.0 {
            let coarse = TIMER_LATE * *pace;
            if until.since(self.now()) > coarse {
                self.sleep_until(Instant(until.0.saturating_sub(coarse.as_nanos() as u64))).await;
            }
            let clock = self.clone();
            // It fails only where the runtime ends, and nobody waits then.
            tokio::task::spawn_blocking(move || clock.block(until.since(clock.now()))).await.ok();
        } else {
            self.sleep_until(until).await;
        }
    }

    /// Waits for a while.
    pub async fn sleep(&self, duration: Duration) {
        self.sleep_until(self.now() + duration).await;
    }

    /// Runs `work`, or gives up at `until`: then `None`.
    ///
    /// If both are ready at once the work wins.
    pub async fn deadline<T>(&self, until: Instant, work: impl Future<Output = T>) -> Option<T> {
        tokio::select! {
            biased;
            done = work => Some(done),
            () = self.sleep_until(until) => None,
        }
    }

    /// While the guard lives, virtual time stands still. On a real clock it does nothing.
    #[must_use]
    pub fn busy(&self) -> Busy {
        match &self.0 {
            Kind::Real { .. } => Busy::none(),
            Kind::Virtual(line) => Busy::on(line),
        }
    }

    /// Blocks this thread for a while. For threads that serve blocking devices only; on a virtual
    /// clock it returns at once.
    #[expect(clippy::disallowed_methods, reason = "the one place that asks the system for the time")]
    pub fn block(&self, duration: Duration) {
        if let Kind::Real { pace, .. } = &self.0 {
            std::thread::sleep(duration / *pace);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run<T>(work: impl Future<Output = T>) -> T {
        tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers").block_on(work)
    }

    #[test]
    fn virtual_sleepers_wake_in_order_of_their_time() {
        run(async {
            let clock = Clock::virtual_from(WallTime(0));
            let (sender, mut woken) = tokio::sync::mpsc::unbounded_channel();
            for seconds in [5_u64, 1, 3, 1000] {
                let (clock, sender) = (clock.clone(), sender.clone());
                tokio::spawn(async move {
                    clock.sleep(Duration::from_secs(seconds)).await;
                    sender.send((seconds, clock.now())).expect("the receiver lives");
                });
            }
            drop(sender);
            let mut order = Vec::new();
            while let Some((seconds, at)) = woken.recv().await {
                assert_eq!(at, Instant::from_nanos(seconds * 1_000_000_000));
                order.push(seconds);
            }
            assert_eq!(order, [1, 3, 5, 1000]);
            assert_eq!(clock.wall(), WallTime(1_000_000));
        });
    }

    #[test]
    fn an_answer_on_its_way_beats_a_deadline() {
        run(async {
            let clock = Clock::virtual_from(WallTime(0));
            let (sender, answer) = tokio::sync::oneshot::channel();
            tokio::spawn(async move {
                for _ in 0..SETTLE_ROUNDS / 2 {
                    tokio::task::yield_now().await;
                }
                sender.send(7).expect("the receiver lives");
            });
            let got = clock.deadline(clock.now() + Duration::from_secs(1), answer).await;
            assert_eq!(got, Some(Ok(7)));
            assert_eq!(clock.now(), Instant::default(), "no time passed while there was work");
        });
    }

    #[test]
    fn a_busy_guard_holds_time() {
        run(async {
            let clock = Clock::virtual_from(WallTime(0));
            let busy = clock.busy();
            let other = clock.clone();
            let work = tokio::task::spawn_blocking(move || {
                let before = other.now();
                for _ in 0..10_000 {
                    std::hint::spin_loop();
                }
                drop(busy);
                before
            });
            clock.sleep(Duration::from_secs(1)).await;
            assert_eq!(work.await.expect("it ran"), Instant::default());
        });
    }

    #[test]
    fn a_dropped_sleeper_is_forgotten() {
        run(async {
            let clock = Clock::virtual_from(WallTime(0));
            let long = clock.deadline(clock.now() + Duration::from_secs(1), clock.sleep(Duration::from_secs(9))).await;
            assert_eq!(long, None);
            clock.sleep(Duration::from_secs(20)).await;
            assert_eq!(clock.now().as_nanos(), 21_000_000_000);
        });
    }
}
