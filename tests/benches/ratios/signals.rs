//! Signals with their exact values, from formulas, and captures of the simulated machine.

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
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn next(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (core::f64::consts::TAU * self.uniform()).cos()
    }
}

/// RF of one scan in so many samples, as codes of 4 mV: an FM carrier that follows a picture of eight steps, sags
/// towards the exit and falls with frequency; colour-under; noise of 2 mV.
pub(crate) fn rf(count: usize) -> Vec<i16> {
    let rate_hz = count as f64 * LINE_HZ / LINES;
    let mut normal = Normal(0x1234_5678_9ABC_DEF1);
    let (mut phase, mut codes) = (0.0_f64, Vec::with_capacity(count));
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
        let under = if us > 10.9 { 0.1 * (core::f64::consts::TAU * 40.0 * LINE_HZ * t).cos() } else { 0.0 };
        let volts = amplitude_v(t * LINE_HZ / LINES) * (response * (core::f64::consts::TAU * phase).cos() + under)
            + 0.002 * normal.next();
        codes.push((volts / 0.004).round().clamp(-128.0, 127.0) as i16);
    }
    codes
}

/// The noise of [`rf`] alone.
pub(crate) fn quiet(count: usize) -> Vec<f32> {
    let mut normal = Normal(0x0DDB_1A5E_5BAD_5EED);
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

/// Level against time of a tape that slips at 0.21 Hz: ten seconds of a frame each.
pub(crate) const SLIP_HZ: f64 = 0.21;

/// See [`SLIP_HZ`].
pub(crate) fn slip(frame_rate_hz: f64) -> Vec<f64> {
    let mut normal = Normal(0x9E37_79B9_7F4A_7C15);
    // Overlap of a head as wide as its track: a triangle with a floor.
    let level = |t: f64| 0.2 * (1.0 - 2.0 * ((SLIP_HZ * t + 0.1).fract() - 0.5).abs()).max(0.045);
    (0..300).map(|n| level(f64::from(n) / frame_rate_hz) + 0.001 * normal.next()).collect()
}

/// Flutter's tone.
pub(crate) const TONE_HZ: f64 = 3150.0;

/// That tone with wow of 0.3 % at 3.5 Hz, and noise.
pub(crate) fn tone(count: usize, dt_s: f64) -> Vec<f32> {
    let mut normal = Normal(0xC0FF_EE00_1234_5671);
    let turn = core::f64::consts::TAU;
    let phase = |t: f64| turn * TONE_HZ * t - 0.003 * TONE_HZ / 3.5 * (turn * 3.5 * t).cos();
    (0..count).map(|i| (0.4 * phase(i as f64 * dt_s).cos() + 0.003 * normal.next()) as f32).collect()
}

/// Falls in [`falling`].
pub(crate) const FALLS: usize = 40;

/// Half ranges of RF in so many bins, with falls of 20 dB over seven bins each.
pub(crate) fn falling(count: usize) -> Vec<f32> {
    let mut normal = Normal(0xD20F_0075_0000_0021);
    let apart = count / FALLS;
    let falls = |i: usize| (apart / 2..apart / 2 + 7).contains(&(i % apart));
    (0..count).map(|i| (0.2 * if falls(i) { 0.1 } else { 1.0 } + 0.002 * normal.next()) as f32).collect()
}

/// Frequency of [`supply`]'s ripple.
pub(crate) const RIPPLE_HZ: f64 = 120.0;

/// A supply of 12 V with ripple of 50 mV in a rectifier's shape, and noise.
pub(crate) fn supply(count: usize, dt_s: f64) -> Vec<f32> {
    let mut normal = Normal(0x5155_7711_1234_0001);
    let turn = core::f64::consts::TAU * RIPPLE_HZ;
    let volts = |t: f64| 12.0 + 0.05 * (turn * t).cos() + 0.012 * (2.0 * turn * t + 0.4).cos();
    (0..count).map(|i| (volts(i as f64 * dt_s) + 0.004 * normal.next()) as f32).collect()
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
