//! Asking for captures, and reading them. (Permission `captures`.)

use crate::bench::unknown;
use crate::bindings::tapewright::procedure::captures as host;
use crate::unable::{Result, Unable};
use tapewright_formats::{Signal, UnableCode};
use tapewright_measure::{Converter, PairTrace, Trace};

pub use host::{Slope, TraceInfo};

/// A request for captures, built step by step; [`Acquire::take`] sends it.
///
/// ```no_run
/// # use tapewright_sdk::{Acquire, Slope};
/// # use tapewright_formats::Signal;
/// # fn f() -> tapewright_sdk::Result<()> {
/// let captures = Acquire::of(&[Signal::Rf, Signal::HeadSwitch])
///     .span_s(0.04)
///     .edge(Signal::HeadSwitch, Slope::Rising)
///     .peak()
///     .count(8)
///     .take()?;
/// # Ok(()) }
/// ```
#[derive(Debug, Clone)]
pub struct Acquire(host::Request);

/// How long a request waits for each trigger unless it says otherwise: hundreds of frames.
pub const DEADLINE_S: f64 = 10.0;

impl Acquire {
    /// Samples of these signals, one record in free run.
    #[must_use]
    pub fn of(signals: &[Signal]) -> Self {
        Self(host::Request {
            signals: signals.iter().map(|signal| signal.as_str().to_owned()).collect(),
            span_s: 0.0,
            before_s: 0.0,
            least_points: 0,
            least_rate_hz: 0.0,
            trigger: host::Trigger::Free,
            detection: host::Detection::Sample,
            count: 1,
            deadline_s: DEADLINE_S,
        })
    }

    /// Length of the record.
    #[must_use]
    pub const fn span_s(mut self, seconds: f64) -> Self {
        self.0.span_s = seconds;
        self
    }

    /// How much of the span lies before the trigger.
    #[must_use]
    pub const fn before_s(mut self, seconds: f64) -> Self {
        self.0.before_s = seconds;
        self
    }

    /// Least number of points a trace.
    #[must_use]
    pub const fn least_points(mut self, points: u32) -> Self {
        self.0.least_points = points;
        self
    }

    /// Least sample rate.
    #[must_use]
    pub const fn least_rate_hz(mut self, rate: f64) -> Self {
        self.0.least_rate_hz = rate;
        self
    }

    /// Pairs of least and greatest instead of samples.
    #[must_use]
    pub const fn peak(mut self) -> Self {
        self.0.detection = host::Detection::Peak;
        self
    }

    /// Starts at an edge, at the middle of what the hookup expects.
    #[must_use]
    pub fn edge(mut self, signal: Signal, slope: Slope) -> Self {
        self.0.trigger = host::Trigger::Edge(host::Edge { signal: signal.as_str().into(), slope, level: None });
        self
    }

    /// Starts at an edge through a level, in volts at the test point.
    #[must_use]
    pub fn edge_at(mut self, signal: Signal, slope: Slope, level_v: f64) -> Self {
        self.0.trigger =
            host::Trigger::Edge(host::Edge { signal: signal.as_str().into(), slope, level: Some(level_v) });
        self
    }

    /// Starts at a field of the composite video: 1, 2, or 0 for either.
    #[must_use]
    pub fn field(mut self, field: u32) -> Self {
        self.0.trigger = host::Trigger::Field(field);
        self
    }

    /// Starts at a line of the composite video.
    #[must_use]
    pub fn line(mut self, line: u32) -> Self {
        self.0.trigger = host::Trigger::Line(line);
        self
    }

    /// So many acquisitions, one after the other.
    #[must_use]
    pub const fn count(mut self, count: u32) -> Self {
        self.0.count = count;
        self
    }

    /// How long to wait for each trigger.
    #[must_use]
    pub const fn deadline_s(mut self, seconds: f64) -> Self {
        self.0.deadline_s = seconds;
        self
    }

    /// Takes the captures.
    ///
    /// # Errors
    /// What the daemon says: `no-trigger`, `not-possible`, `clipped`, `bad-data`, ...
    pub fn take(&self) -> Result<Vec<Capture>> {
        let taken = host::acquire(&self.0)?;
        Ok(taken.into_iter().map(|handle| Capture { info: handle.info(), handle }).collect())
    }

    /// Takes so many captures at uneven distances. A scope takes those of one request evenly spaced, and what keeps step with them,
    /// a wobble or a tone, would show one place of its turn only, and no scatter: requests grow by one capture each, so that where
    /// these lie at another distance nothing keeps step with both.
    ///
    /// # Errors
    /// See [`Self::take`].
    pub fn take_unevenly(self, count: u32) -> Result<Vec<Capture>> {
        let mut captures = Vec::new();
        for many in 1.. {
            let left = count.saturating_sub(captures.len() as u32);
            let taken = if left == 0 { Vec::new() } else { self.clone().count(many.min(left)).take()? };
            if taken.is_empty() {
                break;
            }
            captures.extend(taken);
        }
        Ok(captures)
    }

    /// Takes one capture.
    ///
    /// # Errors
    /// See [`Self::take`].
    pub fn take_one(self) -> Result<Capture> {
        let mut taken = self.count(1).take()?;
        taken.pop().ok_or_else(|| Unable::new(UnableCode::BadData, "the daemon sent no capture"))
    }
}

/// One acquisition. Its samples stay with the host until a trace is read.
#[derive(Debug)]
pub struct Capture {
    /// When the trigger came, how surely, and what traces there are.
    pub info: host::CaptureInfo,
    handle: host::Capture,
}

impl Capture {
    /// Reads one signal's trace.
    ///
    /// # Errors
    /// `not-hooked-up` if the capture holds no trace of that signal.
    pub fn trace(&self, signal: Signal) -> Result<Codes> {
        let place = self.info.traces.iter().position(|trace| trace.signal == signal.as_str()).ok_or_else(|| {
            let there = self.info.traces.iter().map(|trace| trace.signal.as_str()).collect::<Vec<_>>().join(", ");
            Unable::new(UnableCode::NotHookedUp, format!("the capture has no trace of {signal}, only of {there}"))
        })?;
        let info = self.info.traces[place].clone();
        let codes = self.handle.codes(place as u32, 0, info.codes);
        let signal = info.signal.parse().map_err(|e| unknown(&e))?;
        Ok(Codes { signal, info, codes })
    }
}

/// One trace: the converter's codes and how to read them.
#[derive(Debug, Clone)]
pub struct Codes {
    /// What it shows.
    pub signal: Signal,
    /// How the codes are read: volts at the test point = `offset_v + code * gain_v`.
    pub info: TraceInfo,
    /// The codes; of pairs: least, greatest, least, greatest...
    pub codes: Vec<i16>,
}

impl Codes {
    /// How codes become volts, for `measure`.
    #[must_use]
    pub const fn converter(&self) -> Converter {
        Converter {
            gain_v: self.info.gain_v,
            offset_v: self.info.offset_v,
            code_low: self.info.code_low,
            code_high: self.info.code_high,
            gain_uncertainty: self.info.gain_uncertainty,
            offset_uncertainty_v: self.info.offset_uncertainty_v,
        }
    }

    /// The samples in volts.
    ///
    /// # Errors
    /// `bad-data` if the capture holds pairs ([`Acquire::peak`]), or numbers that are none.
    pub fn samples(&self) -> Result<Trace> {
        if self.info.pairs {
            return Err(Unable::new(
                UnableCode::BadData,
                format!("the capture of {} holds pairs, samples are needed", self.signal),
            ));
        }
        Ok(Trace::from_codes(self.info.t0_s, self.info.dt_s, &self.codes, &self.converter())?)
    }

    /// The pairs of least and greatest in volts.
    ///
    /// # Errors
    /// `bad-data` if the capture holds samples, or numbers that are none.
    pub fn pairs(&self) -> Result<PairTrace> {
        if !self.info.pairs {
            return Err(Unable::new(
                UnableCode::BadData,
                format!("the capture of {} holds samples, pairs are needed", self.signal),
            ));
        }
        Ok(PairTrace::from_codes(self.info.t0_s, self.info.dt_s, &self.codes, &self.converter())?)
    }
}
