//! Sound, pilots and supply.

use super::{Normal, TURN};
use tapewright_formats::definitions::SEGMENTS;

/// Flutter's tone.
pub(crate) const TONE_HZ: f64 = 3150.0;

/// Its wow: peak of the speed error, and how fast it goes.
pub(crate) const WOW: f64 = 0.003;

/// See [`WOW`].
pub(crate) const WOW_HZ: f64 = 3.5;

/// That tone with that wow, and noise.
pub(crate) fn tone(count: usize, dt_s: f64) -> Vec<f32> {
    let mut normal = Normal::of(0xC0FF_EE00_1234_5671);
    let phase = |t: f64| TURN * TONE_HZ * t - WOW * TONE_HZ / WOW_HZ * (TURN * WOW_HZ * t).cos();
    (0..count).map(|i| (0.4 * phase(i as f64 * dt_s).cos() + 0.003 * normal.next()) as f32).collect()
}

/// Frequency of [`supply`]'s ripple.
pub(crate) const RIPPLE_HZ: f64 = 120.0;

/// A supply of 12 V with ripple of 50 mV in a rectifier's shape, and noise.
pub(crate) fn supply(count: usize, dt_s: f64) -> Vec<f32> {
    let mut normal = Normal::of(0x5155_7711_1234_0001);
    let turn = TURN * RIPPLE_HZ;
    let volts = |t: f64| 12.0 + 0.05 * (turn * t).cos() + 0.012 * (2.0 * turn * t + 0.4).cos();
    (0..count).map(|i| (volts(i as f64 * dt_s) + 0.004 * normal.next()) as f32).collect()
}

/// Greatest less least of that ripple, from its formula.
pub(crate) fn ripple_peak_to_peak_v() -> f64 {
    let volts = |turn: f64| 0.05 * turn.cos() + 0.012 * (2.0 * turn + 0.4).cos();
    let all = (0..10_000).map(|i| volts(TURN * f64::from(i) / 1e4));
    let (low, high) = all.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    high - low
}

/// Samples of a record of a tone, and their distance: eight a cycle of the higher one.
pub(crate) const RECORD: (usize, f64) = (2_500, 1.0 / 48_000.0);

/// The tones of an azimuth.
pub(crate) const TONES_HZ: [f64; 2] = [1_000.0, 6_000.0];

/// Distance of two tracks, width of one over both, and speed of the tape.
pub(crate) const TRACKS_MM: (f64, f64, f64) = (0.65, 1.0, 33.35);

/// A head that leans by so many minutes of arc: the high tone's phase is 0.68 turns.
pub(crate) const LEANS_MIN: f64 = 20.0;

fn lean(min: f64) -> f64 {
    (min / 60.0).to_radians().tan()
}

/// Both channels of a tone: the right one lags by the azimuth, and the tape weaves.
pub(crate) fn both_channels(hz: f64, capture: u32) -> [Vec<f64>; 2] {
    let mut normal = Normal::of(0xA21_0000_0000 + u64::from(capture) * 0x1_0001 + hz as u64);
    let (distance, _, speed) = TRACKS_MM;
    let weave = lean(0.3 * normal.next());
    let lag = TURN * distance * (lean(LEANS_MIN) + weave) * hz / speed;
    let start = TURN * normal.uniform();
    [(0.31, 0.0), (0.28, lag)].map(|(level_v, lag)| {
        let volts = |i: usize| level_v * (TURN * hz * i as f64 * RECORD.1 + start - lag).cos();
        (0..RECORD.0).map(|i| volts(i) + 0.004 * normal.next()).collect()
    })
}

/// Angles that a screw is turned to.
pub(crate) const TURNED_MIN: [f64; 6] = [-11.0, -7.0, -2.5, 2.0, 6.0, 9.5];

/// One channel of the high tone after a turn of the screw: what a track of full width keeps.
pub(crate) fn one_channel(min: f64, capture: u32) -> Vec<f64> {
    let mut normal = Normal::of(0xA22_0000_0000 + u64::from(capture) * 0x1_0001 + min.to_bits());
    let start = TURN * normal.uniform();
    let level_v = 0.4 * kept(min);
    let volts = |i: usize| level_v * (TURN * TONES_HZ[1] * i as f64 * RECORD.1 + start).cos();
    (0..RECORD.0).map(|i| volts(i) + 0.004 * normal.next()).collect()
}

fn kept(min: f64) -> f64 {
    let (_, width, speed) = TRACKS_MM;
    let x = 0.5 * TURN * width * lean(min) * TONES_HZ[1] / speed;
    x.sin() / x
}

/// Levels of [`one_channel`] at each angle, root mean square.
pub(crate) fn kept_levels() -> Vec<f64> {
    TURNED_MIN.map(|min| 0.4 * kept(min) * core::f64::consts::FRAC_1_SQRT_2).to_vec()
}

/// Levels of the FM sound's carriers, and their frequencies: both a little off.
pub(crate) const FM_SOUND: [(f64, f64); 2] = [(0.11, 1.299_65e6), (0.14, 1.700_6e6)];

/// A short capture of both carriers, silent, with noise; without them the noise alone.
pub(crate) fn fm_sound((count, dt_s): (usize, f64), capture: u32, there: bool) -> Vec<f64> {
    let mut normal = Normal::of(0xF3_50D0_0000 + u64::from(capture) * 0x1_0001);
    let starts = [TURN * normal.uniform(), TURN * normal.uniform()];
    (0..count)
        .map(|i| {
            let carriers = FM_SOUND.iter().zip(starts);
            let sum: f64 = carriers.map(|((v, hz), start)| v * (TURN * hz * i as f64 * dt_s + start).cos()).sum();
            if there { sum + 0.003 * normal.next() } else { 0.003 * normal.next() }
        })
        .collect()
}

/// Pilots of the next track and of that before, over the own, in volts over volts.
pub(crate) const BESIDE: (f64, f64) = (0.21, 0.12);

/// A capture of 8 mm RF on the track that carries the pilot `own`: an FM carrier that follows a picture of two steps, the
/// pilots, noise.
pub(crate) fn pilots(pilots_hz: &[f64; 4], own: usize, (count, dt_s): (usize, f64), capture: u32) -> Vec<f64> {
    let mut normal = Normal::of(0x8_0000_9107 + u64::from(capture) * 0x1_0001);
    let line_hz = 4.5e6 / 286.0;
    let (from, mut phase) = (normal.uniform(), normal.uniform());
    let starts: [f64; 4] = core::array::from_fn(|_| TURN * normal.uniform());
    let levels_v: [f64; 4] = core::array::from_fn(|k| {
        0.03 * match (k + 4 - own) % 4 {
            0 => 1.0,
            1 => BESIDE.0,
            3 => BESIDE.1,
            _ => 0.0,
        }
    });
    (0..count)
        .map(|i| {
            let t = i as f64 * dt_s;
            let place = (from + line_hz * t).fract();
            let carrier_hz = if place < 0.074 {
                4.2e6
            } else if place < 0.6 {
                5.2e6
            } else {
                4.7e6
            };
            phase = (phase + carrier_hz * dt_s).fract();
            let tones: f64 = (0..4).map(|k| levels_v[k] * (TURN * pilots_hz[k] * t + starts[k]).cos()).sum();
            0.2 * (TURN * phase).cos() + tones + 0.003 * normal.next()
        })
        .collect()
}

/// Both carriers of the FM sound over a little more than a scan, under-sampled; their heads sag towards the exit.
pub(crate) fn fm_scan((count, dt_s): (usize, f64), frame: u32) -> Vec<f64> {
    let mut normal = Normal::of(0xF3_5CA0_0000 + u64::from(frame) * 0x1_0001);
    let starts = [TURN * normal.uniform(), TURN * normal.uniform()];
    let scan_s = super::scan().end_s;
    (0..count)
        .map(|i| {
            let t = i as f64 * dt_s;
            let carriers = FM_SOUND.iter().zip(starts);
            let sum: f64 = carriers.map(|((v, hz), start)| v * (TURN * (hz * t).fract() + start).cos()).sum();
            (1.0 - 0.3 * t / scan_s) * sum + 0.003 * normal.next()
        })
        .collect()
}

/// Mean amplitude of each segment of that scan: that at its middle.
pub(crate) fn fm_scan_levels() -> Vec<f64> {
    let scan = super::scan();
    let middle = |k: usize| 0.5 * (scan.segment_start_s(k) + scan.segment_start_s(k + 1)) / scan.end_s;
    (0..SEGMENTS).map(|k| FM_SOUND[0].0.hypot(FM_SOUND[1].0) * (1.0 - 0.3 * middle(k))).collect()
}
