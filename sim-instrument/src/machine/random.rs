//! Numbers that look random and are not: each is a pure function of a seed and a place.
//!
//! The simulator must give the same answer to the same question, in whatever order it is asked, so
//! nothing here has a state that a question could change. Noise lives on a time grid of
//! [`NOISE_GRID_S`]; between two grid points it is their normalised mixture, so that every instant
//! has exactly unit variance.

use std::sync::LazyLock;

/// Spacing of the noise grid. The mixture's kernel has the area `sqrt(2) asinh(1) T`, so the equivalent
/// noise bandwidth is `1 / (4 asinh(1)^2 T)`: 8.0 MHz.
pub(crate) const NOISE_GRID_S: f64 = 40e-9;

/// Expected up-crossings of a high level, per grid interval, over `exp(-z^2 / 2)`: the mixture turns
/// a unit vector by a quarter turn each interval, and Rice's rate is that angle over a full turn.
pub(crate) const CROSSINGS_A_GRID: f64 = 0.25;

/// Mixes 64 bits so that each depends on all (a finaliser with two multiplications).
pub(crate) const fn mix(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A hash of a seed and a place.
pub(crate) const fn hash(seed: u64, place: i64) -> u64 {
    mix(seed ^ mix(place.cast_unsigned()))
}

/// Uniform in the open interval (0, 1).
pub(crate) fn uniform(bits: u64) -> f64 {
    ((bits >> 11) as f64 + 0.5) * (1.0 / 9_007_199_254_740_992.0)
}

const TABLE_BITS: u32 = 12;
const TABLE: usize = 1 << TABLE_BITS;

/// Normal quantiles at equal steps of probability; its ends are never used.
static QUANTILES: LazyLock<Vec<f64>> = LazyLock::new(|| {
    (0..=TABLE).map(|i| normal_quantile((i as f64).clamp(0.5, TABLE as f64 - 0.5) / TABLE as f64)).collect()
});

/// Natural logarithm of the upper tail, at steps of 1/64 from -9 to 39.
static LOG_TAIL: LazyLock<Vec<f64>> =
    LazyLock::new(|| (0..=48 * 64).map(|i| upper_tail(f64::from(i) / 64.0 - 9.0).ln()).collect());

/// A standard normal number from 64 hashed bits.
pub(crate) fn gauss(bits: u64) -> f64 {
    let place = (bits >> (64 - TABLE_BITS)) as usize;
    if place == 0 || place == TABLE - 1 {
        return normal_quantile(uniform(bits));
    }
    let share = (bits & 0xFFFF_FFFF) as f64 * (1.0 / 4_294_967_296.0);
    let (low, high) = (QUANTILES[place], QUANTILES[place + 1]);
    low + share * (high - low)
}

/// Probability that a standard normal number exceeds `z`.
pub(crate) fn upper_tail(z: f64) -> f64 {
    if z < 0.0 {
        return 1.0 - upper_tail(-z);
    }
    let density = (-0.5 * z * z).exp() * 0.398_942_280_401_432_7;
    if z < 2.5 {
        // Power series of the central part.
        let (mut term, mut sum, mut n) = (z, z, 1.0);
        while term > 1e-17 * sum {
            n += 2.0;
            term *= z * z / n;
            sum += term;
        }
        0.5 - density * sum
    } else {
        // Continued fraction of the Mills ratio, from the far end.
        let mut fraction = z;
        for k in (1..=60).rev() {
            fraction = z + f64::from(k) / fraction;
        }
        density / fraction
    }
}

/// `ln P(X > z)` by table, good to 1e-4; `z` is held within -9 to 39.
pub(crate) fn log_upper_tail(z: f64) -> f64 {
    let place = (z.clamp(-9.0, 38.98) + 9.0) * 64.0;
    let index = place as usize;
    let share = place - index as f64;
    LOG_TAIL[index] * (1.0 - share) + LOG_TAIL[index + 1] * share
}

/// The number that a standard normal number stays below with the given probability.
pub(crate) fn normal_quantile(probability: f64) -> f64 {
    if probability > 0.5 {
        return -normal_quantile(1.0 - probability);
    }
    // Start from the tail's leading term, then Newton on the logarithm, which is nearly a parabola.
    let target = probability.ln();
    let mut z =
        if probability < 0.1 { (-2.0 * target - (-2.0 * target).max(1.0).ln() - 1.84).max(0.1).sqrt() } else { 0.5 };
    for _ in 0..8 {
        let tail = upper_tail(z);
        let slope = -(-0.5 * z * z).exp() * 0.398_942_280_401_432_7 / tail;
        z -= (tail.ln() - target) / slope;
        z = z.clamp(-1.0, 38.0);
    }
    -z
}

/// One stream of unit-variance Gaussian noise in time. Remembers its last grid points, which is a
/// matter of speed only.
#[derive(Debug, Clone)]
pub(crate) struct Noise {
    seed: u64,
    index: i64,
    left: f64,
    right: f64,
}

impl Noise {
    /// The stream of a seed.
    pub(crate) fn new(seed: u64) -> Self {
        let mut noise = Self { seed, index: 0, left: 0.0, right: 0.0 };
        noise.seek(0);
        noise
    }

    fn seek(&mut self, index: i64) {
        self.left = if index == self.index + 1 { self.right } else { gauss(hash(self.seed, index)) };
        self.right = gauss(hash(self.seed, index + 1));
        self.index = index;
    }

    /// The values at the ends of an interval of the grid.
    pub(crate) fn interval(&mut self, index: i64) -> (f64, f64) {
        if index != self.index {
            self.seek(index);
        }
        (self.left, self.right)
    }

    /// The noise at an instant.
    pub(crate) fn at(&mut self, t_s: f64) -> f64 {
        let place = t_s * (1.0 / NOISE_GRID_S);
        let floor = place.floor();
        let index = floor as i64;
        if index != self.index {
            self.seek(index);
        }
        let share = place - floor;
        let rest = 1.0 - share;
        (self.left * rest + self.right * share) / (rest * rest + share * share).sqrt()
    }
}

/// A slow, smooth, irregular movement between -1 and 1 with about the given period: three sines of
/// no common period, phases by the seed.
pub(crate) fn irregular(t_s: f64, period_s: f64, seed: u64) -> f64 {
    let turn = core::f64::consts::TAU;
    let phase = |k| turn * uniform(hash(seed, k));
    let x = turn * t_s / period_s;
    (0.6 * (x + phase(1)).sin() + 0.3 * (1.618 * x + phase(2)).sin() + 0.25 * (0.437 * x + phase(3)).sin()) / 1.15
}

/// `cos(2 pi cycles)`, good to 2e-9 for any number of cycles that still has a fraction.
pub(crate) fn cos_cycles(cycles: f64) -> f64 {
    // Adding and taking off 1.5 * 2^52 rounds to the nearest integer without a library call.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    let r = cycles - ((cycles + ROUND) - ROUND);
    // Half angle, so that the series stays short: cos(2a) = 1 - 2 sin(a)^2 with |a| <= pi/2.
    let a = core::f64::consts::PI * r;
    let q = a * a;
    let s = a
        * (1.0
            + q * (-1.0 / 6.0
                + q * (1.0 / 120.0
                    + q * (-1.0 / 5040.0
                        + q * (1.0 / 362_880.0 + q * (-1.0 / 39_916_800.0 + q * (1.0 / 6_227_020_800.0)))))));
    1.0 - 2.0 * s * s
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantile_undoes_tail() {
        for p in [1e-9, 1e-5, 0.01, 0.2, 0.5, 0.7, 0.999] {
            let z = normal_quantile(p);
            let back = 1.0 - upper_tail(z);
            assert!((back / p - 1.0).abs() < 1e-6, "{p}: {z} gives {back}");
        }
        // Tables of the normal distribution: the upper 2.5 per cent lie above 1.959964.
        assert!((normal_quantile(0.975) - 1.959_964).abs() < 1e-5);
        assert!((log_upper_tail(4.0) - 3.167_124e-5_f64.ln()).abs() < 1e-3);
    }

    #[test]
    fn noise_has_unit_variance_everywhere_and_repeats() {
        let mut noise = Noise::new(7);
        let first: Vec<f64> = (0..200_000).map(|i| noise.at(f64::from(i) * 13e-9)).collect();
        let mean = first.iter().sum::<f64>() / 2e5;
        let variance = first.iter().map(|x| x * x).sum::<f64>() / 2e5 - mean * mean;
        assert!(mean.abs() < 0.02 && (variance - 1.0).abs() < 0.03, "{mean} {variance}");
        for i in (0..200_000).rev().step_by(997) {
            assert_eq!(noise.at(f64::from(i) * 13e-9).to_bits(), first[i as usize].to_bits());
        }
    }

    #[test]
    fn fast_cosine_agrees() {
        for i in 0..10_000 {
            let x = f64::from(i) * 0.377 - 1500.0;
            let exact = (core::f64::consts::TAU * (x - x.round())).cos();
            assert!((cos_cycles(x) - exact).abs() < 1e-8, "{x}");
        }
    }
}
