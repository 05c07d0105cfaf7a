//! The peak of a level while a screw is turned: which way it gets better, whether it was passed, how far from it the screw
//! stands. (Permission `operator`.)

use crate::absence::PATIENCE_S;
use crate::bench::{Action, Prompt};
use crate::unable::Result;

/// Levels after each turn of the screw.
#[derive(Debug, Clone, Default)]
pub struct Climb {
    levels_v: Vec<f64>,
}

/// What lies within 0.1 dB of the best stands on the peak as far as a screw can be set (common practice, no source).
const NEAR: f64 = 0.9886;

/// What a climb must come to.
#[derive(Debug, Clone, Copy)]
pub struct Wanted {
    /// So far the level falls on both sides of its best, in decibels.
    pub fall_db: f64,
    /// So near its best it ends.
    pub near_db: f64,
}

impl Climb {
    /// Adds the level after a turn.
    pub fn add(&mut self, level_v: f64) {
        self.levels_v.push(level_v);
    }

    /// The best level so far; 0 where there is none.
    #[must_use]
    pub fn best_v(&self) -> f64 {
        self.levels_v.iter().fold(0.0, |best, v| best.max(*v))
    }

    /// Whether a level near the best had lower ones before it and after it, the screw being turned as advised: then
    /// the best is a peak.
    #[must_use]
    pub fn passed_peak(&self, wanted: Wanted) -> bool {
        let best = self.best_v();
        let passed = 10_f64.powf(-wanted.fall_db / 20.0) * best;
        let lower = |levels: &[f64]| levels.iter().any(|v| *v < passed);
        self.levels_v
            .iter()
            .enumerate()
            .any(|(place, v)| *v >= NEAR * best && lower(&self.levels_v[..place]) && lower(&self.levels_v[place + 1..]))
    }

    /// Whether the peak was passed, and is reached again.
    #[must_use]
    pub fn back_at_peak(&self, wanted: Wanted) -> bool {
        self.passed_peak(wanted) && self.below_best_db() < wanted.near_db
    }

    /// What the climb came to, in words.
    #[must_use]
    pub fn text(&self, wanted: Wanted) -> String {
        let (turns, below) = (self.levels_v.len().saturating_sub(1), self.below_best_db());
        let passed = if self.passed_peak(wanted) { "fell" } else { "was not seen to fall" };
        let Wanted { fall_db, near_db } = wanted;
        format!(
            "over {turns} turns of the screw it {passed} by {fall_db:.2} dB on both sides of its best, and ends {below:.2} dB below that, where within {near_db:.2} dB is asked for"
        )
    }

    /// Decibels by which the last level lies below the best.
    #[must_use]
    pub fn below_best_db(&self) -> f64 {
        match self.levels_v.last() {
            Some(last) if *last > 0.0 => 20.0 * (self.best_v() / last).log10(),
            _ => 0.0,
        }
    }

    /// What to tell the operator about the last turn of a screw.
    #[must_use]
    pub fn advice(&self, screw: &str) -> String {
        match self.levels_v.as_slice() {
            [] | [_] => format!("Turn {screw} a little, either way."),
            [.., before, last] if last > before => {
                "Better. Turn on the same way, in smaller steps near the peak.".into()
            }
            _ => "Worse. Turn back the other way, past the best.".into(),
        }
    }
}

/// Asks for a turn of a screw of the audio head; `false`: it is to be left.
///
/// # Errors
/// What the operator's prompt ends with.
pub fn turned(id: &str, screw: &str, text: &str) -> Result<bool> {
    let prompt = Prompt {
        id,
        text,
        action: Action::Adjust(format!("turn {screw} of the audio head")),
        choices: &["done", "leave"],
        deadline_s: PATIENCE_S,
    };
    Ok(prompt.ask()? == "done")
}

#[cfg(test)]
mod tests {
    use super::*;

    const FINE: Wanted = Wanted { fall_db: 0.2, near_db: 0.2 };

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
            assert_eq!(climb.passed_peak(FINE), passed, "{levels:?}");
        }
        let mut climb = Climb::default();
        climb.add(1.0);
        climb.add(0.5);
        assert!((climb.below_best_db() - 6.02).abs() < 0.01);
        assert!(climb.advice("it").starts_with("Worse"));
    }
}
