//! The front end's noise and the 8-bit converter.

use super::specs::ChannelErrors;
use crate::rng::Rng;

/// Steps of the converter.
pub(crate) const STEPS: f64 = 256.0;
/// Steps in one division of the screen.
pub(crate) const STEPS_A_DIVISION: f64 = 25.0;
/// The code at the middle of the range.
pub(crate) const ZERO_CODE: f64 = 128.0;

/// One channel's way from volts at the connector to codes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Converter {
    pub(crate) step_v: f64,
    pub(crate) centre_v: f64,
    pub(crate) errors: ChannelErrors,
    pub(crate) noise_v: f64,
}

impl Converter {
    fn division_v(&self) -> f64 {
        self.step_v * STEPS_A_DIVISION
    }

    fn code(&self, connector_v: f64, noise_v: f64) -> u8 {
        let seen_v = self.errors.seen_v(connector_v, self.division_v()) + noise_v;
        // The converter's ends clip: a cast of a float saturates.
        ((seen_v - self.centre_v) / self.step_v + ZERO_CODE).round() as u8
    }

    pub(crate) fn sample(&self, connector_v: f64, rng: &mut Rng) -> u8 {
        let noise_v = if self.noise_v > 0.0 { self.noise_v * rng.normal() } else { 0.0 };
        self.code(connector_v, noise_v)
    }

    /// Least and greatest code of a bin of `underlying` samples that span `pair`.
    ///
    /// The noise that shows is the greatest of the noise of those samples that lie near the signal's
    /// own extreme. For a carrier that is the share of a sine within one sigma of its peak,
    /// `sqrt(2 * sigma / amplitude) / pi`; for a quiet bin it is every sample. (Computed; the carrier
    /// is the signal that matters here.)
    pub(crate) fn extremes(&self, pair: (f64, f64), underlying: f64, rng: &mut Rng) -> (u8, u8) {
        let (least_v, greatest_v) = pair;
        let (mut below, mut above) = (0.0, 0.0);
        if self.noise_v > 0.0 {
            let amplitude_v = 0.5 * (greatest_v - least_v);
            let share = if amplitude_v > self.noise_v {
                (2.0 * self.noise_v / amplitude_v).sqrt().min(core::f64::consts::PI) / core::f64::consts::PI
            } else {
                1.0
            };
            let near = (underlying * share).max(1.0);
            below = -self.noise_v * rng.greatest_normal(near);
            above = self.noise_v * rng.greatest_normal(near);
        }
        let (low, high) = (self.code(least_v, below), self.code(greatest_v, above));
        (low.min(high), high.max(low))
    }
}
