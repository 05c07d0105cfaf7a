//! The level peaks of one channel: where the low tone's says that the high tone's is the true one.

use tapewright_sdk::climb::Wanted;
use tapewright_sdk::formats::losses::sinc;
use tapewright_sdk::prelude::Estimate;

/// A fall of so many decibels says that the peak was passed (common practice, no source).
const PASSED_DB: f64 = 0.2;

/// A climb ends so near its best, in decibels (common practice, no source).
const BACK_DB: f64 = 0.2;

/// What the climb must come to at the tone that the azimuth is read at.
pub(crate) const FINE: Wanted = Wanted { fall_db: PASSED_DB, near_db: BACK_DB };

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

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_sdk::climb::Climb;

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
        assert!(fine.back_at_peak(FINE));
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
