//! Dropouts: places of the tape where a head loses contact. They lie in the tracks, so a second pass finds them again.

use super::MachineError;
use super::check::number;
use super::random::{hash, uniform};
use serde::{Deserialize, Serialize};

/// Most dropouts in one track.
pub(crate) const MOST: usize = 4;

/// Dropouts of a tape: how many, how deep, how long; each is drawn evenly between its ends.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DropoutConfig {
    /// How many a minute of play.
    pub per_minute: f64,
    /// Least fall of the level.
    pub least_db: f64,
    /// Greatest fall of the level.
    pub greatest_db: f64,
    /// Shortest.
    pub least_us: f64,
    /// Longest.
    pub greatest_us: f64,
}

impl Default for DropoutConfig {
    fn default() -> Self {
        Self { per_minute: 0.0, least_db: 20.0, greatest_db: 30.0, least_us: 20.0, greatest_us: 100.0 }
    }
}

/// One dropout of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Dropout {
    /// Where it begins and ends along the track, in seconds of a scan at nominal rate.
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    /// What is left of the level (ratio).
    pub(crate) keeps: f64,
}

pub(crate) fn check(dropouts: &DropoutConfig) -> Result<(), MachineError> {
    number("per_minute", dropouts.per_minute, 0.0, 2000.0, "give 0 to 2000 dropouts a minute")?;
    number("least_db", dropouts.least_db, 0.0, 80.0, "give 0 to 80 dB")?;
    number("greatest_db", dropouts.greatest_db, dropouts.least_db, 80.0, "give least_db to 80 dB")?;
    number("least_us", dropouts.least_us, 0.1, 5000.0, "give 0.1 to 5000 us")?;
    number("greatest_us", dropouts.greatest_us, dropouts.least_us, 5000.0, "give least_us to 5000 us")
}

impl DropoutConfig {
    /// Dropouts of a track, in the order of their numbers. Their count is Poisson's for a track's share of a minute.
    pub(crate) fn of_track(&self, seed: u64, track: i64, field_hz: f64) -> ([Dropout; MOST], usize) {
        let mut found = [Dropout { from_s: 0.0, to_s: 0.0, keeps: 1.0 }; MOST];
        if self.per_minute <= 0.0 {
            return (found, 0);
        }
        let own = hash(seed ^ 0xD209, track);
        let mean = self.per_minute / 60.0 / field_hz;
        let (mut left, mut count) = (uniform(hash(own, 0)), 0);
        let mut share = (-mean).exp();
        while left > share && count < MOST {
            left -= share;
            count += 1;
            share *= mean / count as f64;
        }
        for (k, dropout) in found.iter_mut().enumerate().take(count) {
            let draw = |what: i64| uniform(hash(own, 10 * (k as i64 + 1) + what));
            let length_s = 1e-6 * (self.least_us + draw(1) * (self.greatest_us - self.least_us));
            let from_s = draw(2) * (1.0 / field_hz - length_s).max(0.0);
            let fall_db = self.least_db + draw(3) * (self.greatest_db - self.least_db);
            *dropout = Dropout { from_s, to_s: from_s + length_s, keeps: 10_f64.powf(-fall_db / 20.0) };
        }
        (found, count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tracks_hold_as_many_as_they_should_and_always_the_same() {
        let config = DropoutConfig { per_minute: 120.0, ..DropoutConfig::default() };
        let field_hz = 60_000.0 / 1001.0;
        let tracks = 60_000;
        let count: usize = (0..tracks).map(|track| config.of_track(5, track, field_hz).1).sum();
        let expected = 120.0 / 60.0 / field_hz * tracks as f64;
        assert!((count as f64 - expected).abs() < 4.0 * expected.sqrt(), "{count}, expected {expected}");
        for track in 0..2000 {
            let (all, n) = config.of_track(5, track, field_hz);
            assert_eq!((all, n), config.of_track(5, track, field_hz));
            for d in &all[..n] {
                let length = d.to_s - d.from_s;
                assert!(d.from_s >= 0.0 && d.to_s <= 1.0 / field_hz && (20e-6..=100e-6).contains(&length), "{d:?}");
                assert!((0.0316..=0.1001).contains(&d.keeps));
            }
        }
    }
}
