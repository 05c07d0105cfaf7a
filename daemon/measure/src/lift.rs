//! How far noise lifts the greatest of many samples of a carrier, and the way back.
//!
//! Model: in a bin the carrier `a cos(phi)` is seen at `looks` independent instants of noise of
//! standard deviation 1, evenly over the phases of `cycles` cycles. The greatest stays below `y` with
//! probability `exp(sum ln Phi(y - a cos(phi)))`. Where the noise is slow against the top of a cycle,
//! a cycle still counts as one look at its very top. The mean of the greatest follows by integration;
//! half of greatest less least has the same mean, by symmetry.

use crate::special::ln_normal_cdf;

/// Mean and standard deviation of the greatest of `looks` standard normal values.
pub(crate) fn greatest_of_noise(looks: f64) -> (f64, f64) {
    let (low, step) = (-4.0, 0.02);
    let (mut mean, mut square, mut before) = (0.0, 0.0, 0.0);
    for i in 0..600 {
        let y = low + step * f64::from(i);
        let f = (looks * ln_normal_cdf(y)).exp();
        let middle = y - 0.5 * step;
        mean += middle * (f - before);
        square += middle * middle * (f - before);
        before = f;
    }
    (mean, (square - mean * mean).max(0.0).sqrt())
}

/// A part of what the greatest is taken of.
#[derive(Clone, Copy)]
pub(crate) struct Part {
    /// Its carrier's amplitude over the one that is looked for.
    pub(crate) amplitude: f64,
    /// Independent looks.
    pub(crate) looks: f64,
    /// Cycles of the carrier.
    pub(crate) cycles: f64,
}

/// Tops of the phases of one part that matter, and looks at each.
struct Tops {
    tops: [f64; PHASES],
    weight: f64,
    cycles: f64,
    top: f64,
}

const PHASES: usize = 16;

impl Tops {
    fn new(q: f64, part: &Part) -> Self {
        let top = q * part.amplitude;
        // Phases further down than eight deviations below the top cannot be the greatest.
        let reach = if top > 4.0 { (1.0 - 8.0 / top).max(-1.0).acos() } else { core::f64::consts::PI };
        let looks = part.looks.clamp(0.2, 1e9);
        Self {
            tops: core::array::from_fn(|i| top * (reach * (i as f64 + 0.5) / PHASES as f64).cos()),
            weight: looks * reach / core::f64::consts::PI / PHASES as f64,
            cycles: part.cycles.clamp(0.1, looks),
            top,
        }
    }

    /// Logarithm of the probability that the part stays below `y`.
    fn below(&self, y: f64) -> f64 {
        if y > self.top + 7.0 {
            return 0.0;
        }
        let over_phases = self.weight * self.tops.iter().map(|t| ln_normal_cdf(y - t)).sum::<f64>();
        over_phases.min(self.cycles * ln_normal_cdf(y - self.top))
    }
}

/// Mean of the greatest, for a carrier of amplitude `q` in standard deviations of the noise.
fn greatest_of_carrier(q: f64, parts: &[Part]) -> f64 {
    let tops: Vec<Tops> = parts.iter().map(|p| Tops::new(q, p)).collect();
    let step = 0.125;
    let (mut y, mut below) = (q - 8.0, 0.0);
    while y < q + 7.0 {
        below += step * tops.iter().map(|t| t.below(y)).sum::<f64>().exp();
        y += step;
    }
    y - below - 0.5 * step
}

/// Ends of the stretches of a colour-under cycle, in radians from its crest, that are told apart; beyond the last nothing
/// can be the greatest.
const COLOUR_PHASES: [f64; 7] = [0.0, 0.12, 0.25, 0.4, 0.6, 0.9, 1.4];

/// A patch in which colour makes `share` of the whole amplitude: the carrier's crests stand as high as the colour is
/// at their time, so that high ones come seldom.
pub(crate) fn with_colour(patch: Part, share: f64) -> impl Iterator<Item = Part> {
    COLOUR_PHASES.windows(2).map(move |phases| {
        let part = (phases[1] - phases[0]) / core::f64::consts::PI;
        let cosine = (phases[1].sin() - phases[0].sin()) / (phases[1] - phases[0]);
        Part {
            amplitude: patch.amplitude * (1.0 - share * (1.0 - cosine)),
            looks: patch.looks * part,
            cycles: patch.cycles * part,
        }
    })
}

/// The mean half range against the amplitude, both over the noise's standard deviation, tabulated.
pub(crate) struct Lift {
    /// Amplitudes.
    q: Vec<f64>,
    /// Mean half ranges.
    seen: Vec<f64>,
}

impl Lift {
    /// For one carrier at so many looks and cycles.
    pub(crate) fn new(looks: f64, cycles: f64) -> Self {
        let half = Part { amplitude: 1.0, looks: 0.5 * looks, cycles: 0.5 * cycles };
        Self::of(&[half, half])
    }

    /// For parts, the strongest of amplitude 1.
    pub(crate) fn of(parts: &[Part]) -> Self {
        let q: Vec<f64> = (0..44).map(|i| if i == 0 { 0.0 } else { 0.25 * 1.22_f64.powi(i) }).collect();
        let mut seen: Vec<f64> = q.iter().map(|q| greatest_of_carrier(*q, parts)).collect();
        // Rising by nature; keep it so against the grid of the integration.
        for i in 1..seen.len() {
            seen[i] = seen[i].max(seen[i - 1] + 1e-9);
        }
        Self { q, seen }
    }

    /// The amplitude behind a mean half range. 0 where noise alone explains it.
    pub(crate) fn amplitude(&self, seen: f64) -> f64 {
        let place = self.seen.partition_point(|s| *s <= seen);
        if place == 0 {
            return 0.0;
        }
        let last = self.q.len() - 1;
        if place > last {
            return seen - (self.seen[last] - self.q[last]);
        }
        let (s0, s1) = (self.seen[place - 1], self.seen[place]);
        self.q[place - 1] + (seen - s0) / (s1 - s0) * (self.q[place] - self.q[place - 1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;

    /// Control-chart factor d2 is twice the mean of the greatest: d2 computed by integration, A2 and E2 as a handbook prints
    /// them, for 2 to 5 values.
    #[test]
    #[expect(clippy::approx_constant, reason = "d2 of two as it is printed, held against what is computed")]
    fn the_greatest_of_normal_values_has_its_tabled_mean() {
        for (n, d2, a2, e2) in [
            (2.0_f64, 1.128_38, 1.880, 2.659),
            (3.0, 1.692_57, 1.023, 1.772),
            (4.0, 2.058_75, 0.729, 1.457),
            (5.0, 2.325_93, 0.577, 1.290),
        ] {
            let got = 2.0 * greatest_of_noise(n).0;
            for (what, got, want, half) in
                [("d2", got, d2, 5e-6), ("A2", 3.0 / (got * n.sqrt()), a2, 5e-4), ("E2", 3.0 / got, e2, 5e-4)]
            {
                assert!((got - want).abs() <= half, "{what} of {n}: {got}, printed {want}");
            }
        }
    }

    /// Bins of samples 25 a cycle, noise independent from sample to sample or smoothed over four.
    #[test]
    fn amplitudes_come_back_from_simulated_bins() {
        let (samples_a_cycle, cycles) = (25.0, 45.0);
        let mut noise = Noise::new(3);
        for smooth in [1_usize, 4] {
            let samples = (samples_a_cycle * cycles) as usize;
            let lift = Lift::new(samples as f64 / smooth as f64, cycles);
            for q in [4.0, 8.0, 15.0, 30.0, 60.0, 120.0] {
                let trials = 300;
                let mut sum = 0.0;
                for _ in 0..trials {
                    let start = noise.uniform();
                    let (mut low, mut high) = (f64::MAX, f64::MIN);
                    let mut window = [0.0; 4];
                    for i in 0..samples + smooth {
                        window[i % smooth] = noise.normal();
                        let n = window[..smooth].iter().sum::<f64>() / (smooth as f64).sqrt();
                        let v = q * (core::f64::consts::TAU * (start + i as f64 / samples_a_cycle * 1.003)).cos() + n;
                        if i >= smooth {
                            low = low.min(v);
                            high = high.max(v);
                        }
                    }
                    sum += 0.5 * (high - low);
                }
                let got = lift.amplitude(sum / f64::from(trials));
                assert!((got - q).abs() < 0.3 + 0.002 * q, "{q}, smoothed over {smooth}: {got}");
            }
        }
        let lift = Lift::new(1000.0, 45.0);
        assert_eq!(lift.amplitude(0.1), 0.0);
        assert!((lift.amplitude(5000.0) - 5000.0).abs() < 5.0);
    }
}
