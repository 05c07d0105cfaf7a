//! What a procedure reports, checked at the very call.

use crate::bindings::tapewright::procedure::report as wire;
use crate::verdict::{Contribution, Evaluation, Figure, Found, Measurement, NotMeasured, Series};
use tapewright_formats::{Decision, Interval, Limit, Limits, Outcome, decide};

/// Least coverage of an interval that is judged: a narrower one would pass what is not known well enough.
pub const LEAST_COVERAGE: f64 = 0.95;

/// What was reported so far.
#[derive(Debug, Default)]
pub(crate) struct Reported {
    pub(crate) measurements: Vec<Measurement>,
    pub(crate) figures: Vec<Figure>,
    pub(crate) findings: Vec<Found>,
    pub(crate) unables: Vec<NotMeasured>,
    pub(crate) advice: Vec<String>,
    pub(crate) notes: Vec<String>,
}

/// Why a report is refused: the run ends as a procedure's fault.
type Refused = String;

fn finite(what: &str, numbers: &[f64]) -> Result<(), Refused> {
    match numbers.iter().find(|number| !number.is_finite()) {
        Some(number) => Err(format!("{what}: {number} is not a finite number")),
        None => Ok(()),
    }
}

fn freedom(what: &str, degrees: Option<f64>) -> Result<(), Refused> {
    match degrees {
        Some(n) if !n.is_finite() || n <= 0.0 => Err(format!("{what}: {n} degrees of freedom make no sense")),
        _ => Ok(()),
    }
}

impl Reported {
    pub(crate) fn measured(&mut self, told: wire::Measurement) -> Result<u32, Refused> {
        let what = format!("measurement `{}`", told.name);
        let unit = told.unit.parse().map_err(|e| format!("{what}: {e}"))?;
        finite(&what, &[told.value, told.low, told.high, told.coverage])?;
        freedom(&what, told.degrees_of_freedom)?;
        if told.name.is_empty() {
            return Err("a measurement has no name".into());
        }
        if !(told.low <= told.value && told.value <= told.high) {
            return Err(format!(
                "{what}: the interval from {} to {} does not hold the value {}",
                told.low, told.high, told.value
            ));
        }
        if told.coverage <= 0.0 || told.coverage >= 1.0 {
            return Err(format!("{what}: a coverage of {} is no probability between 0 and 1", told.coverage));
        }
        let interval = Interval { low: told.low, high: told.high, coverage: told.coverage };
        let limits = told.limits.map(limits);
        let outcome = match &limits {
            Some(limits) => Some(judge(&what, told.value, &interval, limits)?),
            None => None,
        };
        let number = u32::try_from(self.measurements.len()).map_err(|_| format!("{what}: one measurement too many"))?;
        self.measurements.push(Measurement {
            name: told.name,
            unit,
            value: told.value,
            interval,
            degrees_of_freedom: told.degrees_of_freedom,
            limits,
            outcome,
            contributions: Vec::new(),
        });
        Ok(number)
    }

    pub(crate) fn contributes(&mut self, to: u32, told: wire::Contribution) -> Result<(), Refused> {
        let count = self.measurements.len();
        let measurement = self
            .measurements
            .get_mut(to as usize)
            .ok_or_else(|| format!("contribution `{}` is to measurement {to}, of {count}", told.name))?;
        let what = format!("contribution `{}` to `{}`", told.name, measurement.name);
        finite(&what, &[told.standard_uncertainty])?;
        freedom(&what, told.degrees_of_freedom)?;
        if told.standard_uncertainty < 0.0 {
            return Err(format!("{what}: {} is less than nothing", told.standard_uncertainty));
        }
        measurement.contributions.push(Contribution {
            name: told.name,
            evaluation: match told.evaluation {
                wire::Evaluation::A => Evaluation::A,
                wire::Evaluation::B => Evaluation::B,
            },
            standard_uncertainty: told.standard_uncertainty,
            degrees_of_freedom: told.degrees_of_freedom,
        });
        Ok(())
    }

    pub(crate) fn draw(&mut self, told: wire::Figure) -> Result<(), Refused> {
        let what = format!("figure `{}`", told.name);
        finite(&what, &[told.x_low, told.x_high])?;
        for series in &told.series {
            let what = format!("{what}, series `{}`", series.name);
            finite(&what, &series.values)?;
            finite(&what, &series.standard_errors)?;
            if !series.standard_errors.is_empty() && series.standard_errors.len() != series.values.len() {
                return Err(format!(
                    "{what}: {} standard errors for {} values",
                    series.standard_errors.len(),
                    series.values.len()
                ));
            }
        }
        self.figures.push(Figure {
            unit: told.unit.parse().map_err(|e| format!("{what}: {e}"))?,
            name: told.name,
            x_label: told.x_label,
            x_low: told.x_low,
            x_high: told.x_high,
            series: told
                .series
                .into_iter()
                .map(|s| Series { name: s.name, values: s.values, standard_errors: s.standard_errors })
                .collect(),
        });
        Ok(())
    }

    pub(crate) fn found(&mut self, finding: &str, seen: String) -> Result<(), Refused> {
        self.findings.push(Found { finding: finding.parse().map_err(|e| format!("{e}"))?, seen });
        Ok(())
    }

    pub(crate) fn unable(&mut self, what: String, code: &str, why: String) -> Result<(), Refused> {
        let code = code.parse().map_err(|e| format!("unable to measure `{what}`: {e}"))?;
        self.unables.push(NotMeasured { what, code, why });
        Ok(())
    }

    /// What the parts make: the worst of all that was judged and all that could not be measured. None:
    /// there is neither.
    pub(crate) fn worst(&self) -> Option<Outcome> {
        let judged = self.measurements.iter().filter_map(|measurement| measurement.outcome);
        judged.chain(self.unables.iter().map(|_| Outcome::Unable)).reduce(Outcome::worse)
    }

    /// Holds the declared outcome against the parts.
    pub(crate) fn agrees(&self, declared: Outcome) -> Result<(), Refused> {
        match self.worst() {
            Some(worst) if worst == declared => Ok(()),
            Some(worst) => Err(format!("it declared `{declared}`, and its own measurements make `{worst}`")),
            None => Err(format!("it declared `{declared}`, judged nothing, and did not say why")),
        }
    }
}

fn limits(told: wire::Limits) -> Limits {
    let limit = |l: wire::Limit| Limit { at_least: l.at_least, at_most: l.at_most };
    Limits { good: limit(told.good), reject: limit(told.reject), source: told.source }
}

fn judge(what: &str, value: f64, interval: &Interval, limits: &Limits) -> Result<Outcome, Refused> {
    if limits.source.trim().is_empty() {
        return Err(format!("{what}: its limits do not say where they come from"));
    }
    if limits.good == Limit::default() {
        return Err(format!("{what}: its good limit has no end, so that everything would pass"));
    }
    if interval.coverage < LEAST_COVERAGE {
        return Err(format!(
            "{what}: an interval of coverage {} is judged, at least {LEAST_COVERAGE} is needed",
            interval.coverage
        ));
    }
    match decide(value, interval, limits) {
        Decision::Decided(outcome) => Ok(outcome),
        Decision::NotANumber => Err(format!("{what}: a limit is not a finite number")),
        Decision::LimitsCross => Err(format!("{what}: its range of reject does not hold its range of good")),
    }
}
