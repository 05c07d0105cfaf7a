//! Building a verdict: measurements, findings, figures, and the worst of it all.

use crate::bindings::tapewright::procedure::report as host;
use crate::unable::Unable;
use tapewright_formats::{Decision, Finding, Interval, Limits, Outcome, UnableCode, Unit, decide};
use tapewright_measure::{Contribution, Estimate, Evaluation};

/// One measured quantity, ready to be reported.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// E.g. `head-a.flatness`.
    pub name: String,
    /// Unit of value, interval, limits and contributions.
    pub unit: Unit,
    /// The value.
    pub value: f64,
    /// The coverage interval about it.
    pub interval: Interval,
    /// None: a great many.
    pub degrees_of_freedom: Option<f64>,
    /// What makes up the uncertainty.
    pub contributions: Vec<Contribution>,
    /// What it is held against; none: for information only.
    pub limits: Option<Limits>,
}

impl Measured {
    /// An estimate under its name, in the unit that it was computed in; for information, until it is
    /// [`Self::judged`].
    #[must_use]
    pub fn new(name: impl Into<String>, unit: Unit, estimate: &Estimate) -> Self {
        Self {
            name: name.into(),
            unit,
            value: estimate.value,
            interval: estimate.interval,
            degrees_of_freedom: estimate.degrees_of_freedom,
            contributions: estimate.contributions.clone(),
            limits: None,
        }
    }

    /// Holds it against limits.
    #[must_use]
    pub fn judged(self, limits: Limits) -> Self {
        Self { limits: Some(limits), ..self }
    }

    /// What the decision rule makes of it; none: it is not judged, or cannot be.
    #[must_use]
    pub fn outcome(&self) -> Option<Outcome> {
        match decide(self.value, &self.interval, self.limits.as_ref()?) {
            Decision::Decided(outcome) => Some(outcome),
            Decision::NotANumber | Decision::LimitsCross => None,
        }
    }
}

/// One line of a figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// What it shows.
    pub name: String,
    /// Values at equal steps of x.
    pub values: Vec<f64>,
    /// Standard error of each value; empty: not stated.
    pub standard_errors: Vec<f64>,
}

/// A curve to draw: values at equal steps from `x_low` to `x_high`.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it shows.
    pub name: String,
    /// What runs along x, with its unit.
    pub x_label: String,
    /// x of the first value.
    pub x_low: f64,
    /// x of the last value.
    pub x_high: f64,
    /// Unit of the values.
    pub unit: Unit,
    /// The lines.
    pub series: Vec<Series>,
}

/// Collects a verdict, and keeps its worst outcome.
#[derive(Debug)]
pub struct Report {
    worst: Option<Outcome>,
}

impl Report {
    pub(crate) const fn new() -> Self {
        Self { worst: None }
    }

    /// Reports a measurement: its outcome, if it is judged.
    ///
    /// # Panics
    /// If a number is not finite, the interval does not hold the value, or the limits cross. The host
    /// would refuse it: better to end here, where the name is known.
    pub fn measured(&mut self, what: Measured) -> Option<Outcome> {
        let outcome = what.outcome();
        assert!(
            what.limits.is_none() || outcome.is_some(),
            "{} = {} {}, interval {:?}, cannot be held against {:?}",
            what.name,
            what.value,
            what.unit,
            what.interval,
            what.limits
        );
        let number = host::measured(&host::Measurement {
            name: what.name,
            unit: what.unit.as_str().into(),
            value: what.value,
            low: what.interval.low,
            high: what.interval.high,
            coverage: what.interval.coverage,
            degrees_of_freedom: what.degrees_of_freedom,
            limits: what.limits.map(limits),
        });
        for share in what.contributions {
            host::contributes(
                number,
                &host::Contribution {
                    name: share.name.into(),
                    evaluation: match share.evaluation {
                        Evaluation::A => host::Evaluation::A,
                        Evaluation::B => host::Evaluation::B,
                    },
                    standard_uncertainty: share.standard_uncertainty,
                    degrees_of_freedom: share.degrees_of_freedom,
                },
            );
        }
        if let Some(outcome) = outcome {
            self.count(outcome);
        }
        outcome
    }

    /// Reports that something could not be measured; the procedure goes on.
    pub fn unable(&mut self, unable: Unable) {
        let Unable { what, code, why } = unable;
        host::unable(&what, code.as_str(), &why);
        self.count(Outcome::Unable);
    }

    /// Reports a finding, and what it was seen on.
    pub fn found(&mut self, finding: Finding, seen: &str) {
        host::found(finding.as_str(), seen);
    }

    /// Draws a figure.
    pub fn draw(&mut self, figure: Figure) {
        host::draw(&host::Figure {
            name: figure.name,
            x_label: figure.x_label,
            x_low: figure.x_low,
            x_high: figure.x_high,
            unit: figure.unit.as_str().into(),
            series: figure
                .series
                .into_iter()
                .map(|s| host::Series { name: s.name, values: s.values, standard_errors: s.standard_errors })
                .collect(),
        });
    }

    /// Says what to do next.
    pub fn advise(&mut self, text: &str) {
        host::advise(text);
    }

    /// Remarks something.
    pub fn note(&mut self, text: &str) {
        host::note(text);
    }

    /// Says how far the procedure is, 0 to 1, and what it does.
    pub fn progress(&mut self, share: f64, doing: &str) {
        host::progress(share, doing);
    }

    /// The worst so far; none: nothing was judged yet.
    #[must_use]
    pub const fn worst(&self) -> Option<Outcome> {
        self.worst
    }

    fn count(&mut self, outcome: Outcome) {
        self.worst = Some(self.worst.map_or(outcome, |worst| worst.worse(outcome)));
    }

    /// The outcome of the whole. A procedure that judged nothing says so: it is no pass.
    pub(crate) fn close(mut self) -> Outcome {
        if self.worst.is_none() {
            self.unable(Unable::new(UnableCode::TooShort, "nothing was judged").on("verdict"));
        }
        self.worst.unwrap_or(Outcome::Unable)
    }
}

fn limits(of: Limits) -> host::Limits {
    let limit = |l: tapewright_formats::Limit| host::Limit { at_least: l.at_least, at_most: l.at_most };
    host::Limits { good: limit(of.good), reject: limit(of.reject), source: of.source }
}
