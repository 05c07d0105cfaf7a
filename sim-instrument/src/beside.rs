//! What stands on a probe's lead beside the signal: the bench's own, not the machine's.
//!
//! A point's direct voltage, the hum of a loop through both earths, a base line that wanders. All are slow against what
//! is looked at, and add to it at the tip.

use crate::source::Slope;

/// Instants at which a bin's slow part is looked at.
const LOOKS: usize = 9;

/// Steps in a hum's period in which a crossing is looked for as if the slow part stood still.
const STEPS_A_PERIOD: f64 = 64.0;

/// Volts beside the signal at a probe's tip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beside {
    /// Direct voltage.
    pub offset_v: f64,
    /// Hum, peak to peak.
    pub hum_v: f64,
    /// Frequency of the hum.
    pub hum_hz: f64,
    /// Wander of the base line, peak to peak.
    pub wander_v: f64,
    /// Period of the wander.
    pub wander_s: f64,
}

impl Default for Beside {
    fn default() -> Self {
        Self { offset_v: 0.0, hum_v: 0.0, hum_hz: 60.0, wander_v: 0.0, wander_s: 2.0 }
    }
}

impl Beside {
    /// Whether there is anything.
    pub(crate) fn is_nothing(&self) -> bool {
        self.offset_v == 0.0 && self.hum_v == 0.0 && self.wander_v == 0.0
    }

    /// Volts at an instant.
    pub(crate) fn at(&self, t_s: f64) -> f64 {
        let turn = |cycles: f64| (core::f64::consts::TAU * (cycles - cycles.floor())).sin();
        self.offset_v + 0.5 * (self.hum_v * turn(t_s * self.hum_hz) + self.wander_v * turn(t_s / self.wander_s))
    }

    /// Adds it to samples.
    pub(crate) fn add(&self, t0_s: f64, dt_s: f64, out: &mut [f64]) {
        if !self.is_nothing() {
            for (i, volts) in out.iter_mut().enumerate() {
                *volts += self.at(t0_s + i as f64 * dt_s);
            }
        }
    }

    /// Adds it to extremes, as if the signal reached them all over the bin: what it stands on is slow against it.
    pub(crate) fn add_extremes(&self, t0_s: f64, dt_s: f64, out: &mut [(f64, f64)]) {
        if self.is_nothing() {
            return;
        }
        for (i, (least, greatest)) in out.iter_mut().enumerate() {
            let look = |k: usize| self.at(t0_s + dt_s * (i as f64 + k as f64 / (LOOKS - 1) as f64));
            let (low, high) =
                (0..LOOKS).map(look).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
            (*least, *greatest) = (*least + low, *greatest + high);
        }
    }

    /// The next crossing of a level by the sum, where `signal` finds those of the signal alone.
    pub(crate) fn crossing(
        &self,
        (level_v, slope): (f64, Slope),
        (after_s, until_s): (f64, f64),
        mut signal: impl FnMut(f64, Slope, f64, f64) -> Option<f64>,
    ) -> Option<f64> {
        if self.is_nothing() {
            return signal(level_v, slope, after_s, until_s);
        }
        let step_s = if self.hum_v == 0.0 && self.wander_v == 0.0 {
            until_s - after_s
        } else {
            self.wander_s.min(1.0 / self.hum_hz) / STEPS_A_PERIOD
        };
        let mut from_s = after_s;
        while from_s < until_s {
            let to_s = (from_s + step_s).min(until_s).max(from_s.next_up());
            if let Some(at_s) = signal(level_v - self.at(0.5 * (from_s + to_s)), slope, from_s, to_s) {
                return Some(at_s);
            }
            from_s = to_s;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HUM: Beside = Beside { offset_v: 1.0, hum_v: 2.0, hum_hz: 50.0, wander_v: 0.0, wander_s: 2.0 };

    #[test]
    fn samples_and_extremes_get_it() {
        let mut volts = [0.5; 4];
        HUM.add(0.0, 5e-3, &mut volts);
        for (volts, expected) in volts.iter().zip([1.5, 2.5, 1.5, 0.5]) {
            assert!((volts - expected).abs() < 1e-9, "{volts} instead of {expected}");
        }
        let mut pairs = [(0.0, 0.25)];
        HUM.add_extremes(0.0, 20e-3, &mut pairs);
        assert!((pairs[0].0 - 0.0).abs() < 1e-9 && (pairs[0].1 - 2.25).abs() < 1e-9, "{pairs:?}");
    }

    #[test]
    fn crossings_are_those_of_the_sum() {
        // A ramp of 100 V/s through nothing at 7 ms: with the hum it is elsewhere.
        let ramp = |level_v: f64, _: Slope, after_s: f64, until_s: f64| {
            Some(7e-3 + level_v / 100.0).filter(|at_s| *at_s > after_s && *at_s < until_s)
        };
        let at_s = HUM.crossing((1.0, Slope::Rising), (0.0, 0.1), ramp).expect("it is crossed");
        let sum_v = 100.0 * (at_s - 7e-3) + HUM.at(at_s);
        // Half a step of a sine's 64th.
        assert!((sum_v - 1.0).abs() < 0.06, "{sum_v} V at {at_s} s");
        assert_eq!(HUM.crossing((1.0, Slope::Rising), (0.0, 1e-3), ramp), None);
        assert_eq!(
            Beside::default().crossing((1.0, Slope::Rising), (0.0, 0.1), ramp),
            ramp(1.0, Slope::Rising, 0.0, 0.1)
        );
    }
}
