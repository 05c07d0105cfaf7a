//! Deciding against limits: the one rule by which an interval becomes an outcome.
//!
//! After JCGM 106:2012 the interval, not the value, is held against the limits. There are two
//! limits: `good`, within which nothing needs doing, and `reject`, beyond which the machine fails.

use crate::words::Outcome;
use serde::{Deserialize, Serialize};

/// A coverage interval about a measured value, in the unit of the measurement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Coverage probability, e.g. 0.95.
    pub coverage: f64,
}

/// One limit as a closed range; a missing end is open.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// Least value inside.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub at_least: Option<f64>,
    /// Greatest value inside.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub at_most: Option<f64>,
}

impl Limit {
    /// Whether a value lies inside.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.at_least.is_none_or(|low| value >= low) && self.at_most.is_none_or(|high| value <= high)
    }
}

/// The two limits of a measurement, and where they come from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Inside: nothing needs doing.
    pub good: Limit,
    /// Outside: the machine fails. The range of `reject` holds the range of `good`.
    pub reject: Limit,
    /// A standard and clause, `common practice, no source`, or `this shop`.
    pub source: String,
}

/// Why limits or an interval cannot be decided on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// An outcome other than `unable`.
    Decided(Outcome),
    /// A number is not finite, the interval is inverted, or it does not hold its value.
    NotANumber,
    /// The range of `reject` does not hold the range of `good`.
    LimitsCross,
}

/// Decides. With `value` inside `interval`, all of them finite:
///
/// * `pass`: the whole interval lies inside `good`;
/// * `fail`: the whole interval lies outside `reject`, on one side of it;
/// * `inconclusive`: an end of `reject` lies inside the interval;
/// * `marginal`: the interval lies inside `reject` but not inside `good`.
///
/// ```
/// use tapewright_formats::{Decision, Interval, Limit, Limits, Outcome, decide};
/// let limits = Limits {
///     good: Limit { at_least: Some(0.75), at_most: None },
///     reject: Limit { at_least: Some(0.63), at_most: None },
///     source: "common practice, no source".into(),
/// };
/// let at = |low, high| decide((low + high) / 2.0, &Interval { low, high, coverage: 0.95 }, &limits);
/// assert_eq!(at(0.80, 0.84), Decision::Decided(Outcome::Pass));
/// assert_eq!(at(0.70, 0.74), Decision::Decided(Outcome::Marginal));
/// assert_eq!(at(0.60, 0.66), Decision::Decided(Outcome::Inconclusive));
/// assert_eq!(at(0.40, 0.44), Decision::Decided(Outcome::Fail));
/// ```
#[must_use]
pub fn decide(value: f64, interval: &Interval, limits: &Limits) -> Decision {
    let Interval { low, high, coverage } = *interval;
    let ends = [limits.good.at_least, limits.good.at_most, limits.reject.at_least, limits.reject.at_most];
    let finite =
        [value, low, high, coverage].iter().all(|x| x.is_finite()) && ends.iter().flatten().all(|x| x.is_finite());
    if !finite || low > value || value > high || coverage <= 0.0 || coverage >= 1.0 {
        return Decision::NotANumber;
    }
    let crosses = |good: Option<f64>, reject: Option<f64>, sign: f64| match (good, reject) {
        (Some(g), Some(r)) => sign * g < sign * r,
        (None, Some(_)) => true,
        _ => false,
    };
    if crosses(limits.good.at_least, limits.reject.at_least, 1.0)
        || crosses(limits.good.at_most, limits.reject.at_most, -1.0)
    {
        return Decision::LimitsCross;
    }
    let inside = |limit: &Limit| limit.contains(low) && limit.contains(high);
    let beyond = limits.reject.at_least.is_some_and(|l| high < l) || limits.reject.at_most.is_some_and(|h| low > h);
    Decision::Decided(if inside(&limits.good) {
        Outcome::Pass
    } else if beyond {
        Outcome::Fail
    } else if inside(&limits.reject) {
        Outcome::Marginal
    } else {
        Outcome::Inconclusive
    })
}
