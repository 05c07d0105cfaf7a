//! Signals with their exact values, from formulas, and captures of the simulated machine.

pub(crate) mod sound;
pub(crate) mod tape;
pub(crate) mod trains;
pub(crate) mod video;

use sim_instrument::machine::{Machine, MachineConfig};
use sim_instrument::source::{Point, Source};
use tapewright_formats::definitions::SEGMENTS;
use tapewright_formats::{Mode, Signal};
use tapewright_measure::scan::{Head, Scan};

/// Lines of a scan and their rate, 525 lines.
const LINES: f64 = 262.5;
const LINE_HZ: f64 = 4.5e6 / 286.0;
const SYNC_HZ: f64 = 3.4e6;
const WHITE_HZ: f64 = 4.4e6;

const TURN: f64 = core::f64::consts::TAU;

/// One scan of 525 lines.
pub(crate) fn scan() -> Scan {
    Scan { head: Head::A, start_s: 0.0, end_s: LINES / LINE_HZ, lines: LINES }
}

fn amplitude_v(x: f64) -> f64 {
    0.2 * (1.0 - 0.35 * ((x - 0.6) / 0.4).clamp(0.0, 1.0).powi(2))
}

/// A seeded source of normal numbers (Box and Muller over xorshift64).
struct Normal(u64);

impl Normal {
    /// Seeds that are alike give numbers that are not (finaliser of splitmix64).
    const fn of(seed: u64) -> Self {
        let mut x = seed.wrapping_add(0x9E37_79B9_7F4A_7C15);
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        Self((x ^ (x >> 31)) | 1)
    }

    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn next(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (TURN * self.uniform()).cos()
    }
}

/// Mean and standard deviation.
pub(crate) fn mean_and_deviation(values: &[f64]) -> [f64; 2] {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    [mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt()]
}

/// RF of one scan in so many samples: an FM carrier that follows a picture of eight steps and falls with frequency;
/// colour-under; noise of 2 mV. `amplitude_v` is the carrier's at sync tip, by the share of the scan.
pub(crate) fn fm(count: usize, seed: u64, amplitude_v: impl Fn(f64) -> f64) -> Vec<f64> {
    let rate_hz = count as f64 * LINE_HZ / LINES;
    let mut normal = Normal::of(seed);
    let (mut phase, mut volts) = (0.0_f64, Vec::with_capacity(count));
    for i in 0..count {
        let t = i as f64 / rate_hz;
        let us = (t * LINE_HZ).fract() / LINE_HZ * 1e6;
        let luma = if us < 4.7 {
            0.0
        } else if us < 10.9 {
            0.286
        } else {
            ((1.0 - ((us - 10.9) / 52.7 * 8.0).floor() / 8.0) * 0.714 + 0.286).clamp(0.286, 1.0)
        };
        phase = (phase + (SYNC_HZ + (WHITE_HZ - SYNC_HZ) * luma) / rate_hz).fract();
        let response = 1.0 - 0.15 * luma;
        let under = if us > 10.9 { 0.1 * (TURN * 40.0 * LINE_HZ * t).cos() } else { 0.0 };
        volts
            .push(amplitude_v(t * LINE_HZ / LINES) * (response * (TURN * phase).cos() + under) + 0.002 * normal.next());
    }
    volts
}

/// That RF, sagging towards the exit, as codes of 4 mV.
pub(crate) fn rf(count: usize) -> Vec<i16> {
    let code = |v: &f64| (v / 0.004).round().clamp(-128.0, 127.0) as i16;
    fm(count, 0x1234_5678_9ABC_DEF1, amplitude_v).iter().map(code).collect()
}

/// The noise of [`rf`] alone.
pub(crate) fn quiet(count: usize) -> Vec<f32> {
    let mut normal = Normal::of(0x0DDB_1A5E_5BAD_5EED);
    (0..count).map(|_| (0.002 * normal.next()) as f32).collect()
}

/// The exact levels of that scan: root mean square of the amplitude over each segment.
pub(crate) fn rf_levels() -> Vec<f64> {
    let (scan, length) = (scan(), scan().end_s);
    (0..SEGMENTS)
        .map(|k| {
            let (a, b) = (scan.segment_start_s(k) / length, scan.segment_start_s(k + 1) / length);
            let square = |i: i32| amplitude_v(a + (b - a) * (f64::from(i) + 0.5) / 500.0).powi(2);
            ((0..500).map(square).sum::<f64>() / 500.0).sqrt()
        })
        .collect()
}

/// Volts of a point of a healthy machine in play.
pub(crate) fn played(signal: Signal, count: usize, dt_s: f64) -> Vec<f32> {
    let config = MachineConfig { tape: Some("alignment".into()), ..MachineConfig::default() };
    let mut machine = Machine::new(config, 1).expect("the default machine");
    machine.key(Mode::Play, 0.0);
    let mut volts = vec![0.0; count];
    machine.samples(Point::Signal(signal), 12.0, dt_s, 20e6, &mut volts);
    volts.into_iter().map(|v| v as f32).collect()
}
