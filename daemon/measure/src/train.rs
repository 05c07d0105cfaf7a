//! What a train of pulses tells: its rate and jitter, its duty, and how many are missing.

use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate};
use crate::even::{Even, even};
use crate::pulses::{Missing, Pulses};
use crate::statistics::{
    deviation_interval, effective_count, median, median_efficiency_factor, moments_of_finite, share_interval,
};

/// Period of pulses of which some are missing, from the times between them. A missing one only makes a time longer, so the
/// lower quartile is a single period until three of four times hold several; the period is the median of those about it.
pub(crate) fn single_period(gaps: &[f64]) -> Option<f64> {
    let mut sorted = gaps.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    median_about(&sorted, *sorted.get(sorted.len().saturating_sub(1) / 4)?)
}

/// Median of those sorted values that are no double and no half of one of them.
fn median_about(sorted: &[f64], about: f64) -> Option<f64> {
    let from = sorted.partition_point(|gap| *gap < 0.5 * about);
    let to = sorted.partition_point(|gap| *gap <= 1.5 * about);
    median(sorted.get(from..to)?).ok()
}

/// Period to count by, from the times between pulses that follow each other in one record: the expected one where these
/// times fit it within a quarter, else their own, whatever is missing. Where only the median of all fits, a few pulses too
/// many came between the others.
///
/// # Errors
/// [`MeasureError::TooShort`] without a time, [`MeasureError::BadParameter`].
pub fn counting_period(gaps: &[f64], expected_hz: f64) -> Result<f64, MeasureError> {
    positive("expected pulse rate", expected_hz)?;
    let middle = median(gaps)?;
    let own = positive("interval of pulses", single_period(gaps).unwrap_or(middle))?;
    let fits = |period_s: f64| (period_s * expected_hz - 1.0).abs() < 0.25;
    Ok([own, middle].into_iter().find(|period_s| fits(*period_s)).map_or(own, |fit| fit.min(1.1 / expected_hz)))
}

/// Share of pulses that did not come (unit 1), with the exact binomial interval.
///
/// # Errors
/// [`MeasureError::BadParameter`] where none was expected.
pub fn missing_share(missing: u64, expected: u64) -> Result<Estimate, MeasureError> {
    let (low, high) = share_interval(missing, expected, crate::COVERAGE)?;
    let share = missing as f64 / expected as f64;
    let u = (share * (1.0 - share) / expected as f64).sqrt().max(0.25 * (high - low));
    Estimate::with_interval(share, low, high, u, None, vec![Contribution::type_b("count of pulses", u)])
}

/// Variance of a second difference over that of its three places: 1, 4 and 1.
const BEND_OF_PLACES: f64 = 6.0;
/// So many second differences that share places tell as much of a variance as one that stands alone: 1 + 2 ((4/6)^2 + (1/6)^2).
const BENDS_ALIKE: f64 = 1.94;
/// Of fewer the deviation may be anything.
const FEWEST_BENDS: usize = 2;

impl Pulses {
    /// Intervals between neighbours, and how many periods each holds.
    fn intervals(&self, period_s: f64) -> Vec<(f64, u64)> {
        self.times_s.windows(2).map(|w| (w[1] - w[0], ((w[1] - w[0]) / period_s).round().max(1.0) as u64)).collect()
    }

    fn counting_period(&self, expected_hz: f64) -> Result<f64, MeasureError> {
        positive("expected pulse rate", expected_hz)?;
        at_least("pulses", self.times_s.len(), 2)?;
        counting_period(&self.gaps(), expected_hz)
    }

    /// Times from pulse to pulse.
    #[must_use]
    pub fn gaps(&self) -> Vec<f64> {
        self.times_s.windows(2).map(|w| w[1] - w[0]).collect()
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
        let of_ends = |jitter_s: f64| periods / span * jitter_s * core::f64::consts::SQRT_2 / span;
        let name = "jitter of the first and last pulse";
        let (value, place, jitter) = match even(&self.times_s, &numbers, self.within_s) {
            Some(train) => {
                let value = train.period_s.recip();
                let jitter = Contribution::type_b(name, of_ends(train.jitter_s));
                (value, value * train.period_u_s / train.period_s, jitter)
            }
            // Two ends, each by itself; between samples the one's place follows from the other's, and both may be off by as
            // much as can be.
            None => {
                let ends = if self.within_s > 0.0 { 2.0 } else { core::f64::consts::SQRT_2 };
                let jitter =
                    self.jitter_of_places(&numbers).map_or(Contribution::type_b(name, 0.0), |(jitter_s, dof)| {
                        Contribution::type_a(name, of_ends(jitter_s), dof)
                    });
                (periods / span, periods / span * ends * self.time_u_s / span, jitter)
            }
        };
        Estimate::combined(
            value,
            vec![
                Contribution::type_b("place of the pulses between samples", place),
                jitter,
                Contribution::type_b("time base", value * timebase_u.abs()),
            ],
        )
    }

    /// How far each pulse lies beside its place by itself, in seconds (standard deviation, the part of noise and sampling taken
    /// off), and the degrees of freedom of that: from the second differences of the times of pulses that follow each other,
    /// which a speed that changes slowly does not enter. None where there are too few of these to tell.
    fn jitter_of_places(&self, numbers: &[f64]) -> Option<(f64, f64)> {
        let bends = self.times_s.windows(3).zip(numbers.windows(3)).filter(|(_, n)| n[2] - n[0] < 2.5);
        let squares: Vec<f64> = bends.map(|(t, _)| (t[2] - 2.0 * t[1] + t[0]).powi(2) / BEND_OF_PLACES).collect();
        if squares.len() < FEWEST_BENDS {
            return None;
        }
        let mean = squares.iter().sum::<f64>() / squares.len() as f64;
        Some(((mean - self.time_u_s.powi(2)).max(0.0).sqrt(), squares.len() as f64 / BENDS_ALIKE))
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
        self.jitter_about(self.counting_period(expected_hz)?)
    }

    /// The same where the period to count by is known, as of pulses in several captures.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below four intervals without a missing pulse.
    pub fn jitter_about(&self, period_s: f64) -> Result<Estimate, MeasureError> {
        let whole: Vec<f64> = self.intervals(period_s).iter().filter(|i| i.1 == 1).map(|i| i.0).collect();
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

    /// The same pulses, without the duties of periods that hold a missing one: a record that holds no single period does not
    /// show by itself that its periods are double.
    #[must_use]
    pub fn of_period(&self, period_s: f64) -> Self {
        let mut kept = self.clone();
        (kept.duties, kept.highs_s) = (self.duties.iter().copied().zip(self.highs_s.iter().copied()))
            .filter(|(duty, (rise_s, fall_s))| 100.0 * (fall_s - rise_s) < 1.5 * period_s * duty)
            .unzip();
        kept
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
        let share = missing_share(missing, expected)?;
        Ok(Missing { missing, expected, share, observed_s: self.observed.1 - self.observed.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Trace;
    use crate::pulses::pulses_in;
    use tapewright_formats::SignalForm;

    const PERIOD_S: f64 = 1001.0 / 30_000.0;

    /// Numbers of the pulses that came, of which such a share is missing, each by itself.
    fn left(count: u32, share: f64) -> Vec<u32> {
        let mut drawn = crate::extremes::Noise::new(7);
        (0..count).filter(|_| drawn.uniform() >= share).collect()
    }

    /// Squares of three fifths, sampled at 1 ms, at these numbers of such a period.
    fn squares(numbers: &[u32], period_s: f64) -> Pulses {
        let rises_s: Vec<f64> = numbers.iter().map(|n| (f64::from(*n) + 0.3) * period_s).collect();
        let end_s = rises_s[rises_s.len() - 1] + 0.9 * period_s;
        let high = |t: f64| rises_s.iter().any(|rise_s| t >= *rise_s && t < rise_s + 0.6 * period_s);
        let volts = (0..(end_s * 1e3) as usize).map(|i| if high(i as f64 * 1e-3) { 5.0 } else { 0.0 }).collect();
        pulses_in(&Trace::from_volts(0.0, 1e-3, volts).unwrap(), SignalForm::Square).unwrap()
    }

    #[test]
    fn missing_pulses_do_not_move_the_period() {
        // A tape at its speed, faster and slower ones: of these the format expects another rate.
        for times in [1.0, 0.5, 0.8, 1.9, 2.0] {
            for share in [0.0, 0.2, 0.4, 0.6] {
                let numbers = left(200, share);
                let p = squares(&numbers, times * PERIOD_S);
                let what = format!("{times} times the period, {share} missing");
                let rate = p.rate(1.0 / PERIOD_S, 0.0).unwrap().value * times * PERIOD_S;
                // The median of a fast tape that lacks more than half fits the format, and nothing tells it from another.
                if times == 0.5 && share > 0.5 {
                    continue;
                }
                assert!((rate - 1.0).abs() < 1e-3, "{what}: {rate}");
                let missing = p.missing(1.0 / PERIOD_S).unwrap();
                let lacks = u64::from(numbers[numbers.len() - 1] - numbers[0]) + 1 - numbers.len() as u64;
                assert!(missing.missing >= lacks && missing.missing <= lacks + u64::from(numbers[0]), "{what}");
                let jitter = p.period_jitter(1.0 / PERIOD_S).unwrap();
                assert!(jitter.value < 1e-3, "{what}: {jitter:?}");
                assert!(p.duties.iter().all(|duty| (duty - 60.0).abs() < 8.0), "{what}: {:?}", p.duties);
            }
        }
    }

    #[test]
    fn the_rate_of_jittering_pulses_covers() {
        let mut drawn = crate::extremes::Noise::new(11);
        // Each pulse lies beside its place by itself, or the tape's speed swings slowly as well; a few are missing, or many.
        for (jitter_s, swing_s, share) in [(0.5e-3, 0.0, 0.0), (0.5e-3, 0.0, 0.3), (0.3e-3, 1e-3, 0.1)] {
            let mut within = 0;
            for record in 0..400 {
                let kept = (0..40_u32).filter(|n| [0, 39].contains(n) || drawn.uniform() >= share);
                let numbers: Vec<f64> = kept.map(f64::from).collect();
                let swing = |n: f64| swing_s * (n * 0.2 + f64::from(record)).sin();
                let times_s: Vec<f64> =
                    numbers.iter().map(|n| n * PERIOD_S + swing(*n) + jitter_s * drawn.normal()).collect();
                let mean_hz = 39.0 / (39.0 * PERIOD_S + swing(39.0) - swing(0.0));
                let level = Estimate::combined(1.0, Vec::new()).unwrap();
                let (duties, highs_s) = (Vec::new(), Vec::new());
                let p = Pulses {
                    observed: (times_s[0] - 0.01, times_s[times_s.len() - 1] + 0.01),
                    times_s,
                    time_u_s: 1e-5,
                    within_s: 0.0,
                    level,
                    duties,
                    highs_s,
                };
                let rate = p.rate(1.0 / PERIOD_S, 0.0).unwrap();
                within += i32::from((rate.interval.low..=rate.interval.high).contains(&mean_hz));
            }
            // 95 % of 400, and three deviations of the count to either side.
            let what = format!("jitter of {jitter_s} s, swing of {swing_s} s, {share} missing");
            assert!((367..=393).contains(&within), "{what}: {within} of 400");
        }
    }

    #[test]
    fn a_few_pulses_too_many_do_not_move_the_period() {
        // Every fifth period holds another pulse, here and there in it: more than a quarter of the times are short.
        let mut times_s: Vec<f64> = (0..100).map(|n| f64::from(n) * PERIOD_S).collect();
        times_s.extend((0..20).map(|n| (f64::from(5 * n) + 0.2 + 0.03 * f64::from(n)) * PERIOD_S));
        times_s.sort_by(f64::total_cmp);
        let gaps: Vec<f64> = times_s.windows(2).map(|w| w[1] - w[0]).collect();
        let period_s = counting_period(&gaps, 1.0 / PERIOD_S).unwrap();
        assert!((period_s / PERIOD_S - 1.0).abs() < 1e-6, "{period_s}");
        assert!(counting_period(&[], 30.0).is_err() && counting_period(&gaps, 0.0).is_err());
    }
}
