//! Long records of the rail: what it does more slowly than the slow ones show.

use crate::slow::record;
use tapewright_sdk::measure::ripple::{Ripple, Wander, wander};
use tapewright_sdk::prelude::*;

/// Spans and points of two long records, of unlike rates.
const LONG: [(f64, u32); 2] = [(2.5, 2500), (3.1, 2311)];

/// Looks at a long record, with the slow ones beside it, and where aliases of fast ripple may be what it shows, at another: an alias
/// does not stand in both. None: the scope takes none so long.
pub(crate) fn look(slow: &[Trace], fast: Option<&Ripple>) -> Result<Option<f64>> {
    let take = |plan: (f64, u32)| record((plan.0, plan.1.min(abilities().greatest_points)));
    decide(slow, fast, take)
}

fn decide(
    slow: &[Trace],
    fast: Option<&Ripple>,
    mut take: impl FnMut((f64, u32)) -> Result<(Trace, f64)>,
) -> Result<Option<f64>> {
    let fast = fast.map_or(&[][..], |fast| &fast.parts);
    let mut least: Option<Wander> = None;
    for plan in LONG {
        let long = match take(plan) {
            Ok((long, _)) => long,
            Err(unable) if matches!(unable.code, UnableCode::NotPossible | UnableCode::TooShort) => continue,
            Err(unable) => return Err(unable),
        };
        let seen = wander(&long, slow, fast)?;
        if seen.peak_to_peak_v == 0.0 || !seen.aliased {
            return Ok(Some(seen.peak_to_peak_v));
        }
        least = least.filter(|least| least.peak_to_peak_v <= seen.peak_to_peak_v).or(Some(seen));
    }
    Ok(least.map(|least| least.peak_to_peak_v))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{FAST, FAST_HZ, SLOW};
    use std::f64::consts::TAU;
    use tapewright_sdk::measure::ripple::ripple;

    /// A rail of 12 V: peak to peak and frequency of its sines, volts of a step between two records.
    struct Rail {
        sines: &'static [(f64, f64)],
        noise_v: f64,
        step_v: f64,
    }

    impl Rail {
        /// A record some time after the others, as a converter gives it.
        fn record(&self, (span_s, points): (f64, u32), start_s: f64) -> Trace {
            let mut state = (1e6 * (start_s + span_s)) as u64 + 99;
            let mut uniform = move || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (state >> 11) as f64 / (1_u64 << 53) as f64
            };
            let dt_s = span_s / f64::from(points);
            let volts = (0..points).map(|i| {
                let t = start_s + f64::from(i) * dt_s;
                let noise = (uniform() + uniform() + uniform() - 1.5) * 2.0 * self.noise_v;
                let wave: f64 = self.sines.iter().map(|(v, hz)| 0.5 * v * (TAU * (hz * t).fract()).cos()).sum();
                let stands = if start_s > 5.0 { 12.0 + self.step_v } else { 12.0 };
                ((stands + wave + noise) / 0.004).round() as f32 * 0.004
            });
            Trace::from_volts(0.0, dt_s, volts.collect()).unwrap()
        }

        fn seen(&self) -> f64 {
            let slow = [self.record(SLOW[0], 0.0), self.record(SLOW[1], 0.77)];
            let fast = [self.record(FAST[0], 1.31), self.record(FAST[1], 1.97)];
            let fast = ripple(&fast[0], &fast[1], FAST_HZ, 5e-5).unwrap();
            let mut start_s = 5.2;
            let take = |plan| {
                start_s += 4.1;
                Ok((self.record(plan, start_s), 5e-5))
            };
            decide(&slow, Some(&fast), take).unwrap().unwrap()
        }
    }

    /// Sines and noise of a rail, a step of it, and what is seen of its wandering: least and greatest.
    #[test]
    fn what_is_slower_than_ripple_is_seen_and_ripple_is_none_of_it() {
        for (sines, noise_v, step_v, low, high) in [
            (&[(0.6, 1.0)][..], 1e-3, 0.0, 0.6, 0.75),
            (&[(0.6, 0.4)], 1e-3, 0.0, 0.55, 0.75),
            (&[(0.6, 4.0)], 1e-3, 0.0, 0.6, 0.75),
            (&[(0.6, 1.0), (0.6, 71.3e3)], 1e-3, 0.0, 0.6, 0.9),
            (&[(0.05, 120.0)], 1e-3, 0.3, 0.3, 0.4),
            (&[(0.6, 120.0)], 1e-3, 0.0, 0.0, 0.0),
            (&[(0.6, 50.0), (0.2, 100.0)], 1e-3, 0.0, 0.0, 0.0),
            (&[(0.6, 71.3e3), (0.07, 213.9e3)], 1e-3, 0.0, 0.0, 0.0),
            // At the rate of the first long record an alias upon the mean.
            (&[(0.6, 72e3)], 1e-3, 0.0, 0.0, 0.0),
            (&[(0.6, 72_003.0)], 1e-3, 0.0, 0.0, 0.05),
            (&[], 0.1, 0.0, 0.0, 0.0),
        ] {
            let seen = Rail { sines, noise_v, step_v }.seen();
            assert!((low..=high).contains(&seen), "{sines:?}, {noise_v}, {step_v}: {seen}, expected {low} to {high}");
        }
    }
}
