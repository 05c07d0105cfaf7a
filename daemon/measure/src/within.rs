//! What a level that changes within a segment adds to its root mean square.
//!
//! Power tells the root of a segment's mean square. Where a head leaves its track its level falls by more than itself within a
//! segment, and the root lies far above the mean. A curve's neighbours tell how a segment's level runs: a parabola through three
//! segments' levels, or through the last three at an end, never below nothing. The root times that parabola's mean over its root
//! mean square is the segment's mean, which the next turn takes for the levels: three turns settle within a thousandth of the
//! greatest level, unless the level comes to nothing within the segment.

use crate::curve::{HeadCurve, Segments, Shared};
use crate::estimate::Spread;
use tapewright_formats::definitions::SEGMENTS;
use tapewright_formats::definitions::sound::{AUDIO_FADE, audio_weight};

/// Turns that settle.
const TURNS: usize = 3;
/// Places within a segment.
const LOOKS: usize = 27;
/// What remains of the correction, as a share of it, and where a level comes to nothing (by trial, see the tests).
const LEFT: (f64, f64) = (0.05, 0.35);

/// How a segment's level runs by its neighbours: of a parabola that is never below nothing, mean over root mean square by the
/// segment's weight, and whether it comes to nothing.
fn of_parabola([before, own, after]: [f64; 3]) -> (f64, bool) {
    let (slope, bend) = (0.5 * (after - before), 0.5 * (after + before) - own);
    let (mut sum, mut square, mut weights, mut nothing) = (0.0, 0.0, 0.0, false);
    for look in 0..LOOKS {
        let place = (look as f64 + 0.5) / LOOKS as f64 * (1.0 + AUDIO_FADE) - 0.5 * AUDIO_FADE;
        let (x, weight) = (place - 0.5, audio_weight(place));
        let level = own + x * (slope + x * bend);
        nothing |= level <= 0.0;
        sum += weight * level.max(0.0);
        square += weight * level.max(0.0).powi(2);
        weights += weight;
    }
    if square > 0.0 { (sum / (weights * square).sqrt(), nothing) } else { (1.0, false) }
}

fn neighbours(level: &Segments, k: usize) -> [f64; 3] {
    let beyond = |near: usize, next: usize, far: usize| 3.0 * (level[near] - level[next]) + level[far];
    let before = if k == 0 { beyond(0, 1, 2) } else { level[k - 1] };
    let after = if k + 1 == SEGMENTS { beyond(k, k - 1, k - 2) } else { level[k + 1] };
    [before, level[k], after]
}

/// The curve of the mean amplitudes of segments that fade in and out ([`audio_weight`]), from that of their roots of the mean
/// square ([`crate::power::levels_of_carriers`]).
#[must_use]
pub fn mean_amplitudes(curve: HeadCurve) -> HeadCurve {
    let roots_v = curve.median_v;
    let (mut level_v, mut left_v) = (roots_v, [0.0; SEGMENTS]);
    for _ in 0..TURNS {
        let from = level_v;
        for k in 0..SEGMENTS {
            let (over, nothing) = of_parabola(neighbours(&from, k));
            level_v[k] = roots_v[k] * over;
            left_v[k] = (roots_v[k] - level_v[k]) * if nothing { LEFT.1 } else { LEFT.0 };
        }
    }
    let mut out = HeadCurve { median_v: level_v, ..curve };
    for k in 0..SEGMENTS {
        // What moves the root by so much moves the mean by more: the rest of the square stays. A root of nothing keeps its error.
        if roots_v[k] > 0.0 {
            out.standard_error_v[k] *= roots_v[k] / level_v[k].max(0.5 * roots_v[k]);
        }
    }
    out.shared.push(Shared {
        name: "level that changes within a segment",
        spread: Spread::Normal,
        by_v: left_v,
        own: true,
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::tests::scan;

    #[test]
    fn a_segment_without_a_level_keeps_its_error() {
        let roots = HeadCurve::over_frames(&[scan(core::array::from_fn(|k| if k < 18 { 1.0 } else { 0.0 }))]).unwrap();
        let got = mean_amplitudes(roots.clone());
        assert!(roots.standard_error_v[19] > 0.0 && got.median_v[19] == 0.0);
        assert!(got.standard_error_v.iter().zip(roots.standard_error_v).all(|(got, root)| *got >= root), "{got:?}");
    }

    /// A head that leaves its track as the path bends away by a square: the last segment keeps a half to a twentieth of the level.
    #[test]
    fn a_level_that_falls_within_a_segment_is_its_mean() {
        for leaves in [0.3, 0.42, 0.5, 0.54, 0.57, 0.6] {
            let level = |x: f64| ((0.55 - leaves * ((x - 0.6) / 0.4).max(0.0).powi(2)) / 0.5).clamp(0.0, 1.0);
            let over = |k: usize, of: fn(f64) -> f64| {
                let places = (0..4000).map(|i| (f64::from(i) + 0.5) / 4000.0 * 1.5 - 0.25);
                let weighted = places.map(|x| (of(level((k as f64 + x) / SEGMENTS as f64)), audio_weight(x)));
                let (sum, weights) = weighted.fold((0.0, 0.0), |(s, w), (v, weight)| (s + weight * v, w + weight));
                sum / weights
            };
            let roots = HeadCurve::over_frames(&[scan(core::array::from_fn(|k| over(k, |v| v * v).sqrt()))]).unwrap();
            let got = mean_amplitudes(roots.clone());
            for k in 0..SEGMENTS {
                let truth = over(k, |v| v);
                let (away, left) = (got.median_v[k] - truth, got.shared[0].by_v[k]);
                let says =
                    format!("{leaves}, {k}: {truth}, {} by power, {away:e} off, {left:e} stated", roots.median_v[k]);
                assert!(away.abs() < 2.0 * left + 2e-4, "{says}");
                assert!(left < 0.36 * (roots.median_v[k] - got.median_v[k]).max(1e-9), "{says}");
            }
        }
    }
}
