//! The level peak of one channel: which way it gets better, whether the peak was passed, how far from it the head stands.

use tapewright_sdk::formats::losses::sinc;
use tapewright_sdk::prelude::Estimate;

/// Levels after each turn of the screw.
#[derive(Debug, Clone, Default)]
pub(crate) struct Climb {
    levels_v: Vec<f64>,
}

/// A fall of so many decibels says that the peak was passed (common practice, no source).
const PASSED_DB: f64 = 0.2;

/// What lies within 0.1 dB of the best stands on the peak as far as a screw can be set (common practice, no source).
const NEAR: f64 = 0.9886;

/// A climb ends so near its best, in decibels (common practice, no source).
const BACK_DB: f64 = 0.2;

/// What a climb must come to.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wanted {
    /// So far the level falls on both sides of its best, in decibels.
    fall_db: f64,
    /// So near its best it ends.
    near_db: f64,
}

impl Wanted {
    /// At the tone that the azimuth is read at.
    pub(crate) const FINE: Self = Self { fall_db: PASSED_DB, near_db: BACK_DB };
}

/// What one level says of another's lobe: beyond the first null of the high tone's azimuth loss lie its lower peaks, and there the
/// low tone has fallen by so much already. The track's width and the speed fall out.
#[derive(Debug, Clone, Copy)]
pub(crate) struct MainLobe {
    half_fall_db: f64,
}

impl MainLobe {
    pub(crate) fn of(low_hz: f64, high_hz: f64) -> Self {
        Self { half_fall_db: -10.0 * sinc(core::f64::consts::PI * low_hz / high_hz).log10() }
    }

    /// What the low tone's climb must come to where the high one's begins. A side of a peak that weave feigns falls less.
    pub(crate) fn wanted(self) -> Wanted {
        Wanted {
            fall_db: (2.0 * self.half_fall_db).clamp(PASSED_DB, 2.0 * PASSED_DB),
            near_db: self.half_fall_db.min(BACK_DB),
        }
    }

    /// Whether the low tone's level, as badly as it is known, still stands near its best.
    pub(crate) fn holds(self, best_v: f64, now: &Estimate) -> bool {
        now.interval.low > 0.0 && 20.0 * (best_v / now.interval.low).log10() <= self.half_fall_db
    }
}

impl Climb {
    pub(crate) fn add(&mut self, level_v: f64) {
        self.levels_v.push(level_v);
    }

    pub(crate) fn best_v(&self) -> f64 {
        self.levels_v.iter().fold(0.0, |best, v| best.max(*v))
    }

    /// Whether a level near the best had lower ones before it and after it, the screw being turned as advised: then
    /// the best is a peak.
    pub(crate) fn passed_peak(&self, wanted: Wanted) -> bool {
        let best = self.best_v();
        let passed = 10_f64.powf(-wanted.fall_db / 20.0) * best;
        let lower = |levels: &[f64]| levels.iter().any(|v| *v < passed);
        self.levels_v
            .iter()
            .enumerate()
            .any(|(place, v)| *v >= NEAR * best && lower(&self.levels_v[..place]) && lower(&self.levels_v[place + 1..]))
    }

    /// Whether the peak was passed, and is reached again.
    pub(crate) fn back_at_peak(&self, wanted: Wanted) -> bool {
        self.passed_peak(wanted) && self.below_best_db() < wanted.near_db
    }

    /// What the climb came to, in words.
    pub(crate) fn text(&self, wanted: Wanted) -> String {
        let (turns, below) = (self.levels_v.len().saturating_sub(1), self.below_best_db());
        let passed = if self.passed_peak(wanted) { "fell" } else { "was not seen to fall" };
        let Wanted { fall_db, near_db } = wanted;
        format!(
            "over {turns} turns of the screw it {passed} by {fall_db:.2} dB on both sides of its best, and ends {below:.2} dB below that, where within {near_db:.2} dB is asked for"
        )
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
            assert_eq!(climb.passed_peak(Wanted::FINE), passed, "{levels:?}");
        }
        let mut climb = Climb::default();
        climb.add(1.0);
        climb.add(0.5);
        assert!((climb.below_best_db() - 6.02).abs() < 0.01);
        assert!(climb.advice().starts_with("Worse"));
    }

    /// A full-width track of 1 mm at 33.35 mm/s.
    fn level(hz: f64, min: f64) -> f64 {
        sinc(core::f64::consts::PI * (min / 60.0_f64).to_radians().tan() * hz / 33.35).abs()
    }

    fn climbed(hz: f64, turns: &[f64]) -> Climb {
        let mut climb = Climb::default();
        turns.iter().for_each(|min| climb.add(level(hz, *min)));
        climb
    }

    /// About 27 minutes of arc the high tone has a lower peak, which its own level does not tell from the true one.
    #[test]
    fn a_side_lobe_is_told_by_the_low_tone() {
        let lobe = MainLobe::of(1000.0, 6000.0);
        let fine = climbed(6000.0, &[27.3, 30.5, 27.3, 24.0, 27.3]);
        assert!(fine.back_at_peak(Wanted::FINE));
        let coarse = climbed(1000.0, &[27.0, 26.0, 28.0, 29.0, 27.5, 26.5, 27.3]);
        assert!(!coarse.back_at_peak(lobe.wanted()), "{}", coarse.text(lobe.wanted()));
        // Passed, and left standing off it.
        assert!(!climbed(1000.0, &[27.0, 2.0, -27.0, 20.0]).back_at_peak(lobe.wanted()));
        let well = climbed(1000.0, &[14.0, 30.0, 2.0, -26.0, 1.0]);
        assert!(well.back_at_peak(lobe.wanted()), "{}", well.text(lobe.wanted()));
        // The high tone's climb went over the edge of the main lobe, or stayed.
        let now = |min: f64| Estimate::combined(level(1000.0, min), vec![]).unwrap();
        assert!(!lobe.holds(well.best_v(), &now(27.3)));
        assert!(!lobe.holds(climbed(1000.0, &[45.0, 22.7, -45.0, 22.7]).best_v(), &now(27.3)));
        assert!(lobe.holds(well.best_v(), &now(3.0)));
        // Tones far apart ask for more: the low one has hardly fallen at the high one's null.
        assert!(MainLobe::of(1000.0, 12_000.0).wanted().near_db < 0.06);
        assert!((MainLobe::of(4000.0, 6000.0).wanted().near_db - BACK_DB).abs() < 1e-12);
    }
}
