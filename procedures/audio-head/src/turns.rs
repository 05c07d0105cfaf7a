//! Levels at each place of the height nut: every signal against its own best, the worst of them counts.

use crate::take::Level;
use tapewright_sdk::climb::{Climb, Wanted};

/// So far the levels must fall on both sides of their best at least, in decibels (common practice, no source).
const PASSED_DB: f64 = 1.0;

/// The nut ends so near their best, in decibels (common practice, no source).
const BACK_DB: f64 = 0.3;

/// A fall must be so many standard uncertainties of it.
const SURE: f64 = 3.0;

/// Levels of every signal, place after place.
#[derive(Debug, Clone, Default)]
pub(crate) struct Turns {
    places: Vec<Vec<Level>>,
}

impl Turns {
    pub(crate) fn add(&mut self, levels: Vec<Level>) {
        self.places.push(levels);
    }

    pub(crate) fn best_v(&self, signal: usize) -> f64 {
        self.places.iter().fold(0.0, |best, place| best.max(place[signal].volts))
    }

    /// Levels of one signal.
    pub(crate) fn climb_of(&self, signal: usize) -> Climb {
        let mut climb = Climb::default();
        self.places.iter().for_each(|place| climb.add(place[signal].volts));
        climb
    }

    /// At each place the share of its own best that the worst signal has.
    pub(crate) fn climb(&self) -> Climb {
        let mut climb = Climb::default();
        for place in &self.places {
            let share = |(signal, level): (usize, &Level)| level.volts / self.best_v(signal).max(f64::MIN_POSITIVE);
            climb.add(place.iter().enumerate().map(share).fold(1.0, f64::min));
        }
        climb
    }

    /// Decibels by which the worst signal at a place lies below its best; none: it has nothing there.
    pub(crate) fn below_best_db(&self, place: usize) -> Option<f64> {
        let falls = self.places.get(place)?.iter().enumerate().map(|(k, level)| self.best_v(k) / level.volts);
        let fall = falls.fold(1.0, f64::max);
        fall.is_finite().then(|| 20.0 * fall.log10())
    }

    pub(crate) fn last(&self) -> usize {
        self.places.len().saturating_sub(1)
    }

    /// Standard uncertainty of a fall near the best, in decibels: the greatest among the places where a signal has half its best.
    pub(crate) fn fall_u_db(&self) -> f64 {
        let mut most = 0.0_f64;
        for (signal, level) in self.places.iter().flat_map(|place| place.iter().enumerate()) {
            let best_v = self.best_v(signal);
            if level.volts > 0.5 * best_v {
                most = most.max(level.u_v / level.volts);
            }
        }
        20.0 / core::f64::consts::LN_10 * most * core::f64::consts::SQRT_2
    }

    /// What the turns must come to: falls that the scatter does not make.
    pub(crate) fn wanted(&self) -> Wanted {
        Wanted { fall_db: PASSED_DB.max(SURE * self.fall_u_db()), near_db: BACK_DB }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A place of the nut: what left, right and the control gap read of a tone over the whole width.
    fn place(height_um: f64, u: f64) -> Vec<Level> {
        let level = |volts: f64| Level { volts: volts.max(0.0), u_v: u };
        let share = |loss_um: f64, width_um: f64| 1.0 - loss_um.max(0.0) / width_um;
        vec![
            level(0.3 * share(-height_um, 350.0)),
            // A weak channel: it is held against its own best.
            level(0.1 * share(height_um, 350.0)),
            level(5.0 * share(height_um.abs(), 750.0)),
        ]
    }

    fn turned(heights: &[f64], u: f64) -> Turns {
        let mut turns = Turns::default();
        heights.iter().for_each(|height| turns.add(place(*height, u)));
        turns
    }

    #[test]
    fn only_a_height_with_falls_on_both_sides_is_the_peak() {
        for (heights, u, back) in [
            (&[150.0][..], 0.0, false),
            // Never past the peak.
            (&[150.0, 100.0, 60.0, 40.0], 0.0, false),
            (&[150.0, 80.0, 0.0, -90.0, 0.0], 0.0, true),
            // Left where it came in.
            (&[150.0, 0.0, -90.0, 150.0], 0.0, false),
            // The scatter makes such falls by itself.
            (&[150.0, 80.0, 0.0, -90.0, 0.0], 0.05, false),
        ] {
            let turns = turned(heights, u);
            let climb = turns.climb();
            assert_eq!(climb.back_at_peak(turns.wanted()), back, "{heights:?}: {}", climb.text(turns.wanted()));
        }
        let turns = turned(&[150.0, 0.0, -90.0, 150.0], 0.0);
        assert!((turns.below_best_db(turns.last()).unwrap() - 4.86).abs() < 0.01);
        assert!(turns.below_best_db(1).unwrap() < 1e-9);
        assert_eq!(turned(&[0.0, 400.0], 0.0).below_best_db(1), None);
    }
}
