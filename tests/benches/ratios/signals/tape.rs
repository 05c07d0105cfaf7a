//! Levels of heads on and beside their tracks.

use super::{Normal, fm};
use tapewright_formats::definitions::{ENTRANCE, EXIT, MIDDLE, SEGMENTS};

/// Level against time of a tape that slips at 0.21 Hz: ten seconds of a frame each.
pub(crate) const SLIP_HZ: f64 = 0.21;

/// See [`SLIP_HZ`].
pub(crate) fn slip(frame_rate_hz: f64) -> Vec<f64> {
    let mut normal = Normal::of(0x9E37_79B9_7F4A_7C15);
    // Overlap of a head as wide as its track: a triangle with a floor.
    let level = |t: f64| 0.2 * (1.0 - 2.0 * ((SLIP_HZ * t + 0.1).fract() - 0.5).abs()).max(0.045);
    (0..300).map(|n| level(f64::from(n) / frame_rate_hz) + 0.001 * normal.next()).collect()
}

/// Share of its mean by which [`swinging`]'s level goes up and down.
const SWINGS: f64 = 0.15;

/// Level against time of tracking that hunts: ten seconds of a frame each.
pub(crate) fn swinging(frame_rate_hz: f64) -> Vec<f64> {
    let mut normal = Normal::of(0x5714_6000_0000_0001);
    let level = |t: f64| 0.2 * (1.0 + SWINGS * (super::TURN * 0.5 * t).sin());
    (0..300).map(|n| level(f64::from(n) / frame_rate_hz) + 0.001 * normal.next()).collect()
}

/// Its swing by the definition: the middle nine tenths of a sine end at the sine of 0.9 of a quarter turn.
pub(crate) fn swing() -> f64 {
    let ends = SWINGS * (0.9 * core::f64::consts::FRAC_PI_2).sin();
    2.0 * ends / (1.0 + ends)
}

/// Falls in [`falling`].
pub(crate) const FALLS: usize = 40;

/// Half ranges of RF in so many bins, with falls of 20 dB over seven bins each.
pub(crate) fn falling(count: usize) -> Vec<f32> {
    let mut normal = Normal::of(0xD20F_0075_0000_0021);
    let apart = count / FALLS;
    let falls = |i: usize| (apart / 2..apart / 2 + 7).contains(&(i % apart));
    (0..count).map(|i| (0.2 * if falls(i) { 0.1 } else { 1.0 } + 0.002 * normal.next()) as f32).collect()
}

/// Falls in [`dropping`]: where each begins and how long it is, in microseconds.
pub(crate) const DROPPED_US: [(f64, f64); 13] = [
    (913.0, 34.0),
    (2_004.0, 57.0),
    (3_361.0, 41.0),
    (4_018.0, 25.0),
    (5_222.0, 88.0),
    (6_407.0, 47.0),
    (7_155.0, 120.0),
    (8_693.0, 39.0),
    (9_870.0, 63.0),
    (11_041.0, 52.0),
    (12_388.0, 29.0),
    (13_902.0, 71.0),
    (15_217.0, 44.0),
];

/// Their median length, in microseconds.
pub(crate) const DROPPED_MEDIAN_US: f64 = 47.0;

/// RF of one scan that falls by 20 dB at [`DROPPED_US`].
pub(crate) fn dropping(count: usize) -> Vec<f64> {
    let scan_us = 1e6 * super::scan().end_s;
    fm(count, 0xD20F_0075_0000_0022, |x| {
        let us = x * scan_us;
        let falls = DROPPED_US.iter().any(|(at, length)| us >= *at && us < at + length);
        if falls { 0.02 } else { 0.2 }
    })
}

/// Bars of a scan of [`searching`]: about seven times play speed forwards.
pub(crate) const BARS: f64 = 3.03;

/// RF of a scan in search, under-sampled: every `step`-th of so many samples. Triangles with a floor, at another place in
/// each scan.
pub(crate) fn searching(scan: u32, count: usize, step: usize) -> Vec<f64> {
    let level = |x: f64| 0.2 * (1.0 - 2.0 * ((BARS * x + 0.37 * f64::from(scan)).fract() - 0.5).abs()).max(0.05);
    fm(count, 0x5EA2_C400_0000_0001 + u64::from(scan), level).into_iter().step_by(step).collect()
}

/// Delay at which [`stepped`]'s level falls evenly.
pub(crate) const CENTRE_S: f64 = 1.3e-3;

/// Scatter of its levels.
pub(crate) const STEP_U_V: f64 = 0.0005;

/// Delay and level of so many places of a tracking control: a head 1.1 tracks wide over tracks that 60 scans a second cross.
pub(crate) fn stepped(count: usize) -> Vec<(f64, f64)> {
    let mut normal = Normal::of(0x0007_2AC4_0009_0001);
    (0..count)
        .map(|i| {
            // An operator turns by about even steps.
            let delay_s = 0.020 * (i as f64 / (count as f64 - 1.0) - 0.5) + 2e-4 * normal.next();
            let overlap = (1.05 - 59.94 * (delay_s - CENTRE_S).abs()).clamp(0.0, 1.0);
            (delay_s, 0.2 * overlap + STEP_U_V * normal.next())
        })
        .collect()
}

/// Track pitch of [`beside`].
pub(crate) const PITCH_UM: f64 = 58.0;

/// How far the sides of [`beside`] lie from the track, in pitches.
pub(crate) const SIDE: f64 = 0.4;

/// Scatter of its levels.
pub(crate) const LEVEL_U_V: f64 = 0.0005;

/// Path of a tape whose entrance stands low and whose exit high, in pitches, at the middle of a segment.
fn bent(segment: usize) -> f64 {
    let x = (segment as f64 + 0.5) / SEGMENTS as f64;
    let fade = |share: f64| (1.0 - share / 0.4).max(0.0).powi(2);
    0.12 * fade(x) - 0.2 * fade(1.0 - x)
}

/// Levels of so many frames of a head as wide as its track, moved aside by so many pitches: what it overlaps.
pub(crate) fn beside(aside: f64, frames: usize) -> Vec<[f64; SEGMENTS]> {
    let mut normal = Normal::of(0x6D1D_E500_0000_0011 ^ aside.to_bits());
    (0..frames).map(|_| core::array::from_fn(|k| overlap_v(aside, k) + LEVEL_U_V * normal.next())).collect()
}

fn overlap_v(aside: f64, segment: usize) -> f64 {
    0.2 * (1.0 - (aside + bent(segment)).abs())
}

/// Flatness of [`beside`] at the centre, and its entrance and exit over the middle, by their definitions.
pub(crate) fn curve() -> Vec<f64> {
    let levels: Vec<f64> = (0..SEGMENTS).map(|k| overlap_v(0.0, k)).collect();
    let (least, greatest) = levels.iter().fold((f64::MAX, 0.0_f64), |(low, high), v| (low.min(*v), high.max(*v)));
    let mean = |range: core::ops::Range<usize>| levels[range.clone()].iter().sum::<f64>() / range.len() as f64;
    vec![least / greatest, mean(ENTRANCE) / mean(MIDDLE), mean(EXIT) / mean(MIDDLE)]
}

/// Height errors of entrance and exit of [`beside`], in micrometres, by their definition.
pub(crate) fn heights_um() -> Vec<f64> {
    let mean = |range: core::ops::Range<usize>| {
        let count = range.len() as f64;
        range.map(bent).sum::<f64>() / count
    };
    [ENTRANCE, EXIT].map(|end| PITCH_UM * (mean(end) - mean(MIDDLE))).to_vec()
}

/// Least and greatest of each of so many bins over RF.
pub(crate) fn extremes(volts: &[f64], each: usize) -> (Vec<f32>, Vec<f32>) {
    let of = |f: fn(f64, f64) -> f64, start: f64| -> Vec<f32> {
        volts.chunks_exact(each).map(|bin| bin.iter().copied().fold(start, f) as f32).collect()
    };
    (of(f64::min, f64::INFINITY), of(f64::max, f64::NEG_INFINITY))
}
