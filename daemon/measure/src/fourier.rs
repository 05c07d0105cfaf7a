//! Fourier transforms of real values, by an outside crate (`rustfft`).
//!
//! The crate's one algorithm for powers of two is called without its planner, which would bring every algorithm into
//! each component. Two neighbouring real values are one complex value of a transform of half the length; the
//! even and odd parts of its outcome are taken apart afterwards.

use rustfft::algorithm::Radix4;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftDirection};

/// The turn `exp(-pi i k / half)` for each `k` from 0 to `half / 2`.
fn turns(half: usize) -> impl Iterator<Item = Complex<f64>> {
    (0..=half / 2).map(move |k| Complex::cis(-core::f64::consts::PI * k as f64 / half as f64))
}

/// `X_k = sum x_n exp(-2 pi i k n / N)` for `k` from 0 to `N / 2`, for a power of two of values, at least four.
pub(crate) fn transform(values: &[f64]) -> Vec<Complex<f64>> {
    let half = values.len() / 2;
    debug_assert!(values.len().is_power_of_two() && half >= 2, "a transform of {} values", values.len());
    let mut places: Vec<_> = values.as_chunks().0.iter().map(|[even, odd]| Complex::new(*even, *odd)).collect();
    Radix4::new(half, FftDirection::Forward).process(&mut places);
    places.push(places[0]);
    for (k, turn) in turns(half).enumerate() {
        let (a, b) = (places[k], places[half - k].conj());
        let (even, odd) = (0.5 * (a + b), (a - b) * Complex::new(0.0, -0.5) * turn);
        (places[k], places[half - k]) = (even + odd, (even - odd).conj());
    }
    places
}

/// The values whose transform this is; the places are used up.
fn back(mut places: Vec<Complex<f64>>) -> Vec<f64> {
    let half = places.len() - 1;
    for (k, turn) in turns(half).enumerate() {
        let (a, b) = (places[k], places[half - k].conj());
        let (even, odd) = (a + b, (a - b) * Complex::new(0.0, 1.0) * turn.conj());
        (places[k], places[half - k]) = (even + odd, (even - odd).conj());
    }
    places.truncate(half);
    Radix4::new(half, FftDirection::Inverse).process(&mut places);
    let scale = 0.5 / half as f64;
    places.iter().flat_map(|place| [scale * place.re, scale * place.im]).collect()
}

/// Times a gain at each place from 0 to `N / 2`: a filter without shift of phase, its ends joined to a ring.
pub(crate) fn filter(values: &[f64], gain: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut places = transform(values);
    for (k, place) in places.iter_mut().enumerate() {
        *place *= gain(k);
    }
    back(places)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_transform_is_the_sum_that_it_says_and_comes_back() {
        for count in [4_usize, 8, 64, 2048] {
            let values: Vec<f64> = (0..count).map(|i| (i * i % 17) as f64 - 0.3 * (i % 5) as f64).collect();
            let found = transform(&values);
            assert_eq!(found.len(), count / 2 + 1);
            for k in [0, 1, count / 4, count / 2 - 1, count / 2] {
                let sum = values.iter().enumerate().fold((0.0, 0.0), |sum: (f64, f64), (n, v)| {
                    let (s, c) = (-core::f64::consts::TAU * (k * n % count) as f64 / count as f64).sin_cos();
                    (sum.0 + v * c, sum.1 + v * s)
                });
                let off = (sum.0 - found[k].re).hypot(sum.1 - found[k].im);
                assert!(off < 1e-11 * count as f64, "{k} of {count}: {off}");
            }
            let same = filter(&values, |_| 1.0);
            assert!(same.iter().zip(&values).all(|(a, b)| (a - b).abs() < 1e-11), "{count}");
        }
        // Half of the third place's line is left where its gain is a half.
        let line = |n: usize| (core::f64::consts::TAU * 3.0 * n as f64 / 64.0).cos();
        let left = filter(&(0..64).map(line).collect::<Vec<_>>(), |k| if k == 3 { 0.5 } else { 0.0 });
        assert!(left.iter().enumerate().all(|(n, v)| (v - 0.5 * line(n)).abs() < 1e-12));
    }
}
