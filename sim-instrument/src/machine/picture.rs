//! Test pictures, as patches along a line.

use super::config::Picture;
use super::random::{hash, mix, uniform};
use tapewright_formats::video::VideoTiming;

/// A patch of even brightness and colour.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Patch {
    /// Where it starts, as a share of the line's picture.
    pub(crate) from: f64,
    /// Brightness, volts from blanking.
    pub(crate) luma_v: f64,
    /// Amplitude of colour, in bursts.
    pub(crate) colour: f64,
    /// Phase of colour, in cycles.
    pub(crate) hue: f64,
}

/// Weights of red, green and blue in brightness (colorimetry of both standards, from memory).
const WEIGHTS: [f64; 3] = [0.299, 0.587, 0.114];

/// The patches of a line at `height` (0 top to 1 bottom of the field).
pub(crate) fn line_patches(picture: Picture, timing: &VideoTiming, height: f64, line: u64, seed: u64) -> Vec<Patch> {
    let (black, white) = (timing.black_mv.value * 1e-3, timing.white_mv.value * 1e-3);
    let burst_v = timing.burst_pp_mv.value / 2000.0;
    let grey = |from: f64, share: f64| Patch { from, luma_v: black + share * (white - black), colour: 0.0, hue: 0.0 };
    match picture {
        Picture::Black => vec![grey(0.0, 0.0)],
        Picture::Grey => vec![grey(0.0, 0.5)],
        Picture::BrightBottom => vec![grey(0.0, if height > 2.0 / 3.0 { 1.0 } else { 0.1 })],
        Picture::Random => {
            (0..16).map(|i| grey(f64::from(i) / 16.0, uniform(hash(mix(seed ^ line), i64::from(i))))).collect()
        }
        Picture::Bars => (0..8u8)
            .map(|i| {
                // White, yellow, cyan, green, magenta, red, blue, black: green, red and blue as bits of 7 - i.
                let bits = 7 - i;
                let on = |bit: u8| if bits >> bit & 1 == 1 { 0.75 } else { 0.0 };
                let (g, r, b) = (on(2), on(1), on(0));
                let y = WEIGHTS[0] * r + WEIGHTS[1] * g + WEIGHTS[2] * b;
                let (u, v) = (0.493 * (b - y), 0.877 * (r - y));
                let colour = u.hypot(v) * (white - black) / burst_v;
                let colour = if colour < 1e-9 { 0.0 } else { colour };
                Patch { hue: v.atan2(u) / core::f64::consts::TAU, colour, ..grey(f64::from(i) / 8.0, y) }
            })
            .collect(),
    }
}
