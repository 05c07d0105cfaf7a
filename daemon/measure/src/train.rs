//! What a train of pulses tells: its rate and jitter, its duty, and how many are missing.

use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate};
use crate::even::{Even, even};
use crate::pulses::{Missing, Pulses};
use crate::statistics::{
    deviation_interval, effective_count, median, median_efficiency_factor, moments_of_finite, share_interval,
};

impl Pulses {
    /// Intervals between neighbours, and how many periods each holds.
    fn intervals(&self, period_s: f64) -> Vec<(f64, u64)> {
        self.times_s.windows(2).map(|w| (w[1] - w[0], ((w[1] - w[0]) / period_s).round().max(1.0) as u64)).collect()
    }

    /// Period to count by: the expected one where the median interval fits it within a quarter, else the
    /// median interval.
    fn counting_period(&self, expected_hz: f64) -> Result<f64, MeasureError> {
        positive("expected pulse rate", expected_hz)?;
        at_least("pulses", self.times_s.len(), 2)?;
        let gaps: Vec<f64> = self.times_s.windows(2).map(|w| w[1] - w[0]).collect();
        let own = positive("median interval of pulses", median(&gaps)?)?;
        Ok(if (own * expected_hz - 1.0).abs() < 0.25 { own.min(1.1 / expected_hz) } else { own })
    }

    /// Number of each pulse, from 0, the missing ones counted as if there.
    fn numbers(&self, expected_hz: f64) -> Result<Vec<f64>, MeasureError> {
        let mut numbers = vec![0.0];
        for (_, periods) in self.intervals(self.counting_period(expected_hz)?) {
            numbers.push(numbers[numbers.len() - 1] + periods as f64);
        }
        Ok(numbers)
    }

    /// The even train that the pulses make, in seconds; none where samples lie on their transitions, for fewer than three,
    /// and where they do not come evenly.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below two pulses, [`MeasureError::BadParameter`].
    pub fn train(&self, expected_hz: f64) -> Result<Option<Even>, MeasureError> {
        Ok(even(&self.times_s, &self.numbers(expected_hz)?, self.within_s))
    }

    /// Rate, in hertz, the missing ones counted as if there. `timebase_u` is the relative standard
    /// uncertainty of the scope's time base.
    ///
    /// Pulses that come evenly are timed all together (`even`): the ends alone are off by up to a sample, and in
    /// every record of this length alike, since the last one's place between samples follows from the first one's.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below two pulses, [`MeasureError::BadParameter`].
    pub fn rate(&self, expected_hz: f64, timebase_u: f64) -> Result<Estimate, MeasureError> {
        let numbers = self.numbers(expected_hz)?;
        let periods = numbers[numbers.len() - 1];
        let span = positive("time from first to last pulse", self.times_s[self.times_s.len() - 1] - self.times_s[0])?;
        let (value, place, jitter) = match even(&self.times_s, &numbers, self.within_s) {
            Some(train) => {
                let value = train.period_s.recip();
                (value, value * train.period_u_s / train.period_s, train.jitter_s)
            }
            // Two ends, each by itself; between samples the one's place follows from the other's, and both may be off by as
            // much as can be.
            None => {
                let ends = if self.within_s > 0.0 { 2.0 } else { core::f64::consts::SQRT_2 };
                (periods / span, periods / span * ends * self.time_u_s / span, 0.0)
            }
        };
        Estimate::combined(
            value,
            vec![
                Contribution::type_b("place of the pulses between samples", place),
                Contribution::type_b(
                    "jitter of the first and last pulse",
                    value * jitter * core::f64::consts::SQRT_2 / span,
                ),
                Contribution::type_b("time base", value * timebase_u.abs()),
            ],
        )
    }

    /// Period jitter, in seconds: standard deviation of the intervals that hold no missing pulse, the
    /// part of noise and sampling taken off; asymmetric interval by chi-square, widened by what sampling
    /// may feign or hide. Neighbouring intervals
    /// share a pulse, so the degrees of freedom are two thirds of `n - 1`; `n` counts for fewer where intervals remember those
    /// before them, as where a servo hunts slowly.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below four such intervals, [`MeasureError::BadParameter`].
    pub fn period_jitter(&self, expected_hz: f64) -> Result<Estimate, MeasureError> {
        let whole: Vec<f64> =
            self.intervals(self.counting_period(expected_hz)?).iter().filter(|i| i.1 == 1).map(|i| i.0).collect();
        at_least("intervals between neighbouring pulses", whole.len(), 4)?;
        let m = moments_of_finite(whole.iter().copied());
        let dof = ((effective_count(&whole)? - 1.0) / 1.5).max(1.0);
        let own = 2.0 * self.time_u_s.powi(2);
        let clean = |s: f64| (s * s - own).max(0.0).sqrt();
        let (low, high) = deviation_interval(m.standard_deviation, dof, crate::COVERAGE);
        let u = m.standard_deviation / (2.0 * dof).sqrt();
        let contributions = vec![
            Contribution::type_a("number of intervals", u, dof),
            Contribution::type_b("noise and sampling, taken off", 0.25 * own.sqrt().min(m.standard_deviation)),
        ];
        // Edges between two samples show the same place or the next one, whatever their jitter is: with the
        // place at a sample's border the intervals scatter by three times `own` without any, and with the
        // place in the middle jitter of half a sample stays hidden.
        let surely = (low * low - 3.0 * own).max(0.0).sqrt();
        let hidden = 0.5 * 12.0_f64.sqrt() * self.time_u_s;
        let high = clean(high).max(hidden);
        Estimate::with_interval(
            clean(m.standard_deviation),
            surely,
            high,
            u.max(0.5 * hidden),
            Some(dof),
            contributions,
        )
    }

    /// Duty of square pulses, in per cent: median over periods with its standard error.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] without a complete period (spikes have none).
    pub fn duty(&self) -> Result<Estimate, MeasureError> {
        at_least("complete periods of square pulses", self.duties.len(), 1)?;
        let m = moments_of_finite(self.duties.iter().copied());
        let period = self.times_s.windows(2).map(|w| w[1] - w[0]).fold(f64::MAX, f64::min);
        let sampling = if period < f64::MAX { 100.0 * self.time_u_s * core::f64::consts::SQRT_2 / period } else { 0.0 };
        // Pulses that keep their place against the samples repeat the error of sampling: it does not average out.
        let mut contributions = vec![Contribution::type_b("noise and sampling", sampling)];
        if m.count > 1 {
            let u = median_efficiency_factor(m.count) * m.standard_deviation / (m.count as f64).sqrt();
            contributions.push(Contribution::type_a("scatter over periods", u, (m.count - 1) as f64));
        }
        Ok(Estimate::combined(median(&self.duties)?, contributions)?.within(0.0, 100.0))
    }

    /// Pulses that should have come in the observed time and did not, with the exact binomial
    /// interval of their share: none missing in 100 only bounds it at 3.6 %.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below two pulses, [`MeasureError::BadParameter`].
    pub fn missing(&self, expected_hz: f64) -> Result<Missing, MeasureError> {
        let period = self.counting_period(expected_hz)?;
        let periods: u64 = self.intervals(period).iter().map(|i| i.1).sum();
        let inside = periods + 1 - self.times_s.len() as u64;
        // Before the first and after the last: whole periods that fit, less a tenth for jitter and an edge's width, since
        // one at the very end is not seen. Single intervals of coarse samples have no better a median than their step.
        let (first, last) = (self.times_s[0], self.times_s[self.times_s.len() - 1]);
        let mean_s = (last - first) / periods as f64;
        let fits = |beside_s: f64| ((beside_s - 3.5 * self.time_u_s) / mean_s - 0.1).floor().max(0.0) as u64;
        let (before, after) = (fits(first - self.observed.0), fits(self.observed.1 - last));
        let (missing, expected) = (inside + before + after, periods + 1 + before + after);
        let (low, high) = share_interval(missing, expected, crate::COVERAGE)?;
        let share = missing as f64 / expected as f64;
        let u = (share * (1.0 - share) / expected as f64).sqrt().max(0.25 * (high - low));
        let share =
            Estimate::with_interval(share, low, high, u, None, vec![Contribution::type_b("count of pulses", u)])?;
        Ok(Missing { missing, expected, share, observed_s: self.observed.1 - self.observed.0 })
    }
}
