//! Where the two carriers of the FM sound stand, before each is looked at in a band of its own.
//!
//! A band about a carrier's place holds the other carrier too where both have moved by as much as lies between them, and a name
//! by the band would then be wrong. So the whole spectrum is looked at first: two carriers as far apart as they should be are the
//! lower and the upper one, wherever they stand; one alone, beside both places, may be either.

use super::CLEAR;
use crate::error::{MeasureError, at_least, positive};
use crate::spectrum::Spectrum;
use crate::statistics::median_in_place;
use crate::trace::Trace;

/// How far beyond the outer places carriers are looked for, over their distance: each may have moved to the other's place.
const REACH: f64 = 1.1;

/// A carrier that has moved by no more than this, over the distance, stands at its place: its band holds it with its sound.
const NEAR: f64 = 0.15;

/// Carriers whose distance is right within this share have moved together (common practice, no source).
const TOGETHER: f64 = 0.25;

/// Of carriers that have not moved together none may have moved farther, over the distance, to be named by the order.
const ALONE: f64 = 0.5;

/// Cells of the spectrum over the distance.
const CELLS: f64 = 20.0;

/// Half the width, over the distance, in which a carrier's power is taken together, and within which no other one is looked for.
const WINDOW: f64 = 0.25;
const OWN: f64 = 0.5;

/// Share of half the sample rate that is looked at: above it lies the slope of the scope.
const BELOW_HALF: f64 = 0.98;

/// Where the carriers stand.
#[derive(Debug, Clone, PartialEq)]
pub enum Places {
    /// At their places, or one of them, or none is seen: the bands about the places tell.
    AsTheyShould,
    /// Both are seen, and one at least stands elsewhere: the left carrier here, the right one there, in hertz.
    Moved([f64; 2]),
    /// Carriers are seen at these frequencies, lowest first, and which is whose does not show.
    Unclear(Vec<f64>),
}

/// Least sample rate at which carriers are seen as far beyond their places as they are looked for.
#[must_use]
pub fn least_rate_to_seek_hz(left_hz: f64, right_hz: f64) -> f64 {
    let more = REACH * (right_hz - left_hz).abs();
    super::least_rate_hz(left_hz + more, right_hz + more)
}

/// Where the carriers stand by captures of both; the places in hertz, left and right.
///
/// # Errors
/// [`MeasureError::TooShort`], [`MeasureError::BadParameter`], [`MeasureError::NotFinite`].
pub fn places(captures: &[Trace], [left_hz, right_hz]: [f64; 2]) -> Result<Places, MeasureError> {
    at_least("captures of FM sound", captures.len(), 1)?;
    let apart = positive("distance of the carriers", (right_hz - left_hz).abs())?;
    let found = found(captures, left_hz.min(right_hz), left_hz.max(right_hz), apart)?;
    let near = |hz: f64, place: f64| (hz - place).abs() <= NEAR * apart;
    Ok(match found.as_slice() {
        [] => Places::AsTheyShould,
        [one] if near(*one, left_hz) || near(*one, right_hz) => Places::AsTheyShould,
        all if [left_hz, right_hz].iter().all(|place| all.iter().any(|hz| near(*hz, *place))) => Places::AsTheyShould,
        [low, high] => {
            // Where one stands at the other's place, that other one may be missing as well.
            let swapped = near(*low, left_hz.max(right_hz)) || near(*high, left_hz.min(right_hz));
            let order = if left_hz < right_hz { [*low, *high] } else { [*high, *low] };
            let moves = [order[0] - left_hz, order[1] - right_hz];
            let both = 0.5 * (moves[0] + moves[1]);
            if swapped {
                Places::Unclear(found)
            } else if ((high - low) / apart - 1.0).abs() <= TOGETHER {
                Places::Moved([left_hz + both, right_hz + both])
            } else if moves.iter().all(|moved| moved.abs() <= ALONE * apart) {
                Places::Moved(order)
            } else {
                Places::Unclear(found)
            }
        }
        _ => Places::Unclear(found),
    })
}

/// Carriers that stand clear, lowest first: the middles of their power over all captures.
fn found(captures: &[Trace], low_hz: f64, high_hz: f64, apart: f64) -> Result<Vec<f64>, MeasureError> {
    let cell = apart / CELLS;
    let top_hz = captures.iter().map(|trace| 0.5 * BELOW_HALF / trace.dt_s()).fold(f64::INFINITY, f64::min);
    let mut powers = vec![0.0; (top_hz / cell) as usize];
    at_least("cells of a spectrum", powers.len(), CELLS as usize)?;
    for trace in captures {
        let volts: Vec<f64> = trace.volts().iter().map(|v| f64::from(*v)).collect();
        let spectrum = Spectrum::of(&volts, trace.dt_s())?;
        for (place, amplitude) in spectrum.amplitude.iter().enumerate() {
            if let Some(power) = powers.get_mut((place as f64 * spectrum.step_hz / cell) as usize) {
                *power += amplitude * amplitude * spectrum.step_hz;
            }
        }
    }
    // What is near 0 is offset and hum; carriers fill less than half of the rest.
    let from = (0.25 * low_hz / cell) as usize;
    let floor = median_in_place(&mut powers[from.min(powers.len() - 1)..].to_vec());
    let looked = |hz: f64| (low_hz - REACH * apart..=high_hz + REACH * apart).contains(&hz);
    let middle = |k: usize| (k as f64 + 0.5) * cell;
    let mut free: Vec<bool> = (0..powers.len()).map(|k| looked(middle(k))).collect();
    let mut found = Vec::new();
    while found.len() < 3 {
        // Power beyond the floor about a frequency, its middle, and how many cells it is of.
        let about = |hz: f64| {
            let cells = (0..powers.len()).filter(|k| free[*k] && (middle(*k) - hz).abs() <= WINDOW * apart);
            let (mut sum, mut turn, mut count) = (0.0, 0.0, 0.0);
            for k in cells {
                let beyond = (powers[k] - floor).max(0.0);
                sum += beyond;
                turn += beyond * middle(k);
                count += 1.0;
            }
            (sum, turn / sum, count)
        };
        let all = (0..powers.len()).filter(|k| free[*k]).map(|k| about(middle(k)));
        let Some((mut power, mut hz, mut count)) = all.max_by(|a, b| a.0.total_cmp(&b.0)) else { break };
        if power <= (CLEAR * CLEAR - 1.0) * floor * count {
            break;
        }
        // The window may hold a part of it only.
        for _ in 0..3 {
            let next = about(hz);
            if next.0 > 0.0 {
                (power, hz, count) = next;
            }
        }
        if power > (CLEAR * CLEAR - 1.0) * floor * count {
            found.push(hz);
        }
        for (k, free) in free.iter_mut().enumerate() {
            *free &= (middle(k) - hz).abs() > OWN * apart;
        }
    }
    found.sort_by(f64::total_cmp);
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Captures with carriers of so many hertz and volts, each swinging by as much with its sound.
    fn captures(carriers: &[(f64, f64)], swing_hz: f64) -> Vec<Trace> {
        let rate = least_rate_to_seek_hz(1.3e6, 1.7e6);
        let mut drawn = crate::extremes::Noise::new(5);
        (0..16)
            .map(|_| {
                let starts: Vec<f64> = carriers.iter().map(|_| drawn.uniform()).collect();
                let sound = drawn.uniform();
                let volts = (0..(4e-4 * rate) as usize).map(|i| {
                    let (t, turn) = (i as f64 / rate, core::f64::consts::TAU);
                    let swing = swing_hz / 1000.0 * (turn * (1000.0 * t + sound)).sin();
                    let all = carriers.iter().zip(&starts);
                    let wave: f64 = all.map(|((hz, v), start)| v * (turn * (hz * t + start) + swing).cos()).sum();
                    (wave + 0.001 * drawn.normal()) as f32
                });
                Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
            })
            .collect()
    }

    fn seen(carriers: &[(f64, f64)], swing_hz: f64) -> Places {
        places(&captures(carriers, swing_hz), [1.3e6, 1.7e6]).unwrap()
    }

    /// Both carriers moved alike, by as much as lies between them too: the lower one is the left one.
    #[test]
    fn carriers_that_moved_together_are_named_by_their_order() {
        for swing_hz in [0.0, 50e3] {
            for (left_v, right_v) in [(0.05, 0.045), (0.015, 0.05), (0.05, 0.015)] {
                for moved in [-300e3, -200e3, -120e3, 120e3, 200e3, 300e3] {
                    let found = seen(&[(1.3e6 + moved, left_v), (1.7e6 + moved, right_v)], swing_hz);
                    let Places::Moved([left, right]) = found else { panic!("{moved}, {left_v}: {found:?}") };
                    let off = (left - 1.3e6 - moved).abs().max((right - 1.7e6 - moved).abs());
                    assert!(off < 10e3 + 0.4 * swing_hz, "{moved}, {left_v}, {swing_hz}: {left} {right}");
                }
                for moved in [-30e3, 0.0, 30e3] {
                    let found = seen(&[(1.3e6 + moved, left_v), (1.7e6 + moved, right_v)], swing_hz);
                    assert_eq!(found, Places::AsTheyShould, "{moved}, {left_v}, {swing_hz}");
                }
            }
        }
    }

    #[test]
    fn a_carrier_alone_is_named_at_its_place_only() {
        for (hz, clear) in
            [(1.3e6, true), (1.34e6, true), (1.7e6, true), (1.6e6, false), (1.4e6, false), (2.0e6, false)]
        {
            let found = seen(&[(hz, 0.05)], 0.0);
            assert_eq!(found == Places::AsTheyShould, clear, "{hz}: {found:?}");
            if let Places::Unclear(all) = found {
                assert!(all.len() == 1 && (all[0] - hz).abs() < 10e3, "{hz}: {all:?}");
            }
        }
        // At the other's place a carrier may be that one, and its own one missing.
        for moved in [-400e3, 400e3] {
            let found = seen(&[(1.3e6 + moved, 0.05), (1.7e6 + moved, 0.045)], 0.0);
            assert!(matches!(&found, Places::Unclear(all) if all.len() == 2), "{moved}: {found:?}");
        }
        // One at its place, and something far above: not the other carrier for sure.
        let found = seen(&[(1.3e6, 0.05), (2.1e6, 0.03)], 0.0);
        assert!(matches!(found, Places::Unclear(_)), "{found:?}");
        // One that moved alone.
        let found = seen(&[(1.3e6, 0.05), (1.85e6, 0.03)], 0.0);
        assert!(
            matches!(found, Places::Moved([a, b]) if (a - 1.3e6).abs() < 1e4 && (b - 1.85e6).abs() < 1e4),
            "{found:?}"
        );
        // Noise is none.
        assert_eq!(seen(&[], 0.0), Places::AsTheyShould);
    }
}
