//! What the bench does for a live session: captures, and nothing that moves.

use crate::bench::shared::Shared;
use crate::run::convert;
use core::time::Duration;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::Instant;
use tapewright_formats::{Mode, TrackingPress, UnableCode};
use tapewright_host::{Abilities, Answer, Capture, Failure, Point, Prompt, Refusal, Request, Services, Subject};

/// Over how long captures a second are counted.
const COUNTED: Duration = Duration::from_secs(2);

/// When captures came, the last seconds' only.
#[derive(Clone, Default)]
pub(super) struct Pace(Arc<Mutex<VecDeque<Instant>>>);

impl Pace {
    fn came(&self, at: Instant, count: usize) {
        let mut times = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        times.extend(std::iter::repeat_n(at, count));
        while times.front().is_some_and(|first| at.since(*first) > COUNTED) {
            times.pop_front();
        }
    }

    /// Captures a second; none: too few came of late.
    pub(super) fn a_second(&self, now: Instant) -> Option<f64> {
        let times = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (first, last) = (*times.front()?, *times.back()?);
        let span_s = last.since(first).as_secs_f64();
        let fresh = now.since(last) <= COUNTED;
        (fresh && times.len() > 1 && span_s > 0.0).then(|| (times.len() - 1) as f64 / span_s)
    }

    /// How many were counted lately: to tell whether a look captured at all.
    pub(super) fn last(&self) -> Option<Instant> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).back().copied()
    }
}

/// The services of one live session.
pub(super) struct LiveServices {
    pub(super) bench: Shared,
    pub(super) subject: Subject,
    pub(super) start_s: f64,
    pub(super) pace: Pace,
}

fn still<'a, T: Send + 'a>(what: &str) -> Answer<'a, T> {
    let text = format!("{what}: in live adjustment nothing moves and nothing is asked but by a person's key");
    Box::pin(std::future::ready(Err(Refusal::Told(Failure::new(UnableCode::NotPossible, text)))))
}

impl Services for LiveServices {
    fn acquire(&mut self, request: Request) -> Answer<'_, Vec<Capture>> {
        Box::pin(async move {
            let captures = self.bench.scope.acquire(convert::request(&request)).await;
            let captures =
                captures.map_err(|error| Refusal::Told(Failure::new(error.code(), crate::report::chain(&error))))?;
            self.pace.came(self.bench.clock.now(), captures.len());
            Ok(captures.into_iter().map(|c| convert::capture(c, self.start_s)).collect())
        })
    }

    fn hookup(&mut self) -> Answer<'_, Vec<Point>> {
        let points = self.bench.points();
        Box::pin(std::future::ready(Ok(points)))
    }

    fn abilities(&mut self) -> Answer<'_, Abilities> {
        Box::pin(std::future::ready(Ok(self.bench.scope.abilities())))
    }

    fn subject(&mut self) -> Answer<'_, Subject> {
        Box::pin(std::future::ready(Ok(self.subject.clone())))
    }

    fn go(&mut self, to: Mode) -> Answer<'_, f64> {
        still(&format!("going to {to}"))
    }

    fn now(&mut self) -> Answer<'_, Mode> {
        Box::pin(std::future::ready(Ok(self.bench.transport.now())))
    }

    fn track(&mut self, press: TrackingPress) -> Answer<'_, bool> {
        still(&format!("pressing {press}"))
    }

    fn record_for(&mut self, _seconds: f64) -> Answer<'_, ()> {
        still("recording")
    }

    fn ask(&mut self, _prompt: Prompt) -> Answer<'_, String> {
        still("asking the operator")
    }

    fn progress(&mut self, _share: f64, _doing: &str) {}
}
