//! Signals for the tests, with their truth: made here, from formulas, and by nothing of the house.
#![allow(dead_code, unreachable_pub, reason = "each test file uses a part")]

use tapewright_formats::definitions::SEGMENTS;
use tapewright_measure::Converter;
use tapewright_measure::carrier::Carrier;
use tapewright_measure::scan::{Head, Scan};

/// A seeded source of uniform and normal numbers.
pub struct Random(u64, Option<f64>);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ 0x1234_5678_9ABC_DEF1, None)
    }

    pub fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Sum of four uniform numbers has tails that are too short for extremes: Box and Muller.
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.1.take() {
            return spare;
        }
        let r = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        let (s, c) = (core::f64::consts::TAU * self.uniform()).sin_cos();
        self.1 = Some(r * s);
        r * c
    }
}

pub const CARRIER: Carrier =
    Carrier { sync_hz: 3.4e6, white_hz: 4.4e6, line_s: 572.0 / 9.0 * 1e-6, sync_tip_s: 4.7e-6, beside: None };

/// A scan shorter than the real one, so that many trials are cheap.
pub fn scan(lines: f64) -> Scan {
    Scan { head: Head::A, start_s: 0.0, end_s: lines * CARRIER.line_s, lines }
}

/// What is played.
#[derive(Clone, Copy)]
pub struct Rf {
    /// Level at sync tip against position, in volts.
    pub level: fn(f64) -> f64,
    /// Level at white over level at sync tip.
    pub white: f64,
    /// Colour-under amplitude over the carrier's, outside blanking.
    pub colour: f64,
    /// Standard deviation of the noise, in volts.
    pub noise_v: f64,
    /// The picture is bright at the bottom, else a ramp in each line.
    pub bright_bottom: bool,
    /// For peak detection: noise only where a sample may be an extreme.
    pub tops_only: bool,
}

/// 8 bits over 2.4 V, with a gain that is wrong by `error`.
pub fn converter(error: f64) -> Converter {
    Converter {
        gain_v: 2.4 / 250.0 * (1.0 + error),
        offset_v: 0.0,
        code_low: -125,
        code_high: 125,
        gain_uncertainty: 0.02,
        offset_uncertainty_v: 0.0,
    }
}

pub fn code(volts: f64) -> i16 {
    (volts / (2.4 / 250.0)).round().clamp(-125.0, 125.0) as i16
}

impl Rf {
    /// Samples at `rate_hz` from the start of a scan.
    pub fn samples(&self, scan: &Scan, rate_hz: f64, random: &mut Random, mut each: impl FnMut(f64)) {
        let (mut phase, mut under) =
            (random.uniform() * core::f64::consts::TAU, random.uniform() * core::f64::consts::TAU);
        let count = ((scan.end_s - scan.start_s) * rate_hz) as usize;
        let line_at = random.uniform();
        let span = CARRIER.white_hz - CARRIER.sync_hz;
        for i in 0..count {
            let t = i as f64 / rate_hz;
            let x = t / (scan.end_s - scan.start_s);
            let in_line = (t / CARRIER.line_s + line_at).fract() * CARRIER.line_s;
            let blanked = in_line < 10.9e-6;
            // Share of the way from sync tip to white; edges of a fifth of a microsecond.
            let share = if in_line < 4.7e-6 {
                0.0
            } else if in_line < 4.9e-6 {
                2.0 / 7.0 * (in_line - 4.7e-6) / 0.2e-6
            } else if blanked {
                2.0 / 7.0
            } else if self.bright_bottom {
                if x > 0.6 { 1.0 } else { 0.35 }
            } else {
                2.0 / 7.0 + 5.0 / 7.0 * (in_line - 10.9e-6) / 52.7e-6
            };
            phase += core::f64::consts::TAU * (CARRIER.sync_hz + span * share) / rate_hz;
            under += core::f64::consts::TAU * 629_371.0 / rate_hz;
            let level = (self.level)(x);
            let mut v = level * (1.0 + (self.white - 1.0) * share) * phase.cos();
            if !blanked && self.colour > 0.0 {
                v += level * self.colour * under.cos();
            }
            // Far below the tops no sample is an extreme: there noise is not worth its time.
            if self.tops_only && v.abs() < 0.9 * level * self.white - 7.0 * self.noise_v {
                each(v);
            } else {
                each(v + self.noise_v * random.normal());
            }
        }
    }

    /// The segments' levels by their definition.
    pub fn truth(&self, scan: &Scan) -> [f64; SEGMENTS] {
        let length = scan.end_s - scan.start_s;
        core::array::from_fn(|k| {
            let (a, b) = (scan.segment_start_s(k) / length, scan.segment_start_s(k + 1) / length);
            let mean =
                (0..200).map(|i| (self.level)(a + (b - a) * (f64::from(i) + 0.5) / 200.0).powi(2)).sum::<f64>() / 200.0;
            mean.sqrt()
        })
    }
}

/// How often intervals held the truth.
#[derive(Default)]
pub struct Coverage {
    pub held: u32,
    pub tries: u32,
    pub bias: f64,
    pub u: f64,
}

impl Coverage {
    pub fn add(&mut self, e: &tapewright_measure::Estimate, truth: f64) {
        self.held += u32::from(e.interval.low <= truth && truth <= e.interval.high);
        self.tries += 1;
        self.bias += e.value - truth;
        self.u += 0.25 * (e.interval.high - e.interval.low);
    }

    /// Asserts that the coverage is in bounds, and shows it with mean bias and mean half interval over 2.
    #[expect(clippy::print_stdout, reason = "the figures are what a reader of a verbose run looks for")]
    pub fn check(&self, what: &str, least: f64, most: f64) {
        let share = f64::from(self.held) / f64::from(self.tries);
        let n = f64::from(self.tries);
        println!("{what}: {share:.3} of {n}; bias {:.5}, half interval / 2 {:.5}", self.bias / n, self.u / n);
        assert!(
            (least..=most).contains(&share),
            "{what}: covered {share:.3} of {n} trials, bias {:.5}, u {:.5}",
            self.bias / n,
            self.u / n
        );
    }
}
