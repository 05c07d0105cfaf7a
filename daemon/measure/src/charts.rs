//! Control charts: whether a quantity that is measured again and again has changed.

use crate::error::{MeasureError, at_least, finite, positive};
use crate::statistics::moments;

/// Mean of the range of two values of a normal quantity over its deviation, `2 / sqrt(pi)`.
pub const D2_OF_TWO: f64 = core::f64::consts::FRAC_2_SQRT_PI;

/// Individuals chart: limits from the mean moving range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// Mean of the values.
    pub centre: f64,
    /// Mean of the distances between neighbours.
    pub moving_range: f64,
    /// Upper limit, three deviations above.
    pub upper: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit of the moving range, `D4 = 3.267` times its mean.
    pub range_upper: f64,
}

impl Individuals {
    /// From values of a time when all was well.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below two values, [`MeasureError::NotFinite`].
    pub fn of(values: &[f64]) -> Result<Self, MeasureError> {
        at_least("values of a control chart", values.len(), 2)?;
        let centre = moments(values)?.mean;
        let ranges: f64 = values.windows(2).map(|w| (w[1] - w[0]).abs()).sum();
        let moving_range = ranges / (values.len() - 1) as f64;
        let reach = 3.0 / D2_OF_TWO * moving_range;
        // D4 = 1 + 3 d3 / d2, with d3 = 0.852502 for two values.
        let range_upper = (1.0 + 3.0 * 0.852_502_466_4 / D2_OF_TWO) * moving_range;
        Ok(Self { centre, moving_range, upper: centre + reach, lower: centre - reach, range_upper })
    }

    /// Whether a value lies beyond the limits.
    #[must_use]
    pub fn signals(&self, value: f64) -> bool {
        value > self.upper || value < self.lower
    }
}

/// Exponentially weighted moving average: sees small lasting changes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ewma {
    centre: f64,
    lambda: f64,
    reach: f64,
    average: f64,
}

impl Ewma {
    /// About a centre, for values of a deviation; `lambda` is the newest value's weight. Limits are three of the average's
    /// own deviations, `s sqrt(lambda / (2 - lambda))`.
    ///
    /// # Errors
    /// [`MeasureError::BadParameter`], [`MeasureError::NotFinite`].
    pub fn new(centre: f64, deviation: f64, lambda: f64) -> Result<Self, MeasureError> {
        finite("centre of a control chart", &[centre])?;
        positive("deviation of a control chart", deviation)?;
        if !(lambda > 0.0 && lambda <= 1.0) {
            return Err(MeasureError::BadParameter {
                what: "weight of the newest value",
                given: lambda,
                expected: "above 0, at most 1",
            });
        }
        Ok(Self { centre, lambda, reach: 3.0 * deviation * (lambda / (2.0 - lambda)).sqrt(), average: centre })
    }

    /// Lower and upper limit.
    #[must_use]
    pub fn limits(&self) -> (f64, f64) {
        (self.centre - self.reach, self.centre + self.reach)
    }

    /// Takes a value: the average, and whether it signals.
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`]; the chart stays as it was.
    pub fn add(&mut self, value: f64) -> Result<(f64, bool), MeasureError> {
        finite("value of a control chart", &[value])?;
        self.average += self.lambda * (value - self.average);
        Ok((self.average, (self.average - self.centre).abs() > self.reach))
    }
}

/// Cumulative sums on both sides: see a lasting change soonest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    target: f64,
    slack: f64,
    limit: f64,
    /// Sum of what lies above the target, and below it.
    pub sums: (f64, f64),
}

impl Cusum {
    /// About a target; a value counts for what lies beyond `slack`; a sum beyond `limit` signals.
    ///
    /// # Errors
    /// [`MeasureError::BadParameter`], [`MeasureError::NotFinite`].
    pub fn new(target: f64, slack: f64, limit: f64) -> Result<Self, MeasureError> {
        finite("target of a control chart", &[target])?;
        positive("slack of a control chart", slack)?;
        positive("limit of a control chart", limit)?;
        Ok(Self { target, slack, limit, sums: (0.0, 0.0) })
    }

    /// Takes a value: whether it signals.
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`]; the chart stays as it was.
    pub fn add(&mut self, value: f64) -> Result<bool, MeasureError> {
        finite("value of a control chart", &[value])?;
        let (high, low) = self.sums;
        self.sums =
            ((high + value - self.target - self.slack).max(0.0), (low + self.target - self.slack - value).max(0.0));
        Ok(self.sums.0 > self.limit || self.sums.1 > self.limit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(what: &str, got: f64, want: f64, within: f64) {
        assert!((got - want).abs() <= within, "{what}: {got}, expected {want}");
    }

    /// Factors of a moving range of two: E2 and D4 as a handbook prints them, d2 and d3 computed by integration.
    #[test]
    #[expect(clippy::approx_constant, reason = "d2 of two as it is printed, held against what is computed")]
    fn factors_of_a_range_of_two() {
        let chart = Individuals::of(&[0.0, 1.0]).unwrap();
        near("E2", (chart.upper - chart.centre) / chart.moving_range, 2.659, 5e-4);
        near("E2 below", (chart.centre - chart.lower) / chart.moving_range, 2.659, 5e-4);
        near("D4", chart.range_upper / chart.moving_range, 3.267, 5e-4);
        near("d2", D2_OF_TWO, 1.128_38, 5e-6);
        near("d3", (chart.range_upper / chart.moving_range - 1.0) * D2_OF_TWO / 3.0, 0.852_50, 5e-6);
    }

    /// e-Handbook of statistical methods, individuals chart of flow rates (numbers from memory), and a textbook's 25 points.
    #[test]
    fn individuals_as_published() {
        let flow = Individuals::of(&[49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]).unwrap();
        // The handbook divides by 1.128.
        near("centre", flow.centre, 50.81, 1e-9);
        near("moving range", flow.moving_range, 1.8778, 1e-4);
        near("upper", flow.upper, 55.8041, 2e-3);
        near("lower", flow.lower, 45.8159, 2e-3);
        let book = [
            110.0, 103.0, 97.0, 96.0, 105.0, 110.0, 100.0, 93.0, 90.0, 103.0, 97.0, 103.0, 90.0, 97.0, 99.0, 106.0,
            90.0, 96.0, 109.0, 90.0, 91.0, 108.0, 96.0, 101.0, 96.0,
        ];
        let chart = Individuals::of(&book).unwrap();
        near("centre", chart.centre, 99.04, 1e-9);
        near("moving range", chart.moving_range, 196.0 / 24.0, 1e-9);
        near("upper", chart.upper, 120.763, 0.02);
        near("lower", chart.lower, 77.317, 0.02);
        near("range's upper", chart.range_upper, 26.68, 0.01);
        assert!(book.iter().all(|v| !chart.signals(*v)) && chart.signals(121.0) && chart.signals(77.0));
    }

    /// e-Handbook 6.3.2.4 (data from memory; centre, weight and formula read).
    #[test]
    fn ewma_as_published() {
        let data = [
            52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
            53.6, 52.1,
        ];
        let averages = [
            50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
            49.92, 50.73, 51.23, 51.94, 51.99,
        ];
        let mut chart = Ewma::new(50.0, 2.0539, 0.3).unwrap();
        near("upper", chart.limits().1, 52.5884, 1e-4);
        near("lower", chart.limits().0, 47.4116, 1e-4);
        for (value, want) in data.into_iter().zip(averages) {
            let (average, signals) = chart.add(value).unwrap();
            near("average", average, want, 5.01e-3);
            assert!(!signals);
        }
        assert!(chart.add(f64::NAN).is_err() && Ewma::new(0.0, 1.0, 0.0).is_err());
    }

    /// e-Handbook 6.3.2.3 (numbers from memory, computed again): the first signal comes at the 14th point.
    #[test]
    fn cusum_as_published() {
        let data = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
            328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
        ];
        let mut chart = Cusum::new(325.0, 0.3175, 4.1959).unwrap();
        let (mut first, mut lowest) = (None, 0.0_f64);
        for (place, value) in data.into_iter().enumerate() {
            let signals = chart.add(value).unwrap();
            lowest = lowest.max(chart.sums.1);
            if place == 12 {
                near("13th", chart.sums.0, 3.0075, 1e-4);
            }
            if signals && first.is_none() {
                first = Some(place + 1);
                near("14th", chart.sums.0, 4.94, 5e-3);
            }
        }
        assert_eq!(first, Some(14));
        near("last", chart.sums.0, 19.035, 1e-3);
        near("greatest below", lowest, 0.715, 1e-3);
    }
}
