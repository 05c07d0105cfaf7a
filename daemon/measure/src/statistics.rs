//! Descriptive statistics, with what they do and do not assume.

use crate::error::{MeasureError, at_least, finite};
use crate::special::{beta_quantile, chi_square_quantile};

/// Mean, standard deviation and count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// How many values.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Sample standard deviation, divisor `n - 1`; 0 for one value.
    pub standard_deviation: f64,
}

/// Mean and standard deviation by Welford's recurrence, which does not lose digits to a large mean.
///
/// # Errors
/// [`MeasureError::TooShort`] for no value, [`MeasureError::NotFinite`].
pub fn moments(values: &[f64]) -> Result<Moments, MeasureError> {
    at_least("values of a mean", values.len(), 1)?;
    finite("values of a mean", values)?;
    Ok(moments_of_finite(values.iter().copied()))
}

/// [`moments`] of values known to be finite.
pub(crate) fn moments_of_finite(values: impl Iterator<Item = f64>) -> Moments {
    let (mut count, mut mean, mut squares) = (0_usize, 0.0, 0.0);
    for v in values {
        count += 1;
        let away = v - mean;
        mean += away / count as f64;
        squares += away * (v - mean);
    }
    let standard_deviation = if count > 1 { (squares.max(0.0) / (count - 1) as f64).sqrt() } else { 0.0 };
    Moments { count, mean, standard_deviation }
}

/// Median; the mean of the two middle values of an even count.
///
/// # Errors
/// [`MeasureError::TooShort`] for no value, [`MeasureError::NotFinite`].
pub fn median(values: &[f64]) -> Result<f64, MeasureError> {
    at_least("values of a median", values.len(), 1)?;
    finite("values of a median", values)?;
    let mut sorted = values.to_vec();
    Ok(median_in_place(&mut sorted))
}

/// Median of finite values, which it sorts. 0 for none.
pub(crate) fn median_in_place(values: &mut [f64]) -> f64 {
    // Finite by contract, so the total order is the order of numbers.
    values.sort_unstable_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[n / 2],
        n => 0.5 * (values[n / 2 - 1] + values[n / 2]),
    }
}

/// Standard error of a median over that of a mean, for normal scatter: exact for few values (tables of
/// order statistics, from memory; checked by trial in the tests), `sqrt(pi / 2)` for many.
#[must_use]
pub fn median_efficiency_factor(count: usize) -> f64 {
    const FEW: [f64; 11] = [1.0, 1.0, 1.0, 1.160, 1.092, 1.197, 1.135, 1.214, 1.160, 1.223, 1.176];
    match FEW.get(count) {
        Some(factor) => *factor,
        // Odd counts approach the limit from nearer than even ones.
        None => 1.253_314_137 * (1.0 - if count % 2 == 1 { 0.215 } else { 0.62 } / count as f64),
    }
}

/// What rounding to steps leaves in a mean of values that scatter normally, as a standard deviation over all places in a step: the
/// sawtooth of rounding smeared by `s` steps, whose Fourier series has the amplitudes `exp(-2 (pi k s)^2) / (pi k)`. None
/// for no step.
#[must_use]
pub fn left_of_rounding(step: f64, standard_deviation: f64) -> f64 {
    if step <= 0.0 {
        return 0.0;
    }
    let s = standard_deviation / step;
    let square =
        |k: f64| ((-2.0 * (core::f64::consts::PI * k * s).powi(2)).exp() / (core::f64::consts::PI * k)).powi(2);
    let terms = 12;
    step * (0.5 * (1..=terms).map(f64::from).map(square).sum::<f64>()).sqrt()
}

/// First autocorrelation: `r1 = sum (y_i - m)(y_(i+1) - m) / sum (y_i - m)^2`. 0 where nothing varies.
///
/// # Errors
/// [`MeasureError::TooShort`] below two values, [`MeasureError::NotFinite`].
pub fn first_autocorrelation(values: &[f64]) -> Result<f64, MeasureError> {
    at_least("values of an autocorrelation", values.len(), 2)?;
    let mean = moments(values)?.mean;
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    let products: f64 = values.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum();
    Ok(if squares > 0.0 { products / squares } else { 0.0 })
}

/// How many independent values so many correlated ones are worth: `n (1 - r) / (1 + r)` for values of
/// which each remembers the one before (first-order). A negative `r` is taken as 0, and never fewer
/// than 2 result. A short series underestimates `r`; `(1 + 4 r) / n` is added back (Kendall, from memory).
///
/// # Errors
/// As [`first_autocorrelation`].
pub fn effective_count(values: &[f64]) -> Result<f64, MeasureError> {
    let n = values.len() as f64;
    let raw = first_autocorrelation(values)?;
    // Noise alone scatters r1 by 1/sqrt(n): below two of these nothing is shown.
    if raw < 2.0 / n.sqrt() {
        return Ok(n);
    }
    let r = (raw + (1.0 + 4.0 * raw) / n).clamp(0.0, 0.95);
    Ok((n * (1.0 - r) / (1.0 + r)).max(2.0).min(n))
}

/// Exact (Clopper-Pearson) interval of a share, of `hits` in `tries`.
///
/// # Errors
/// [`MeasureError::BadParameter`] for no tries, more hits than tries, or a coverage outside 0 to 1.
pub fn share_interval(hits: u64, tries: u64, coverage: f64) -> Result<(f64, f64), MeasureError> {
    if tries == 0 || hits > tries {
        return Err(MeasureError::BadParameter {
            what: "count of hits",
            given: hits as f64,
            expected: "at most the tries, which are at least 1",
        });
    }
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(MeasureError::BadParameter { what: "coverage", given: coverage, expected: "between 0 and 1" });
    }
    let (x, n, tail) = (hits as f64, tries as f64, (1.0 - coverage) / 2.0);
    let low = if hits == 0 { 0.0 } else { beta_quantile(tail, x, n - x + 1.0) };
    let high = if hits == tries { 1.0 } else { beta_quantile(1.0 - tail, x + 1.0, n - x) };
    Ok((low, high))
}

/// Greatest share that so many tries without a hit leave open, one-sided: `1 - (1 - confidence)^(1/n)`;
/// about `3 / n` at 95 %.
#[must_use]
pub fn bound_without_hits(tries: u64, confidence: f64) -> f64 {
    if tries == 0 {
        return 1.0;
    }
    -((1.0 - confidence).ln() / tries as f64).exp_m1()
}

/// Interval of a standard deviation from a sample one, by chi-square; for normal scatter.
#[must_use]
pub fn deviation_interval(standard_deviation: f64, dof: f64, coverage: f64) -> (f64, f64) {
    let tail = (1.0 - coverage) / 2.0;
    let end = |p: f64| standard_deviation * (dof / chi_square_quantile(p, dof)).sqrt();
    (end(1.0 - tail), end(tail))
}

#[cfg(test)]
mod tests {
    use super::*;

    const MICHELSON: [u16; 100] = [
        850, 740, 900, 1070, 930, 850, 950, 980, 980, 880, 1000, 980, 930, 650, 760, 810, 1000, 1000, 960, 960, 960,
        940, 960, 940, 880, 800, 850, 880, 900, 840, 830, 790, 810, 880, 880, 830, 800, 790, 760, 800, 880, 880, 880,
        860, 720, 720, 620, 860, 970, 950, 880, 910, 850, 870, 840, 840, 850, 840, 840, 840, 890, 810, 810, 820, 800,
        770, 760, 740, 750, 760, 910, 920, 890, 860, 880, 720, 840, 850, 850, 780, 890, 840, 780, 810, 760, 810, 790,
        810, 820, 850, 870, 870, 810, 740, 810, 940, 950, 800, 810, 870,
    ];

    fn pairs_about(centre: f64) -> Vec<f64> {
        core::iter::once(centre).chain((0..500).flat_map(|_| [centre - 0.1, centre + 0.1])).collect()
    }

    /// NIST StRD, univariate: certified mean, standard deviation, first autocorrelation. Tolerances as
    /// far as the decimal input can be represented.
    #[test]
    fn certified_values_of_nist_strd() {
        let michelson: Vec<f64> = MICHELSON.iter().map(|v| 299.0 + f64::from(*v) / 1000.0).collect();
        type Certified = (&'static str, Vec<f64>, f64, f64, f64, f64);
        let cases: [Certified; 5] = [
            ("Michelson", michelson, 299.852_4, 0.079_010_547_819_051_8, 0.535_199_668_621_283, 1e-10),
            ("NumAcc1", vec![10_000_001.0, 10_000_003.0, 10_000_002.0], 10_000_002.0, 1.0, -0.5, 1e-14),
            ("NumAcc2", pairs_about(1.2), 1.2, 0.1, -0.999, 1e-12),
            ("NumAcc3", pairs_about(1_000_000.2), 1_000_000.2, 0.1, -0.999, 1e-9),
            ("NumAcc4", pairs_about(10_000_000.2), 10_000_000.2, 0.1, -0.999, 1e-8),
        ];
        for (name, data, mean, deviation, r1, within) in cases {
            let m = moments(&data).unwrap();
            let r = first_autocorrelation(&data).unwrap();
            for (what, got, want) in
                [("mean", m.mean, mean), ("deviation", m.standard_deviation, deviation), ("r1", r, r1)]
            {
                assert!(((got - want) / want).abs() <= within, "{name} {what}: {got}, certified {want}");
            }
        }
        // The one-pass formula fails this data: the test can fail.
        let data = pairs_about(10_000_000.2);
        let (n, s, q) = data.iter().fold((0.0, 0.0, 0.0), |(n, s, q), v| (n + 1.0, s + v, q + v * v));
        let naive = ((q - s * s / n) / (n - 1.0)).max(0.0).sqrt();
        assert!((naive - 0.1_f64).abs() > 1e-3, "the naive formula gives {naive}");
    }

    /// NIST/SEMATECH e-Handbook 7.2.4.1 (the 4/20 case); others computed from the exact definition.
    #[test]
    fn exact_intervals_of_shares() {
        for (hits, tries, coverage, low, high) in [
            (4, 20, 0.90, 0.071_354, 0.401_028),
            (4, 20, 0.95, 0.057_334, 0.436_614),
            (0, 10, 0.95, 0.0, 0.308_497),
            (1, 10, 0.95, 0.002_529, 0.445_016),
            (5, 10, 0.95, 0.187_086, 0.812_914),
            (10, 10, 0.95, 0.691_503, 1.0),
            (2, 50, 0.95, 0.004_881, 0.137_138),
        ] {
            let got = share_interval(hits, tries, coverage).unwrap();
            assert!((got.0 - low).abs() < 1e-6 && (got.1 - high).abs() < 1e-6, "{hits}/{tries}: {got:?}");
            let share = hits as f64 / tries as f64;
            assert!(got.0 <= share && share <= got.1);
        }
        assert!(share_interval(3, 2, 0.95).is_err() && share_interval(0, 0, 0.95).is_err());
    }

    /// Tries without a hit, their rule of three (Hanley and Lippman-Hand 1983, from memory), the exact one-sided bound, the
    /// upper end of the exact two-sided interval; both computed, to their last digit.
    const WITHOUT_HITS: [(u64, f64, f64, f64); 7] = [
        (10, 0.3, 0.258_866, 0.308_497),
        (20, 0.15, 0.139_108, 0.168_433),
        (30, 0.1, 0.095_034, 0.115_703),
        (50, 0.06, 0.058_155, 0.071_122),
        (100, 0.03, 0.029_513, 0.036_217),
        (300, 0.01, 0.009_936, 0.012_221),
        (1000, 0.003, 0.002_991, 0.003_682),
    ];

    #[test]
    fn tries_without_a_hit_bound_the_share() {
        for (tries, rule, one_sided, two_sided) in WITHOUT_HITS {
            let (bound, interval) = (bound_without_hits(tries, 0.95), share_interval(0, tries, 0.95).unwrap());
            assert!((bound - one_sided).abs() <= 5e-7, "{tries}: {bound}");
            assert!(interval.0 == 0.0 && (interval.1 - two_sided).abs() <= 5e-7, "{tries}: {interval:?}");
            // They are not the same thing: the rule lies between them.
            assert!(bound < rule && rule < interval.1, "{tries}: {bound}, {interval:?}");
        }
        // How many show 90, 95 and 99 % with 95 % confidence (computed).
        for (share, tries) in [(0.90, 29), (0.95, 59), (0.99, 299)] {
            assert!(bound_without_hits(tries, 0.95) <= 1.0 - share, "{tries}");
            assert!(bound_without_hits(tries - 1, 0.95) > 1.0 - share, "{tries} less one");
        }
        assert_eq!(bound_without_hits(0, 0.95), 1.0);
    }

    /// Means of rounded normal values, by the sum over all codes, at places all over a step.
    #[test]
    fn rounding_leaves_a_sine() {
        for s in [0.02, 0.1, 0.2, 0.3, 0.4, 0.5] {
            let upper = |x: f64| crate::special::normal_cdf(x / s);
            let error = |mean: f64| {
                let codes = (-6..=6).map(f64::from);
                codes.map(|c| c * (upper(c + 0.5 - mean) - upper(c - 0.5 - mean))).sum::<f64>() - mean
            };
            let places = 200;
            let square: f64 = (0..places).map(|i| error((f64::from(i) + 0.5) / f64::from(places)).powi(2)).sum();
            let (got, want) = (left_of_rounding(1.0, s), (square / f64::from(places)).sqrt());
            assert!((got / want - 1.0).abs() < 0.03, "{s}: {got}, {want}");
        }
        assert_eq!(left_of_rounding(0.0, 1.0), 0.0);
    }

    #[test]
    fn medians_and_refusals() {
        assert_eq!(median(&[3.0, 1.0, 2.0]).unwrap(), 2.0);
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]).unwrap(), 2.5);
        assert!(median(&[]).is_err());
        assert_eq!(median(&[1.0, f64::NAN]), Err(MeasureError::NotFinite { what: "values of a median", place: 1 }));
        // The e-Handbook's chi-square interval for 9 degrees: s of 1 lies in 0.688 to 1.826.
        let (low, high) = deviation_interval(1.0, 9.0, 0.95);
        assert!((low - 0.687_84).abs() < 1e-4 && (high - 1.825_62).abs() < 1e-4, "{low} {high}");
    }
}
