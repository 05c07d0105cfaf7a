//! Cosines and sines at even steps, without asking the functions for each.

/// Samples from one fresh start to the next.
const FRESH: usize = 32;

/// Cosine and sine of an angle that grows evenly from sample to sample: each from the one before by a turn, and computed afresh
/// before rounding gathers (within 1e-14 of the functions).
pub(crate) struct Turning {
    start_rad: f64,
    step_rad: f64,
    step: (f64, f64),
    now: (f64, f64),
    index: usize,
}

impl Turning {
    /// From an angle on, by so much a sample.
    pub(crate) fn new(start_rad: f64, step_rad: f64) -> Self {
        let (sine, cosine) = step_rad.sin_cos();
        Self { start_rad, step_rad, step: (cosine, sine), now: (1.0, 0.0), index: 0 }
    }

    /// Cosine and sine at the next sample.
    pub(crate) fn next(&mut self) -> (f64, f64) {
        if self.index.is_multiple_of(FRESH) {
            let (sine, cosine) = (self.start_rad + self.index as f64 * self.step_rad).sin_cos();
            self.now = (cosine, sine);
        }
        let (c, s) = self.now;
        self.now = (c * self.step.0 - s * self.step.1, s * self.step.0 + c * self.step.1);
        self.index += 1;
        (c, s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_keeps_to_the_functions() {
        for (start, step) in [(0.0, 0.1), (-4000.3, 1.7), (2.0, 3.1), (0.5, -0.002), (-1e4, 40.0)] {
            let mut turning = Turning::new(start, step);
            for i in 0..5000 {
                let (cosine, sine) = turning.next();
                let (s, c) = (start + f64::from(i) * step).sin_cos();
                // An angle of tens of thousands is itself rounded at 1e-12.
                assert!((cosine - c).abs() < 3e-11 && (sine - s).abs() < 3e-11, "{start} {step}: {i}");
            }
        }
    }
}
