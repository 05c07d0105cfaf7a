//! A small seeded generator: one seed and one stream name give one row of numbers, on every machine.

/// Counter-based generator: its state is one word, and streams never meet in practice.
///
/// The mixing function is the 64-bit finaliser of a linear counter (common practice, from memory).
#[derive(Debug, Clone)]
pub(crate) struct Rng {
    state: u64,
    spare: Option<f64>,
}

const STEP: u64 = 0x9E37_79B9_7F4A_7C15;

fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Rng {
    /// The row of numbers of one seed for one purpose.
    ///
    /// Never inlined: unrolled over the letters of a constant purpose inside a loop, each mixing uses its
    /// value several times, and the vectoriser of LLVM 22 walks that chain in exponential time, so
    /// that an optimised build never ends.
    #[inline(never)]
    pub(crate) fn new(seed: u64, purpose: &str, number: u64) -> Self {
        let mut state = mix(seed.wrapping_add(STEP));
        for byte in purpose.bytes() {
            state = mix(state ^ u64::from(byte)).wrapping_add(STEP);
        }
        Self { state: mix(state ^ number.wrapping_mul(STEP)), spare: None }
    }

    pub(crate) fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(STEP);
        mix(self.state)
    }

    /// Evenly in (0, 1): neither end is ever drawn.
    pub(crate) fn unit(&mut self) -> f64 {
        ((self.next_u64() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    /// Evenly in (-1, 1).
    pub(crate) fn symmetric(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// Normal with mean 0 and standard deviation 1, by the polar method.
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        loop {
            let (x, y) = (self.symmetric(), self.symmetric());
            let square = x * x + y * y;
            if square < 1.0 && square > 0.0 {
                let scale = (-2.0 * square.ln() / square).sqrt();
                self.spare = Some(y * scale);
                return x * scale;
            }
        }
    }

    /// The greatest of `count` normal draws, drawn at once from its exact distribution.
    pub(crate) fn greatest_normal(&mut self, count: f64) -> f64 {
        if count <= 1.0 {
            return self.normal();
        }
        let tail = -(self.unit().ln() / count).exp_m1();
        -inverse_normal(tail)
    }
}

/// Inverse of the normal distribution function: rational approximation, relative error about 1e-9
/// (common practice, from memory).
fn inverse_normal(p: f64) -> f64 {
    const A: [f64; 6] = [
        -3.969_683_028_665_376e1,
        2.209_460_984_245_205e2,
        -2.759_285_104_469_687e2,
        1.383_577_518_672_69e2,
        -3.066_479_806_614_716e1,
        2.506_628_277_459_239,
    ];
    const B: [f64; 5] = [
        -5.447_609_879_822_406e1,
        1.615_858_368_580_409e2,
        -1.556_989_798_598_866e2,
        6.680_131_188_771_972e1,
        -1.328_068_155_288_572e1,
    ];
    const C: [f64; 6] = [
        -7.784_894_002_430_293e-3,
        -3.223_964_580_411_365e-1,
        -2.400_758_277_161_838,
        -2.549_732_539_343_734,
        4.374_664_141_464_968,
        2.938_163_982_698_783,
    ];
    const D: [f64; 4] =
        [7.784_695_709_041_462e-3, 3.224_671_290_700_398e-1, 2.445_134_137_142_996, 3.754_408_661_907_416];
    let horner = |c: &[f64], x: f64| c.iter().fold(0.0, |sum, k| sum * x + k);
    let p = p.clamp(1e-300, 1.0 - 1e-16);
    if p < 0.024_25 {
        let q = (-2.0 * p.ln()).sqrt();
        horner(&C, q) / (horner(&D, q) * q + 1.0)
    } else if p > 1.0 - 0.024_25 {
        let q = (-2.0 * (1.0 - p).ln()).sqrt();
        -horner(&C, q) / (horner(&D, q) * q + 1.0)
    } else {
        let q = p - 0.5;
        let r = q * q;
        horner(&A, r) * q / (horner(&B, r) * r + 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_and_repeatability() {
        let mut rng = Rng::new(7, "test", 0);
        let draws: Vec<f64> = (0..200_000).map(|_| rng.normal()).collect();
        let mean = draws.iter().sum::<f64>() / draws.len() as f64;
        let variance = draws.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / draws.len() as f64;
        assert!(mean.abs() < 0.01, "{mean}");
        assert!((variance - 1.0).abs() < 0.02, "{variance}");
        let mut again = Rng::new(7, "test", 0);
        assert_eq!(again.normal().to_bits(), draws[0].to_bits());
        assert_ne!(Rng::new(7, "other", 0).next_u64(), Rng::new(7, "test", 0).next_u64());
        assert_ne!(Rng::new(7, "test", 1).next_u64(), Rng::new(7, "test", 0).next_u64());
    }

    #[test]
    fn greatest_of_many_agrees_with_drawing_them() {
        let mut rng = Rng::new(3, "greatest", 0);
        let many = 4000;
        let direct = (0..many).map(|_| (0..50).map(|_| rng.normal()).fold(f64::MIN, f64::max)).sum::<f64>();
        let at_once = (0..many).map(|_| rng.greatest_normal(50.0)).sum::<f64>();
        let (direct, at_once) = (direct / f64::from(many), at_once / f64::from(many));
        // Standard error of each mean is about 0.47 / sqrt(4000) = 0.0075.
        assert!((direct - at_once).abs() < 0.04, "{direct} against {at_once}");
    }
}
