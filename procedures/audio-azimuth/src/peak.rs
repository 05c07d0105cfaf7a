//! The level peak of one channel: which way it gets better, whether the peak was passed, how far from it the head stands.

/// Levels after each turn of the screw.
#[derive(Debug, Clone, Default)]
pub(crate) struct Climb {
    levels_v: Vec<f64>,
}

/// A fall of so much says that the peak was passed: 0.2 dB (common practice, no source).
const PASSED: f64 = 0.977;

/// What lies within 0.1 dB of the best stands on the peak as far as a screw can be set (common practice, no source).
const NEAR: f64 = 0.9886;

impl Climb {
    pub(crate) fn add(&mut self, level_v: f64) {
        self.levels_v.push(level_v);
    }

    pub(crate) fn best_v(&self) -> f64 {
        self.levels_v.iter().fold(0.0, |best, v| best.max(*v))
    }

    /// Whether a level near the best had lower ones before it and after it, the screw being turned as advised: then
    /// the best is a peak.
    pub(crate) fn passed_peak(&self) -> bool {
        let best = self.best_v();
        let lower = |levels: &[f64]| levels.iter().any(|v| *v < PASSED * best);
        self.levels_v
            .iter()
            .enumerate()
            .any(|(place, v)| *v >= NEAR * best && lower(&self.levels_v[..place]) && lower(&self.levels_v[place + 1..]))
    }

    /// Decibels by which the last level lies below the best.
    pub(crate) fn below_best_db(&self) -> f64 {
        match self.levels_v.last() {
            Some(last) if *last > 0.0 => 20.0 * (self.best_v() / last).log10(),
            _ => 0.0,
        }
    }

    /// What to tell the operator about the last turn.
    pub(crate) fn advice(&self) -> &'static str {
        match self.levels_v.as_slice() {
            [] | [_] => "Turn the azimuth screw a little, either way.",
            [.., before, last] if last > before => "Better. Turn on the same way, in smaller steps near the peak.",
            _ => "Worse. Turn back the other way, past the best.",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_peak_has_two_sides() {
        for (levels, passed) in [
            (&[][..], false),
            (&[1.0], false),
            (&[0.5, 0.8, 1.0], false),
            (&[1.0, 0.9, 0.8], false),
            (&[0.8, 1.0, 0.9], true),
            (&[0.8, 1.0, 0.99], false),
            (&[0.8, 1.0, 0.99, 0.9, 1.0], true),
            // Back at the best, a hair better than when it was passed.
            (&[0.8, 0.995, 0.9, 1.0], true),
            (&[0.8, 0.95, 0.9, 1.0], false),
        ] {
            let mut climb = Climb::default();
            levels.iter().for_each(|v| climb.add(*v));
            assert_eq!(climb.passed_peak(), passed, "{levels:?}");
        }
        let mut climb = Climb::default();
        climb.add(1.0);
        climb.add(0.5);
        assert!((climb.below_best_db() - 6.02).abs() < 0.01);
        assert!(climb.advice().starts_with("Worse"));
    }
}
