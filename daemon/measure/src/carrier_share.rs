//! How much of what stands on an RF point is a carrier, and how much noise.
//!
//! By the fourth moment over the squared second one, `q = E x^4 / (E x^2)^2`: 1.5 of a sine, 3 of normal noise, and `3 - 1.5
//! sum p_i^2` of independent sines and noise, with the sines' shares `p_i` of the power (cumulants of independent parts add). So `p =
//! sqrt((3 - q) / 1.5)` is the carrier's share where it stands alone. A frequency that sways changes nothing, nor do samples
//! far apart against its cycle; but a level that sways does, so records are shorter than a line. Several records, taken at
//! unrelated times, are pooled (`q = sum m4 / sum m2^2`: the strong ones count) and scatter as they do: jackknife over records.

use crate::error::{MeasureError, at_least};
use crate::estimate::{Contribution, Estimate, coverage_factor};
use crate::trace::Trace;

/// Fewer records tell no scatter.
pub const LEAST_RECORDS: usize = 4;

/// Fewer samples than this in a record make its moments lean.
const LEAST_SAMPLES: usize = 200;

/// Of so many equal sines `p` shows no more than one over the root: a second track beside the first. More would have to be
/// bounded otherwise; the upper end of the share is taken so much higher, and a little more, since a record holds few cycles of
/// their beat.
const SINES: f64 = 2.2;

/// A carrier's share of the power in some short records.
#[derive(Debug, Clone, PartialEq)]
pub struct CarrierShare {
    /// Share of the power that is a carrier's (unit 1).
    pub share: Estimate,
    /// Power of the strongest record, in V^2.
    greatest_power_v2: f64,
    /// A step of the converter, in volts: what lies within it does not show.
    step_v: f64,
}

impl CarrierShare {
    /// From records of some tens of microseconds each.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] for too few records or samples, [`MeasureError::Clipped`].
    pub fn of(records: &[Trace]) -> Result<Self, MeasureError> {
        at_least("records of a carrier", records.len(), LEAST_RECORDS)?;
        let mut moments = Vec::new();
        let mut step_v: f64 = 0.0;
        for record in records {
            at_least("samples of a carrier", record.volts().len(), LEAST_SAMPLES)?;
            record.conversion().demand_unclipped("the record of a carrier")?;
            step_v = step_v.max(record.conversion().step_v);
            moments.push(second_and_fourth(record.volts()));
        }
        let greatest_power_v2 = moments.iter().map(|(second, _)| *second).fold(0.0, f64::max);
        Ok(Self { share: share_of(&moments)?, greatest_power_v2, step_v })
    }

    /// Least and greatest volts, peak to peak, that the carrier can have in the strongest record.
    #[must_use]
    pub fn peak_to_peak_v(&self) -> (f64, f64) {
        let of = |share: f64| 2.0 * (2.0 * share * self.greatest_power_v2).sqrt();
        (of(self.share.interval.low), of(self.share.interval.high) + self.step_v)
    }

    /// Root mean square of the strongest record, in volts.
    #[must_use]
    pub fn greatest_v(&self) -> f64 {
        self.greatest_power_v2.sqrt()
    }

    /// Most volts, root mean square, that all but the carrier can have.
    #[must_use]
    pub fn most_noise_v(&self) -> f64 {
        ((1.0 - self.share.interval.low) * self.greatest_power_v2).sqrt()
    }
}

/// Second and fourth moment about the mean.
fn second_and_fourth(volts: &[f32]) -> (f64, f64) {
    let n = volts.len() as f64;
    let mean = volts.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let (second, fourth) = volts.iter().fold((0.0, 0.0), |(second, fourth), v| {
        let square = (f64::from(*v) - mean).powi(2);
        (second + square, square.mul_add(square, fourth))
    });
    (second / n, fourth / n)
}

fn share_of(moments: &[(f64, f64)]) -> Result<Estimate, MeasureError> {
    let (seconds, fourths) =
        moments.iter().fold((0.0, 0.0), |(s, f), (second, fourth)| (s + second * second, f + fourth));
    let count = moments.len() as f64;
    let without: Vec<f64> =
        moments.iter().map(|(second, fourth)| (fourths - fourth) / (seconds - second * second)).collect();
    if !without.iter().all(|q| q.is_finite()) {
        // Nothing, or nothing but in one record: anything may be in it.
        return Estimate::with_interval(0.0, 0.0, 1.0, 0.5, None, Vec::new());
    }
    let mean = without.iter().sum::<f64>() / count;
    let q = count * (fourths / seconds) - (count - 1.0) * mean;
    let u = ((count - 1.0) / count * without.iter().map(|one| (one - mean).powi(2)).sum::<f64>()).sqrt();
    let reach = coverage_factor(Some(count - 1.0)) * u;
    let share = |q: f64| ((3.0 - q) / 1.5).clamp(0.0, 1.0).sqrt();
    let (value, low) = (share(q), share(q + reach));
    let high = (SINES.sqrt() * share(q - reach)).min(1.0);
    let scatter = Contribution::type_a("scatter over records", 0.5 * (share(q - u) - share(q + u)), count - 1.0);
    Estimate::with_interval(value, low, high, scatter.standard_uncertainty, Some(count - 1.0), vec![scatter])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;
    use tapewright_formats::Interval;

    /// Records of 50 us at 20 MS/s: sines by amplitude and frequency, and noise, white or of a band of 1 MHz.
    fn records(random: &mut Noise, sines: &[(f64, f64)], noise_v: f64, narrow: bool) -> Vec<Trace> {
        let dt_s = 5e-8;
        let record = |random: &mut Noise| {
            let phases: Vec<f64> = sines.iter().map(|_| random.uniform()).collect();
            // A resonance at 4 MHz: a pair of poles, whose output is brought back to unit power.
            let (turn, r) = (core::f64::consts::TAU * 4e6 * dt_s, 1.0 - core::f64::consts::PI * 1e6 * dt_s);
            let (mut last, mut before) = (0.0, 0.0);
            let gain = ((1.0 - r * r) * (1.0 - 2.0 * r * r * (2.0 * turn).cos() + r.powi(4)) / (1.0 + r * r)).sqrt();
            let mut next = |random: &mut Noise| {
                let white = random.normal();
                if !narrow {
                    return white;
                }
                let now = gain * white + 2.0 * r * turn.cos() * last - r * r * before;
                (before, last) = (last, now);
                now
            };
            for _ in 0..200 {
                next(random);
            }
            let volts = (0..1000).map(|i| {
                let t = f64::from(i) * dt_s;
                let tone =
                    |((a, hz), phase): (&(f64, f64), &f64)| a * (core::f64::consts::TAU * (hz * t + phase)).cos();
                (sines.iter().zip(&phases).map(tone).sum::<f64>() + noise_v * next(random)) as f32
            });
            Trace::from_volts(0.0, dt_s, volts.collect()).unwrap()
        };
        (0..5).map(|_| record(random)).collect()
    }

    #[test]
    fn a_carrier_is_told_from_noise_and_its_share_held() {
        let carrier: &[(f64, f64)] = &[(0.2, 3.9e6)];
        for (what, sines, noise_v, narrow, truth, least_told) in [
            ("a carrier", carrier, 0.003, false, 1.0, Some(0.9)),
            ("a carrier and colour under it", &[(0.2, 3.9e6), (0.06, 629e3)][..], 0.003, false, 1.0, Some(0.7)),
            ("two tracks alike", &[(0.2, 3.9e6), (0.2, 4.3e6)][..], 0.003, false, 1.0, None),
            ("a carrier in as much noise", carrier, 0.141_421, false, 0.5, None),
            ("noise", &[][..], 0.1, false, 0.0, None),
            ("noise of a narrow band", &[][..], 0.1, true, 0.0, None),
        ] {
            let mut random = Noise::new(11);
            let (mut held, tries) = (0, 200);
            for _ in 0..tries {
                let told = CarrierShare::of(&records(&mut random, sines, noise_v, narrow)).unwrap();
                let Interval { low, high, .. } = told.share.interval;
                held += usize::from(low <= truth && truth <= high);
                assert!(least_told.is_none_or(|least| low >= least), "{what}: {:?}", told.share);
                // No noise is ever taken for a carrier.
                assert!(truth > 0.4 || low < 0.7, "{what}: {:?}", told.share);
            }
            assert!(held * 100 >= 93 * tries, "{what}: held {held} of {tries}");
        }
    }

    #[test]
    fn volts_of_the_carrier_lie_between_its_bounds() {
        let mut random = Noise::new(3);
        for (carrier_v, noise_v) in [(0.2, 0.002), (0.2, 0.1), (0.0, 0.1)] {
            let told = CarrierShare::of(&records(&mut random, &[(carrier_v, 4.1e6)], noise_v, false)).unwrap();
            let (low, high) = told.peak_to_peak_v();
            assert!(low <= 2.0 * carrier_v * 1.02 && 2.0 * carrier_v <= high * 1.02, "{carrier_v}: {low} to {high}");
        }
    }

    #[test]
    fn what_tells_nothing_leaves_it_open() {
        let quiet = Trace::from_volts(0.0, 5e-8, vec![0.0; 1000]).unwrap();
        let mut random = Noise::new(7);
        let one = records(&mut random, &[(0.2, 4e6)], 0.0, false).remove(0);
        for records in [vec![quiet.clone(); 5], [vec![quiet.clone(); 4], vec![one]].concat()] {
            let told = CarrierShare::of(&records).unwrap();
            assert_eq!((told.share.interval.low, told.share.interval.high), (0.0, 1.0));
        }
        let short = Trace::from_volts(0.0, 5e-8, vec![0.0; 100]).unwrap();
        for records in [vec![quiet; 3], vec![short; 6]] {
            assert!(matches!(CarrierShare::of(&records), Err(MeasureError::TooShort { .. })));
        }
    }
}
