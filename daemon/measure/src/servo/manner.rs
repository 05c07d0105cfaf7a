//! What a record of phase says of the servo: whether it is locked, hunts or walks, and when it came to stand.

use super::{Look, PhaseRecord};
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use crate::statistics::{median_in_place, moments_of_finite};

/// What the phase does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Manner {
    /// It stands, but for random scatter.
    Stands,
    /// It walks steadily: there is no lock.
    Walks,
    /// It swings to and fro, slowly.
    Hunts,
}

impl PhaseRecord {
    /// What the phase does: it walks where the line leads it on by more than half a period, or surely by more than `lock_s` (what a
    /// locked train may move) and twice its swing; it hunts where it is slow and its swing is surely beyond `lock_s`.
    ///
    /// # Errors
    /// As [`Self::drift`].
    pub fn manner(&self, lock_s: f64) -> Result<Manner, MeasureError> {
        let drift = self.drift()?;
        let way = drift.scaled(self.observed_s());
        let surely = way.interval.low.max(-way.interval.high);
        if way.value.abs() > 0.5 * self.period_s && surely > 0.0 {
            return Ok(Manner::Walks);
        }
        let swing = self.swing()?;
        if surely > lock_s.max(2.0 * swing.value) {
            return Ok(Manner::Walks);
        }
        if self.is_slow() && swing.interval.low > lock_s {
            return Ok(Manner::Hunts);
        }
        Ok(Manner::Stands)
    }

    /// Time from a key to lock, in seconds: `took_s` passed from the key to the first look. From the first look on that lies
    /// within four deviations of where the phase stands later, it stands. It came to stand at any time between that look and the one
    /// before it, or the key: the value is the middle of that rectangle (JCGM 100, 4.3.7).
    ///
    /// # Errors
    /// As [`Estimate::with_interval`].
    pub fn lock_time(&self, looks: &[Look], took_s: f64) -> Result<Estimate, MeasureError> {
        let half = self.phases_s.len() / 2;
        let mut later: Vec<f64> = self.phases_s[half..].to_vec();
        let end = median_in_place(&mut later);
        let m = moments_of_finite(self.phases_s[half..].iter().copied());
        // The first looks are a whole period long, and so coarser than the later ones.
        let near = |look: &Look| 4.0 * m.standard_deviation.hypot(look.phase_u_s).max(1e-6);
        let away: Vec<bool> = self.phases_s.iter().zip(looks).map(|(p, look)| (p - end).abs() > near(look)).collect();
        // A single look among others that stand is a stray one: what has not locked yet stays away.
        let first = away.windows(2).rposition(|w| w[0] && w[1]).map_or(usize::from(away[0]), |last| last + 2);
        let at = |place: usize| took_s + looks.get(place).map_or(0.0, |look| look.at_s - looks[0].at_s);
        let (low, high) = if first == 0 { (0.0, at(0)) } else { (at(first - 1), at(first.min(looks.len() - 1))) };
        let u = (high - low) / 12.0_f64.sqrt();
        let from = vec![Contribution::type_b("time between the key, and the looks", u)];
        Estimate::with_interval(0.5 * (low + high), low, high, u, None, from)
    }
}
