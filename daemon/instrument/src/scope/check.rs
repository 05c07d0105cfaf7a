//! Bench check: who answers, what its error queue says, and what is on each probe now.

use super::{Scope, ScopeError};
use crate::hookup::Hookup;
use crate::request::CaptureRequest;
use crate::scpi::{ErrorEntry, Identity};
use tapewright_formats::Signal;

/// What was seen on one point.
#[derive(Debug)]
pub struct PointCheck {
    /// Which signal should be there.
    pub signal: Signal,
    /// On which input.
    pub channel: String,
    /// Least and greatest volts at the test point, and steps of the converter between them; or why
    /// nothing was seen. An input that can only trigger gives none.
    pub seen: Result<Option<Seen>, ScopeError>,
}

/// Volts that were seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Least.
    pub low_v: f64,
    /// Greatest.
    pub high_v: f64,
    /// Steps of the converter between them.
    pub steps: f64,
}

/// What a bench check found.
#[derive(Debug)]
pub struct BenchCheck {
    /// Who answers.
    pub identity: Identity,
    /// What its error queue held.
    pub errors: Vec<ErrorEntry>,
    /// Each hooked-up point.
    pub points: Vec<PointCheck>,
}

impl BenchCheck {
    /// Whether nothing is wrong with the scope and its set-up. What the machine sends is not judged.
    #[must_use]
    pub fn is_good(&self) -> bool {
        self.points.iter().all(|point| point.seen.is_ok())
    }
}

/// How long each look takes: three frames and more.
const LOOK_S: f64 = 0.12;

impl Scope {
    /// Checks the bench: identity, error queue, and a free-running capture of each hooked-up channel.
    ///
    /// # Errors
    /// [`ScopeError`] when the scope itself does not answer; what is wrong with a point stands in it.
    pub async fn check(&mut self, hookup: &Hookup) -> Result<BenchCheck, ScopeError> {
        let identity = self.identify().await?;
        let errors = self.session.errors().await.map_err(|source| self.failed("read the error queue", source))?;
        let mut points = Vec::new();
        for point in &hookup.points {
            let only = self.dialect.input(&point.channel).is_some_and(|input| input.trigger_only);
            let seen = if only { Ok(None) } else { self.seen(hookup, point.signal).await.map(Some) };
            if let Err(error) = &seen
                && error.link_error().is_some()
            {
                return seen.map(|_| BenchCheck { identity, errors, points });
            }
            points.push(PointCheck { signal: point.signal, channel: point.channel.clone(), seen });
        }
        Ok(BenchCheck { identity, errors, points })
    }

    async fn seen(&mut self, hookup: &Hookup, signal: Signal) -> Result<Seen, ScopeError> {
        let captures = self.acquire(hookup, &CaptureRequest::free([signal], LOOK_S)).await?;
        let range = captures.first().and_then(|capture| capture.traces.first()).and_then(|trace| {
            let (low_v, high_v) = trace.volt_range()?;
            let (low, high) = trace.code_range()?;
            let a_step = f64::from(1_u32 << self.data_bits().saturating_sub(self.dialect.limits.converter_bits));
            Some(Seen { low_v, high_v, steps: (f64::from(high) - f64::from(low)) / a_step })
        });
        range.ok_or_else(|| ScopeError::misfit(signal.to_string(), "the trace is empty"))
    }
}
