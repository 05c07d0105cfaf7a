//! Noise as peak detection sees it.

use crate::error::{MeasureError, at_least, positive};
use crate::lift::greatest_of_noise;
use crate::statistics::moments_of_finite;
use crate::trace::PairTrace;

/// Noise as peak detection sees it, from pairs in the same set-up without RF.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakNoise {
    deviation_v: f64,
    relative_u: f64,
    looks_a_second: f64,
}

impl PeakNoise {
    /// From pairs without RF, with the bins that the RF will have. `bandwidth_hz` is the channel's.
    ///
    /// The mean half range and its spread together tell the noise's deviation and the count of
    /// independent looks a bin; where the spread is lost in the converter's steps, the count is twice
    /// the bandwidth times the bin.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below 50 pairs, [`MeasureError::BadParameter`].
    pub fn from_quiet(pairs: &PairTrace, bandwidth_hz: f64) -> Result<Self, MeasureError> {
        positive("bandwidth of the channel", bandwidth_hz)?;
        at_least("pairs without RF", pairs.len(), 50)?;
        let m = moments_of_finite((0..pairs.len()).map(|i| pairs.half_range(i)));
        let step = pairs.conversion().step_v;
        let by_bandwidth = (2.0 * bandwidth_hz * pairs.dt_s()).clamp(4.0, 1e7);
        let spread = (m.standard_deviation.powi(2) - step * step / 24.0).max(0.0).sqrt();
        let looks = if spread > 0.4 * step && m.mean > 0.0 {
            // Half of greatest less least spreads by 1/sqrt(2) of the greatest's spread. Bisection on
            // the logarithm: the ratio falls with the count.
            let ratio = |ln: f64| {
                let (mean, deviation) = greatest_of_noise(ln.exp());
                deviation / core::f64::consts::SQRT_2 / mean
            };
            let (mut low, mut high) = (4.0_f64.ln(), 1e6_f64.ln());
            for _ in 0..24 {
                let middle = 0.5 * (low + high);
                if ratio(middle) > spread / m.mean { low = middle } else { high = middle }
            }
            (0.5 * (low + high)).exp()
        } else {
            by_bandwidth
        };
        let (mean, _) = greatest_of_noise(looks);
        let rounding = step / 24.0_f64.sqrt() / (1.0 + (m.standard_deviation / step.max(f64::MIN_POSITIVE)).powi(2));
        let u = (m.standard_deviation / (pairs.len() as f64).sqrt()).hypot(rounding);
        Ok(Self {
            deviation_v: m.mean / mean,
            relative_u: if m.mean > 0.0 { u / m.mean } else { 0.0 },
            looks_a_second: looks / pairs.dt_s(),
        })
    }

    /// Independent looks at the noise within a time.
    pub(crate) fn looks(&self, span_s: f64) -> f64 {
        self.looks_a_second * span_s
    }

    /// The noise's deviation, in volts.
    #[must_use]
    pub const fn deviation_v(&self) -> f64 {
        self.deviation_v
    }

    /// Its relative standard uncertainty.
    pub(crate) const fn relative_u(&self) -> f64 {
        self.relative_u
    }
}
