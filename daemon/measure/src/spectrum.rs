//! Discrete Fourier transform, amplitude spectra, and the lines that stand out in one.

use crate::error::{MeasureError, at_least, positive};
use crate::statistics::median_in_place;

/// A complex number: real and imaginary part.
pub(crate) type Complex = (f64, f64);

/// The transform in place, for a power of two of values: `X_k = sum x_n exp(-2 pi i k n / N)`; `inverse` turns the sign
/// and divides by `N`. Radix two, decimation in time.
pub(crate) fn transform(values: &mut [Complex], inverse: bool) {
    let n = values.len();
    debug_assert!(n.is_power_of_two(), "a transform of {n} values");
    if n < 2 {
        return;
    }
    let shift = usize::BITS - n.trailing_zeros();
    for i in 0..n {
        let j = i.reverse_bits() >> shift;
        if i < j {
            values.swap(i, j);
        }
    }
    let sign = if inverse { 1.0 } else { -1.0 };
    // Turns by table: a running product would lose digits over long transforms.
    let turns: Vec<Complex> = (0..n / 2)
        .map(|k| {
            let (s, c) = (sign * core::f64::consts::TAU * k as f64 / n as f64).sin_cos();
            (c, s)
        })
        .collect();
    let mut half = 1;
    while half < n {
        let stride = n / (2 * half);
        for block in values.chunks_exact_mut(2 * half) {
            let (low, high) = block.split_at_mut(half);
            for (k, (a, b)) in low.iter_mut().zip(high).enumerate() {
                let (c, s) = turns[k * stride];
                let t = (b.0 * c - b.1 * s, b.0 * s + b.1 * c);
                *b = (a.0 - t.0, a.1 - t.1);
                *a = (a.0 + t.0, a.1 + t.1);
            }
        }
        half *= 2;
    }
    if inverse {
        let scale = 1.0 / n as f64;
        for v in values {
            *v = (v.0 * scale, v.1 * scale);
        }
    }
}

/// One line of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Frequency, between the places of the transform by a parabola through the logarithms.
    pub hz: f64,
    /// Amplitude (the peak of the sine), in the unit of the values.
    pub amplitude: f64,
}

/// Amplitudes at equal steps of frequency from 0: Hann's window, its gain taken out, at least twice as many places as values.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    /// From place to place.
    pub step_hz: f64,
    /// Amplitudes of sines.
    pub amplitude: Vec<f64>,
    /// Two sines nearer than this are one line.
    pub resolution_hz: f64,
}

impl Spectrum {
    /// Of values at equal steps of time, their mean taken off.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below 16 values, [`MeasureError::BadParameter`], [`MeasureError::NotFinite`].
    pub fn of(values: &[f64], dt_s: f64) -> Result<Self, MeasureError> {
        at_least("values of a spectrum", values.len(), 16)?;
        positive("time from value to value", dt_s)?;
        let mean = crate::statistics::moments(values)?.mean;
        let n = values.len();
        let size = (2 * n).next_power_of_two();
        let mut work = vec![(0.0, 0.0); size];
        let mut sum = 0.0;
        for (i, (out, v)) in work.iter_mut().zip(values).enumerate() {
            let window = 0.5 - 0.5 * (core::f64::consts::TAU * (i as f64 + 0.5) / n as f64).cos();
            sum += window;
            out.0 = (v - mean) * window;
        }
        transform(&mut work, false);
        let amplitude = work[..size / 2].iter().map(|(re, im)| 2.0 * re.hypot(*im) / sum).collect();
        Ok(Self { step_hz: 1.0 / (size as f64 * dt_s), amplitude, resolution_hz: 2.0 / (n as f64 * dt_s) })
    }

    fn place(&self, hz: f64) -> usize {
        ((hz / self.step_hz).round().max(0.0) as usize).min(self.amplitude.len())
    }

    /// Median amplitude between two frequencies: what the noise shows, whatever lines stand in it.
    #[must_use]
    pub fn floor(&self, from_hz: f64, to_hz: f64) -> f64 {
        let (a, b) = (self.place(from_hz), self.place(to_hz));
        median_in_place(&mut self.amplitude[a.min(b)..b].to_vec())
    }

    /// The largest lines between two frequencies, largest first, no two within the resolution.
    #[must_use]
    pub fn peaks(&self, from_hz: f64, to_hz: f64, count: usize) -> Vec<Peak> {
        let (a, b) = (self.place(from_hz).max(1), self.place(to_hz).min(self.amplitude.len().saturating_sub(1)));
        let s = &self.amplitude;
        let mut tops: Vec<usize> = (a..b).filter(|&i| s[i] > 0.0 && s[i] >= s[i - 1] && s[i] > s[i + 1]).collect();
        tops.sort_by(|x, y| s[*y].total_cmp(&s[*x]));
        let mut found: Vec<Peak> = Vec::new();
        for i in tops {
            if found.len() == count {
                break;
            }
            let (l, m, r) = (s[i - 1].max(1e-300).ln(), s[i].ln(), s[i + 1].max(1e-300).ln());
            let bend = l - 2.0 * m + r;
            let aside = if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 };
            let hz = (i as f64 + aside) * self.step_hz;
            if found.iter().all(|peak| (peak.hz - hz).abs() > self.resolution_hz) {
                found.push(Peak { hz, amplitude: (m - 0.25 * (l - r) * aside).exp() });
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_transform_is_the_sum_that_it_says_and_comes_back() {
        let values: Vec<Complex> = (0..64).map(|i| (f64::from(i * i % 17), f64::from(i % 5))).collect();
        let mut work = values.clone();
        transform(&mut work, false);
        for k in [0_usize, 1, 13, 32, 63] {
            let sum = values.iter().enumerate().fold((0.0, 0.0), |sum: Complex, (n, v)| {
                let (s, c) = (-core::f64::consts::TAU * (k * n) as f64 / 64.0).sin_cos();
                (sum.0 + v.0 * c - v.1 * s, sum.1 + v.0 * s + v.1 * c)
            });
            assert!((sum.0 - work[k].0).hypot(sum.1 - work[k].1) < 1e-9, "{k}");
        }
        transform(&mut work, true);
        assert!(work.iter().zip(&values).all(|(a, b)| (a.0 - b.0).hypot(a.1 - b.1) < 1e-12));
    }

    #[test]
    fn lines_are_found_with_their_size() {
        let dt = 1e-3;
        let values: Vec<f64> = (0..3000)
            .map(|i| {
                let t = core::f64::consts::TAU * f64::from(i) * dt;
                5.0 + 0.7 * (t * 31.37).cos() + 0.2 * (t * 100.1).sin() + 0.05 * (t * 33.0).cos()
            })
            .collect();
        let peaks = Spectrum::of(&values, dt).unwrap().peaks(1.0, 400.0, 3);
        for (peak, (hz, amplitude)) in peaks.iter().zip([(31.37, 0.7), (100.1, 0.2), (33.0, 0.05)]) {
            assert!((peak.hz - hz).abs() < 0.05, "{peak:?}");
            assert!((peak.amplitude / amplitude - 1.0).abs() < 0.05, "{peak:?}");
        }
        assert!(Spectrum::of(&[1.0; 3], dt).is_err() && Spectrum::of(&values, 0.0).is_err());
    }
}
