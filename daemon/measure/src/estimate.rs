//! A value with its uncertainty, combined by JCGM 100:2008 and decided by the house's rule.

use crate::error::{MeasureError, finite};
use crate::special::student_quantile;
use tapewright_formats::{Decision, Interval, Limits, Outcome, decide};

/// Coverage of every interval that this crate states.
pub const COVERAGE: f64 = 0.95;

/// How an uncertainty was evaluated (JCGM 100:2008, 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Evaluation {
    /// By statistics of repeated observations.
    A,
    /// By other means.
    B,
}

/// How what a contribution stands for is distributed. It tells nothing of the standard uncertainty, and much of how
/// far the error can reach: a specification's limit is never passed, a normal error goes to twice its deviation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Spread {
    /// Normal, or Student's t where the degrees of freedom are few.
    #[default]
    Normal,
    /// Anywhere between two limits with the same probability (JCGM 100:2008, 4.3.7).
    Rectangular,
    /// At one of two limits rather than between them (JCGM 100:2008, 4.3.5 names such cases; arcsine, from memory).
    AtEnds,
}

impl Spread {
    /// Fourth moment over the square of the variance, less 3 of a normal one.
    const fn excess_kurtosis(self) -> f64 {
        match self {
            Self::Normal => 0.0,
            Self::Rectangular => -1.2,
            Self::AtEnds => -1.5,
        }
    }
}

/// One contribution to a standard uncertainty, in the unit of the value.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// What it comes from.
    pub name: &'static str,
    /// How it was evaluated.
    pub evaluation: Evaluation,
    /// Standard uncertainty.
    pub standard_uncertainty: f64,
    /// Degrees of freedom; none: a great many.
    pub degrees_of_freedom: Option<f64>,
    /// How it is distributed.
    pub spread: Spread,
}

impl Contribution {
    /// From repeated observations.
    #[must_use]
    pub const fn type_a(name: &'static str, standard_uncertainty: f64, degrees_of_freedom: f64) -> Self {
        Self {
            name,
            evaluation: Evaluation::A,
            standard_uncertainty,
            degrees_of_freedom: Some(degrees_of_freedom),
            spread: Spread::Normal,
        }
    }

    /// From other knowledge, as good as certain.
    #[must_use]
    pub const fn type_b(name: &'static str, standard_uncertainty: f64) -> Self {
        Self { name, evaluation: Evaluation::B, standard_uncertainty, degrees_of_freedom: None, spread: Spread::Normal }
    }

    /// The same, distributed otherwise.
    #[must_use]
    pub const fn spread(mut self, spread: Spread) -> Self {
        self.spread = spread;
        self
    }

    /// A quantity that lies anywhere within `half_width` of zero: `a / sqrt(3)` (JCGM 100:2008, 4.3.7).
    #[must_use]
    pub fn rectangular(name: &'static str, half_width: f64) -> Self {
        Self::type_b(name, half_width.abs() / 3.0_f64.sqrt()).spread(Spread::Rectangular)
    }
}

/// A measured value and how well it is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// The value, known biases corrected.
    pub value: f64,
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom; none: a great many.
    pub degrees_of_freedom: Option<f64>,
    /// Interval of [`COVERAGE`]; it need not lie evenly about the value.
    pub interval: Interval,
    /// What the uncertainty is made of.
    pub contributions: Vec<Contribution>,
}

impl Estimate {
    /// Combines uncorrelated contributions: root of the sum of squares, effective degrees of freedom by
    /// Welch-Satterthwaite (JCGM 100:2008, G.4.1), interval `value +- k u` with Student's t, less what limits that are
    /// never passed take off (JCGM 100:2008, G.1.3): see [`Spread`].
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`], [`MeasureError::BadParameter`] for a negative contribution.
    pub fn combined(value: f64, contributions: Vec<Contribution>) -> Result<Self, MeasureError> {
        let (u, dof) = combine(&contributions)?;
        let half = expanded(&contributions)?;
        Self::with_interval(value, value - half, value + half, u, dof, contributions)
    }

    /// From an interval found by other means. The interval is widened to hold its value.
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`].
    pub fn with_interval(
        value: f64,
        low: f64,
        high: f64,
        standard_uncertainty: f64,
        degrees_of_freedom: Option<f64>,
        contributions: Vec<Contribution>,
    ) -> Result<Self, MeasureError> {
        finite("value and interval of an estimate", &[value, low, high, standard_uncertainty])?;
        let interval = Interval { low: low.min(value), high: high.max(value), coverage: COVERAGE };
        Ok(Self { value, standard_uncertainty, degrees_of_freedom, interval, contributions })
    }

    /// The same quantity in another unit: everything times `factor`.
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Self {
        let (a, b) = (self.interval.low * factor, self.interval.high * factor);
        self.value *= factor;
        self.standard_uncertainty *= factor.abs();
        self.interval = Interval { low: a.min(b), high: a.max(b), coverage: self.interval.coverage };
        for c in &mut self.contributions {
            c.standard_uncertainty *= factor.abs();
        }
        self
    }

    /// The same quantity from another zero: value and interval, `by` added.
    #[must_use]
    pub fn shifted(mut self, by: f64) -> Self {
        self.value += by;
        self.interval.low += by;
        self.interval.high += by;
        self
    }

    /// Adds contributions that are not correlated with the others: each half of the interval grows as
    /// the root of the sum of squares of its own and of theirs, which keeps a little more than the coverage where
    /// limits that are never passed dominate.
    ///
    /// # Errors
    /// As [`Self::combined`].
    pub fn also(mut self, contribution: Contribution) -> Result<Self, MeasureError> {
        let (added, dof) = combine(core::slice::from_ref(&contribution))?;
        // Beside another normal share only the sum's distribution counts, which is nearly normal again.
        let half = coverage_factor(dof) * added;
        self.interval.low = self.value - half.hypot(self.value - self.interval.low);
        self.interval.high = self.value + half.hypot(self.interval.high - self.value);
        self.standard_uncertainty = self.standard_uncertainty.hypot(added);
        self.contributions.push(contribution);
        Ok(self)
    }

    /// The true value may lie lower besides, by anything up to `most`: the lower half of the interval grows by the root of the sum
    /// of squares, the upper one stays.
    ///
    /// # Errors
    /// As [`Self::combined`].
    pub fn or_lower(mut self, name: &'static str, most: f64) -> Result<Self, MeasureError> {
        let share = Contribution::rectangular(name, 0.5 * most);
        let (added, _) = combine(core::slice::from_ref(&share))?;
        self.interval.low = self.value - (self.value - self.interval.low).hypot(most);
        self.standard_uncertainty = self.standard_uncertainty.hypot(added);
        self.contributions.push(share);
        Ok(self)
    }

    /// As [`Self::or_lower`], upward.
    ///
    /// # Errors
    /// As [`Self::combined`].
    pub fn or_higher(mut self, name: &'static str, most: f64) -> Result<Self, MeasureError> {
        let share = Contribution::rectangular(name, 0.5 * most);
        let (added, _) = combine(core::slice::from_ref(&share))?;
        self.interval.high = self.value + (self.interval.high - self.value).hypot(most);
        self.standard_uncertainty = self.standard_uncertainty.hypot(added);
        self.contributions.push(share);
        Ok(self)
    }

    /// Cuts the interval (and the value) to what is physically possible.
    #[must_use]
    pub fn within(mut self, least: f64, greatest: f64) -> Self {
        self.value = self.value.clamp(least, greatest);
        self.interval.low = self.interval.low.clamp(least, self.value);
        self.interval.high = self.interval.high.clamp(self.value, greatest);
        self
    }

    /// The outcome against limits, by [`tapewright_formats::decide`].
    ///
    /// # Errors
    /// [`MeasureError::BadLimits`] when they cannot be decided on.
    pub fn decide(&self, limits: &Limits) -> Result<Outcome, MeasureError> {
        match decide(self.value, &self.interval, limits) {
            Decision::Decided(outcome) => Ok(outcome),
            Decision::NotANumber | Decision::LimitsCross => {
                Err(MeasureError::BadLimits { source_of_limits: limits.source.clone() })
            }
        }
    }
}

/// Student's t for [`COVERAGE`], two-sided. Degrees of freedom are not rounded down.
pub(crate) fn coverage_factor(dof: Option<f64>) -> f64 {
    dof.map_or(1.959_963_984_540_054, |dof| student_quantile(0.5 + COVERAGE / 2.0, dof.max(1.0)))
}

/// Half the interval of [`COVERAGE`] of a sum: Student's t for what is normal, corrected by the sum's kurtosis.
///
/// `k = t + 0.1 g + 0.1085 g^3` with `g <= 0` the excess kurtosis of the whole, `sum g_i u_i^4 / u^4` (a polynomial
/// through the factors of a normal, a triangular and a rectangular distribution; from memory, and within 2 % of trials:
/// see the test).
pub(crate) fn expanded(contributions: &[Contribution]) -> Result<f64, MeasureError> {
    let (u, dof) = combine(contributions)?;
    if u <= 0.0 {
        return Ok(0.0);
    }
    let g: f64 = contributions.iter().map(|c| c.spread.excess_kurtosis() * (c.standard_uncertainty / u).powi(4)).sum();
    Ok((coverage_factor(dof) + 0.1 * g + 0.1085 * g.powi(3)) * u)
}

/// Combined standard uncertainty and effective degrees of freedom.
pub(crate) fn combine(contributions: &[Contribution]) -> Result<(f64, Option<f64>), MeasureError> {
    let mut squares = 0.0;
    let mut fourths = 0.0;
    for (place, c) in contributions.iter().enumerate() {
        let u = c.standard_uncertainty;
        if !u.is_finite() {
            return Err(MeasureError::NotFinite { what: "contributions to an uncertainty", place });
        }
        if u < 0.0 {
            return Err(MeasureError::BadParameter {
                what: "contribution to an uncertainty",
                given: u,
                expected: "0 or more",
            });
        }
        squares += u * u;
        if let Some(dof) = c.degrees_of_freedom {
            fourths += u.powi(4) / dof.max(1e-9);
        }
    }
    let dof = (fourths > 0.0).then(|| (squares * squares / fourths).max(1.0)).filter(|d| d.is_finite() && *d < 1e6);
    Ok((squares.sqrt(), dof))
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_formats::Limit;

    /// JCGM 100:2008, H.1.6: end-gauge calibration, u of 32 nm with 16 degrees of freedom from these
    /// contributions (from memory of the example's table).
    #[test]
    fn welch_satterthwaite_as_in_the_end_gauge_example() {
        let e = Estimate::combined(
            0.0,
            vec![
                Contribution { degrees_of_freedom: Some(18.0), ..Contribution::type_b("standard", 25.0) },
                Contribution { degrees_of_freedom: Some(25.6), ..Contribution::type_b("comparison", 9.7) },
                Contribution { degrees_of_freedom: Some(50.0), ..Contribution::type_b("expansion", 2.9) },
                Contribution { degrees_of_freedom: Some(2.0), ..Contribution::type_b("temperature", 16.6) },
            ],
        )
        .unwrap();
        assert!((e.standard_uncertainty - 31.7).abs() < 0.1, "{e:?}");
        assert!((e.degrees_of_freedom.unwrap() - 16.7).abs() < 1.0, "{e:?}");
    }

    /// Sums of a normal error and of limits, by trial: the interval covers 95 in 100 whichever dominates.
    #[test]
    fn limits_that_are_never_passed_narrow_the_interval() {
        let mut noise = crate::extremes::Noise::new(5);
        for (normal, limit, ends) in [
            (1.0, 0.0, 0.0),
            (0.0, 1.0, 0.0),
            (0.05, 1.0, 0.0),
            (0.5, 1.0, 0.0),
            (1.0, 1.0, 0.0),
            (0.2, 1.0, 1.0),
            (0.1, 0.0, 1.0),
            (1.0, 0.3, 1.0),
        ] {
            let e = Estimate::combined(
                0.0,
                vec![
                    Contribution::type_b("normal", normal),
                    Contribution::rectangular("limits", limit),
                    Contribution::type_b("ends", ends / core::f64::consts::SQRT_2).spread(Spread::AtEnds),
                ],
            )
            .unwrap();
            let trials = 20_000;
            let covered = (0..trials)
                .filter(|_| {
                    let error = normal * noise.normal()
                        + limit * (2.0 * noise.uniform() - 1.0)
                        + ends * (core::f64::consts::TAU * noise.uniform()).cos();
                    error.abs() <= e.interval.high
                })
                .count();
            let share = covered as f64 / f64::from(trials);
            assert!((0.94..0.97).contains(&share), "{normal} {limit} {ends}: {share}");
        }
    }

    #[test]
    fn a_few_frames_take_students_t_and_decide_by_the_rule() {
        let e = Estimate::combined(0.8, vec![Contribution::type_a("frames", 0.01, 4.0)]).unwrap();
        assert!((e.interval.low - (0.8 - 0.027_764)).abs() < 1e-6);
        let limits = |good, reject| Limits {
            good: Limit { at_least: Some(good), at_most: None },
            reject: Limit { at_least: Some(reject), at_most: None },
            source: "common practice, no source".into(),
        };
        assert_eq!(e.decide(&limits(0.75, 0.63)).unwrap(), Outcome::Pass);
        assert_eq!(e.decide(&limits(0.80, 0.79)).unwrap(), Outcome::Inconclusive);
        assert!(e.decide(&limits(0.5, 0.6)).is_err());
        assert!(Estimate::combined(f64::NAN, vec![]).is_err());
        assert!(Estimate::combined(1.0, vec![Contribution::type_b("x", f64::INFINITY)]).is_err());
        let wider = e.clone().also(Contribution::type_b("more", 0.02)).unwrap();
        assert!(wider.interval.low < e.interval.low && wider.interval.high > e.interval.high);
    }
}
