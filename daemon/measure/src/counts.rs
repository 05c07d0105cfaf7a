//! Intervals of counts and shares: exact ones, and Wilson's.

use crate::error::{MeasureError, positive};
use crate::special::{chi_square_quantile, normal_quantile};

/// Exact interval of the mean of a Poisson count (Garwood): `chi2(tail, 2 x) / 2` to `chi2(1 - tail, 2 x + 2) / 2`. It need
/// not lie evenly about the count; of no events it begins at 0.
///
/// # Errors
/// [`MeasureError::BadParameter`] for a coverage outside 0 to 1.
pub fn count_interval(events: u64, coverage: f64) -> Result<(f64, f64), MeasureError> {
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(MeasureError::BadParameter { what: "coverage", given: coverage, expected: "between 0 and 1" });
    }
    let (x, tail) = (events as f64, (1.0 - coverage) / 2.0);
    let low = if events == 0 { 0.0 } else { 0.5 * chi_square_quantile(tail, 2.0 * x) };
    Ok((low, 0.5 * chi_square_quantile(1.0 - tail, 2.0 * x + 2.0)))
}

/// Interval of a rate: events a second of observed time, where between `sure` and `possible` of them were seen. Where both
/// are the same it is exact.
///
/// # Errors
/// [`MeasureError::BadParameter`] for no observed time, or more sure events than possible ones.
pub fn rate_interval(sure: u64, possible: u64, observed_s: f64, coverage: f64) -> Result<(f64, f64), MeasureError> {
    positive("observed time", observed_s)?;
    if sure > possible {
        return Err(MeasureError::BadParameter {
            what: "sure events",
            given: sure as f64,
            expected: "at most the possible ones",
        });
    }
    Ok((count_interval(sure, coverage)?.0 / observed_s, count_interval(possible, coverage)?.1 / observed_s))
}

/// Wilson's interval of a share (e-Handbook of statistical methods, 7.2.4.1).
///
/// # Errors
/// [`MeasureError::BadParameter`] for no tries, more hits than tries, or a coverage outside 0 to 1.
pub fn wilson_interval(hits: u64, tries: u64, coverage: f64) -> Result<(f64, f64), MeasureError> {
    if tries == 0 || hits > tries {
        let expected = "at most the tries, which are at least 1";
        return Err(MeasureError::BadParameter { what: "count of hits", given: hits as f64, expected });
    }
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(MeasureError::BadParameter { what: "coverage", given: coverage, expected: "between 0 and 1" });
    }
    let (n, z) = (tries as f64, normal_quantile(0.5 + coverage / 2.0));
    let p = hits as f64 / n;
    let middle = p + z * z / (2.0 * n);
    let half = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let scale = 1.0 + z * z / n;
    Ok((((middle - half) / scale).max(0.0), ((middle + half) / scale).min(1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::share_interval;

    /// e-Handbook 7.2.4.1 gives the formula, 7.2.4.2 the case 4 of 20; the limits are computed from it.
    #[test]
    fn wilsons_published_cases() {
        for (hits, tries, coverage, low, high) in [
            (4, 20, 0.90, 0.093_118, 0.378_377),
            (4, 20, 0.95, 0.080_658, 0.416_017),
            (0, 10, 0.95, 0.0, 0.277_533),
            (1, 10, 0.95, 0.017_876, 0.404_150),
            (5, 10, 0.95, 0.236_593, 0.763_407),
            (10, 10, 0.95, 0.722_467, 1.0),
            (2, 50, 0.95, 0.011_039, 0.134_601),
        ] {
            let got = wilson_interval(hits, tries, coverage).unwrap();
            assert!((got.0 - low).abs() < 1e-6 && (got.1 - high).abs() < 1e-6, "{hits}/{tries}: {got:?}");
        }
    }

    /// A stored dictionary entry swaps the two ends of the exact interval; ours hold the share between them, and each end
    /// has its tail: `P(X >= x | low) = P(X <= x | high) = 2.5 %`.
    #[test]
    fn the_ends_are_not_swapped() {
        let below = |x: u64, n: u64, p: f64| -> f64 {
            let term = |k: u64| {
                let choose = (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64);
                choose * p.powi(k as i32) * (1.0 - p).powi((n - k) as i32)
            };
            (0..=x).map(term).sum()
        };
        for (x, n) in [(1, 10), (4, 20), (5, 10), (2, 50), (19, 20)] {
            let (low, high) = share_interval(x, n, 0.95).unwrap();
            assert!(low < x as f64 / n as f64 && (x as f64 / n as f64) < high);
            assert!((1.0 - below(x - 1, n, low) - 0.025).abs() < 1e-9, "{x}/{n}");
            assert!((below(x, n, high) - 0.025).abs() < 1e-9, "{x}/{n}");
        }
    }

    /// Exact limits of a Poisson mean by their definition: the tail beyond the count is 2.5 %.
    #[test]
    fn counts_have_their_exact_limits() {
        let below = |x: u64, mean: f64| -> f64 {
            let mut term = (-mean).exp();
            let mut sum = term;
            for k in 1..=x {
                term *= mean / k as f64;
                sum += term;
            }
            sum
        };
        for x in [0, 1, 2, 5, 20, 100] {
            let (low, high) = count_interval(x, 0.95).unwrap();
            assert!((below(x, high) - 0.025).abs() < 1e-8, "{x}");
            assert!(x == 0 || (1.0 - below(x - 1, low) - 0.025).abs() < 1e-8, "{x}");
            assert!(low <= x as f64 && (x as f64) < high);
        }
        // None in n: 3.689 / n two-sided.
        assert!((count_interval(0, 0.95).unwrap().1 - 3.688_879).abs() < 1e-6);
        let (low, high) = rate_interval(3, 5, 10.0, 0.95).unwrap();
        assert!((low - 0.061_867).abs() < 1e-5 && (high - 1.166_833).abs() < 1e-5, "{low} {high}");
        assert!(rate_interval(5, 3, 10.0, 0.95).is_err() && rate_interval(1, 1, 0.0, 0.95).is_err());
    }
}
