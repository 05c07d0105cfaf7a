//! The base line that a fast signal stands on: offset, drift, hum.
//!
//! Samples far apart against a carrier's cycle meet it at phases as good as random, so what goes slowly through a record is no
//! carrier. A polynomial over the record follows a whole period of hum to a few hundredths of it. Of what has any phase from sample to
//! sample it takes a little power, which its leverage tells; of a carrier whose alias lies clear of 0 it takes none.

/// Polynomials from the constant on.
const ORDERS: usize = 6;

/// Legendre's polynomials by the coefficients of their powers, from the constant on.
const LEGENDRE: [[f64; ORDERS]; ORDERS] = [
    [1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    [0.0, 1.0, 0.0, 0.0, 0.0, 0.0],
    [-0.5, 0.0, 1.5, 0.0, 0.0, 0.0],
    [0.0, -1.5, 0.0, 2.5, 0.0, 0.0],
    [0.375, 0.0, -3.75, 0.0, 4.375, 0.0],
    [0.0, 1.875, 0.0, -8.75, 0.0, 7.875],
];

/// Samples an order, at least; with fewer only the mean is taken off.
const LEAST_AN_ORDER: usize = 50;

/// The slow part is taken for hum or drift where its power is so many times what samples of any phase leave in it by chance (one in a
/// hundred is). Otherwise a bend would be taken off that is none, which shows where the carrier is weak.
const NO_CHANCE: f64 = 3.0;

/// A base line under samples that are as far apart as each other.
#[derive(Debug, Clone)]
pub(crate) struct BaseLine {
    /// Coefficients of the powers of a place, from -1 at the record's start to 1 at its end.
    by_power: [f64; ORDERS],
    /// Leverage of a sample: coefficients of the powers of its place's square.
    leverage: [f64; ORDERS],
    count: f64,
    /// Whether it bends: else it is the mean.
    bends: bool,
    /// Mean square of the samples above it.
    power_v2: f64,
    /// Mean square of a slow part that was left standing, since it may be chance.
    left_v2: f64,
}

/// A polynomial at a place.
fn at(by_power: &[f64; ORDERS], x: f64) -> f64 {
    by_power.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

impl BaseLine {
    /// Under some samples: with their slow part, where that is none by chance.
    pub(crate) fn under(volts: &[f32]) -> Self {
        let mean = Self::of_order(volts, 1).0;
        if volts.len() < ORDERS * LEAST_AN_ORDER {
            return mean;
        }
        let (line, slow_v2) = Self::of_order(volts, ORDERS);
        if slow_v2 < NO_CHANCE * (ORDERS as f64 - 1.0) * line.power_v2 / line.count {
            return Self { left_v2: slow_v2, ..mean };
        }
        line
    }

    /// Their mean.
    pub(crate) fn level(volts: &[f32]) -> Self {
        Self::of_order(volts, 1).0
    }

    /// Whether it is level, of enough samples to tell.
    pub(crate) fn is_surely_level(&self) -> bool {
        !self.bends && self.count >= (ORDERS * LEAST_AN_ORDER) as f64
    }

    /// By so many polynomials, and the mean square of all but the constant.
    fn of_order(volts: &[f32], orders: usize) -> (Self, f64) {
        let count = volts.len().max(1) as f64;
        let (by_power, leverage) = ([0.0; ORDERS], [0.0; ORDERS]);
        let mut line = Self { by_power, leverage, count, bends: orders > 1, power_v2: 0.0, left_v2: 0.0 };
        let mut by_order = [0.0; ORDERS];
        // Twice: at finitely many places the polynomials see a little of each other.
        for _ in 0..2 {
            let mut sums = [0.0; ORDERS];
            for (i, v) in volts.iter().enumerate() {
                let x = line.place(i);
                let mut power = f64::from(*v) - at(&line.by_power, x);
                for sum in &mut sums[..orders] {
                    *sum += power;
                    power *= x;
                }
            }
            for (n, of_order) in LEGENDRE.iter().enumerate().take(orders) {
                let sum: f64 = of_order.iter().zip(sums).map(|(c, sum)| c * sum).sum();
                let coefficient = (2.0 * n as f64 + 1.0) / count * sum;
                by_order[n] += coefficient;
                line.by_power.iter_mut().zip(of_order).for_each(|(all, c)| *all += coefficient * c);
            }
        }
        for (n, of_order) in LEGENDRE.iter().enumerate().take(orders) {
            let share = (2.0 * n as f64 + 1.0) / count;
            for (j, a) in of_order.iter().enumerate() {
                for (k, b) in of_order.iter().enumerate().filter(|(k, _)| (j + k) % 2 == 0) {
                    line.leverage[(j + k) / 2] += share * a * b;
                }
            }
        }
        line.power_v2 = volts.iter().enumerate().map(|(i, v)| line.square_above(i, *v)).sum::<f64>() / count;
        let slow_v2 = by_order.iter().enumerate().skip(1).map(|(n, c)| c * c / (2.0 * n as f64 + 1.0)).sum();
        (line, slow_v2)
    }

    /// How far a square above the line may be wrong at a place: by what of the carrier bends the line there, or by what was left standing.
    pub(crate) fn unsure_v2(&self, i: usize) -> f64 {
        if self.bends { self.power_v2 * at(&self.leverage, self.place(i).powi(2)) } else { self.left_v2 }
    }

    fn place(&self, i: usize) -> f64 {
        (2.0 * i as f64 + 1.0) / self.count - 1.0
    }

    /// Square of a sample's height above the base line, at its place from the first sample on.
    pub(crate) fn square_above(&self, i: usize, v: f32) -> f64 {
        (f64::from(v) - at(&self.by_power, self.place(i))).powi(2)
    }

    /// The same of what has any phase from sample to sample, with what the base line took of its power.
    pub(crate) fn square_of_any_phase(&self, i: usize, v: f32) -> f64 {
        let x = self.place(i);
        (f64::from(v) - at(&self.by_power, x)).powi(2) / (1.0 - at(&self.leverage, x * x)).max(0.5)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mean square above the base line, in the first tenth and over all, of noise with deviation 1 on what `beside` gives at each share of the
    /// record.
    fn powers(beside: impl Fn(f64) -> f64) -> [f64; 2] {
        let mut noise = crate::extremes::Noise::new(3);
        let (count, records) = (2_500, 40);
        let mut sums = [0.0; 2];
        for _ in 0..records {
            let noise_v = |n: &mut crate::extremes::Noise| (12.0_f64).sqrt() * (n.uniform() - 0.5);
            let volts: Vec<f32> =
                (0..count).map(|i| (noise_v(&mut noise) + beside(f64::from(i) / f64::from(count))) as f32).collect();
            let line = BaseLine::under(&volts);
            for (i, v) in volts.iter().enumerate() {
                let square = line.square_of_any_phase(i, *v);
                sums[1] += square / f64::from(records * count);
                if i < 250 {
                    sums[0] += square / f64::from(records) / 250.0;
                }
            }
        }
        sums
    }

    #[test]
    fn what_is_slow_is_taken_off_and_nothing_of_what_is_fast() {
        let hum = |phase: f64| move |x: f64| 0.7 * (core::f64::consts::TAU * (x + phase)).sin();
        let bare = powers(|_| 0.0);
        assert!(bare.iter().all(|power| (power - 1.0).abs() < 0.02), "{bare:?}");
        for phase in [0.0, 0.13, 0.25, 0.4] {
            let got = powers(hum(phase));
            for (got, bare) in got.iter().zip(bare) {
                assert!((got / bare - 1.0).abs() < 4e-3, "{phase}: {got}, without hum {bare}");
            }
        }
        let drift = powers(|x| 3.0 + 0.8 * x);
        assert!(drift.iter().zip(bare).all(|(got, bare)| (got / bare - 1.0).abs() < 4e-3), "{drift:?} {bare:?}");
    }
}
