//! How the drum's phase and the tape's place go with time, in closed form.
//!
//! The drum's phase counts scans; the tape's place counts recorded tracks. Between two events each
//! follows one of these laws, so any instant can be asked for without stepping to it.

use super::random::irregular;

/// A law of motion from `from_s` on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Motion {
    /// At rest.
    Rest {
        /// Place.
        place: f64,
    },
    /// Evenly changing speed.
    Ramp {
        /// Instant of `place`.
        from_s: f64,
        /// Place at that instant.
        place: f64,
        /// Speed at that instant.
        speed: f64,
        /// Change of speed.
        change: f64,
    },
    /// Free running: a constant speed with a slow wander.
    Free {
        /// Instant of `place`.
        from_s: f64,
        /// Place at that instant.
        place: f64,
        /// Mean speed.
        speed: f64,
        /// Greatest excursion of the place by the wander.
        wander: f64,
        /// Period of the wander.
        period_s: f64,
        /// Seed of the wander.
        seed: u64,
    },
    /// Locked to the reference, whose phase is `rate * t`.
    Locked {
        /// Instant of the lock.
        from_s: f64,
        /// Reference's rate.
        rate: f64,
        /// What it settles to, against the reference's phase.
        offset: f64,
        /// Distance from that at `from_s`.
        away: f64,
        /// Time constant of settling.
        tau_s: f64,
        /// Greatest excursion by a hunting servo.
        hunting: f64,
        /// About the period of the hunting.
        period_s: f64,
        /// Seed of the hunting.
        seed: u64,
    },
}

impl Motion {
    /// Place at an instant at or after the law's beginning.
    pub(crate) fn at(&self, t_s: f64) -> f64 {
        match *self {
            Self::Rest { place } => place,
            Self::Ramp { from_s, place, speed, change } => {
                let d = t_s - from_s;
                place + d * (speed + 0.5 * change * d)
            }
            Self::Free { from_s, place, speed, wander, period_s, seed } => {
                let drift = if wander == 0.0 {
                    0.0
                } else {
                    wander * (irregular(t_s, period_s, seed) - irregular(from_s, period_s, seed))
                };
                place + (t_s - from_s) * speed + drift
            }
            Self::Locked { rate, offset, .. } => rate * t_s + offset + self.away_from_reference(t_s),
        }
    }

    /// The same, swinging to and fro by so much, about with this period, from this seed; without a jump at `t_s`.
    pub(crate) fn that_hunts(mut self, t_s: f64, (by, period, from_seed): (f64, f64, u64)) -> Self {
        if let Self::Locked { hunting, period_s, seed, away, .. } = &mut self {
            (*hunting, *period_s, *seed) = (by, period, from_seed);
            if by != 0.0 {
                *away -= by * irregular(t_s, period, from_seed);
            }
        }
        self
    }

    /// What a locked motion adds to its place against the reference: settling and hunting.
    fn away_from_reference(&self, t_s: f64) -> f64 {
        let Self::Locked { from_s, away, tau_s, hunting, period_s, seed, .. } = *self else { return 0.0 };
        let settling = if away == 0.0 { 0.0 } else { away * (-(t_s - from_s) / tau_s).exp() };
        let hunt = if hunting == 0.0 { 0.0 } else { hunting * irregular(t_s, period_s, seed) };
        settling + hunt
    }

    /// Speed at an instant.
    pub(crate) fn speed(&self, t_s: f64) -> f64 {
        match *self {
            Self::Rest { .. } => 0.0,
            Self::Ramp { from_s, speed, change, .. } => speed + change * (t_s - from_s),
            Self::Free { .. } | Self::Locked { .. } => {
                let h = 1e-4;
                (self.at(t_s + h) - self.at(t_s - h)) / (2.0 * h)
            }
        }
    }

    /// The instant in `[from_s, until_s]` at which the place is `target`, if it is passed there.
    pub(crate) fn when(&self, target: f64, from_s: f64, until_s: f64) -> Option<f64> {
        let (at_from, at_until) = (self.at(from_s) - target, self.at(until_s) - target);
        if at_from == 0.0 {
            return Some(from_s);
        }
        if !at_from.is_finite() || at_until * at_from > 0.0 {
            return None;
        }
        // The laws are nearly straight: Newton from the chord finds the place in a few steps.
        let mut t = from_s - at_from * (until_s - from_s) / (at_until - at_from);
        for _ in 0..8 {
            let step = (self.at(t) - target) / self.speed(t);
            if !step.is_finite() {
                break;
            }
            let next = (t - step).clamp(from_s, until_s);
            if (next - t).abs() <= 1e-13 + 2.0 * f64::EPSILON * t.abs() {
                return Some(next);
            }
            t = next;
        }
        let (mut low, mut high) = (from_s, until_s);
        for _ in 0..120 {
            let middle = 0.5 * (low + high);
            if (self.at(middle) - target) * at_from > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(0.5 * (low + high))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn when_undoes_at() {
        let laws = [
            Motion::Ramp { from_s: 10.0, place: 5.0, speed: 0.0, change: 40.0 },
            Motion::Free { from_s: 10.0, place: 5.0, speed: 60.2, wander: 0.05, period_s: 7.0, seed: 3 },
            Motion::Locked {
                from_s: 10.0,
                rate: 59.94,
                offset: 2.0,
                away: 0.9,
                tau_s: 0.3,
                hunting: 0.4,
                period_s: 3.0,
                seed: 1,
            },
        ];
        for law in laws {
            for t in [10.001, 10.2, 11.3, 12.9] {
                let back = law.when(law.at(t), 10.0, 13.0).unwrap();
                assert!((back - t).abs() < 1e-11, "{law:?} at {t} gives {back}");
                let rise = (law.at(t + 1e-5) - law.at(t - 1e-5)) / 2e-5;
                assert!((rise - law.speed(t)).abs() < 1e-3 * rise.abs(), "{law:?}: {rise}");
            }
        }
        assert_eq!(Motion::Rest { place: 3.0 }.when(4.0, 0.0, 1e9), None);
    }
}
