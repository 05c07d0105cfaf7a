//! Amplitude spectra, and the lines that stand out in one.

use crate::error::{MeasureError, at_least, positive};
use crate::fourier::transform;
use crate::statistics::median_in_place;
use crate::turning::Turning;

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

/// Hann's window by its values at half places, and their sum.
fn window(n: usize, mut use_it: impl FnMut(usize, f64)) -> f64 {
    let step = core::f64::consts::TAU / n as f64;
    let mut turning = Turning::new(0.5 * step, step);
    let mut sum = 0.0;
    for i in 0..n {
        let w = 0.5 - 0.5 * turning.next().0;
        sum += w;
        use_it(i, w);
    }
    sum
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
        let mut work = vec![0.0; size];
        let sum = window(n, |i, w| {
            work[i] = (values[i] - mean) * w;
        });
        let scale = 2.0 / sum;
        let places = transform(&work);
        // The work is done with: its room holds the amplitudes.
        work.truncate(size / 2);
        for (amplitude, place) in work.iter_mut().zip(places) {
            *amplitude = scale * place.norm_sqr().sqrt();
        }
        let amplitude = work;
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
    fn the_window_is_the_cosine_it_stands_for() {
        let n = 1000;
        let sum = window(n, |i, w| {
            let exact = 0.5 - 0.5 * (core::f64::consts::TAU * (i as f64 + 0.5) / n as f64).cos();
            assert!((w - exact).abs() < 1e-13, "{i}");
        });
        assert!((sum - 500.0).abs() < 1e-9);
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
