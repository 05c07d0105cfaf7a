//! Swing of a level against time: how far it falls from its greatest.

use crate::error::{MeasureError, at_least, finite, volts};
use crate::estimate::{Contribution, Estimate};
use crate::picture::Picture;
use crate::record::{LevelRecord, Reading};

/// Of how many deviations the middle nine tenths of normal noise are.
const OF_NOISE: f64 = 3.29;

/// What a swing is taken from.
pub(crate) struct Spreads {
    /// Variance from level to level, as half the mean square of their differences.
    pub(crate) noise_variance: f64,
    /// The level that a twentieth exceeds.
    pub(crate) top: f64,
    /// Square of how far the middle nine tenths reach, less the noise's; below 0 where noise happens to reach less.
    pub(crate) squared: f64,
}

pub(crate) fn spreads(y: &[f64]) -> Spreads {
    let noise_variance = y.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum::<f64>() / (2.0 * (y.len() - 1) as f64);
    let mut sorted = y.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let at = |p: f64| sorted[((sorted.len() - 1) as f64 * p).round() as usize];
    let (bottom, top) = (at(0.05), at(0.95));
    Spreads { noise_variance, top, squared: (top - bottom).powi(2) - OF_NOISE * OF_NOISE * noise_variance }
}

/// Swing of a record, `(greatest - least) / greatest` of the middle nine tenths, with its uncertainty.
///
/// What noise reaches is taken off as a square. Of `n` normal values an end of the middle nine tenths scatters by
/// `sqrt(0.05 0.95 / n) / 0.103` of their deviation (0.103: the normal density there), and the variance of their
/// differences by `sqrt(3 / n)` of itself: so much is not known of the square, and a level that keeps still shows a swing
/// of its root. Where the level does swing, its turning points are noisy besides.
///
/// A reading swings less than the level (see `of_the_level`). The value stands midway between what the reading shows and
/// the most that the level may do: as likely none of it is hidden as all.
///
/// # Errors
/// [`MeasureError::NotFinite`], [`MeasureError::TooShort`] below 16 points, [`MeasureError::InNoise`] without level,
/// [`MeasureError::BadParameter`].
pub fn swing_of(record: &LevelRecord, picture: &Picture, how: Reading) -> Result<Estimate, MeasureError> {
    picture.check()?;
    let y = &record.level_v;
    at_least("points of a slow record", y.len(), 16)?;
    finite("levels of a slow record", y)?;
    let Spreads { noise_variance, top, squared } = spreads(y);
    if top <= 0.0 {
        return Err(MeasureError::InNoise { what: "level against time", detail: format!("{} at most", volts(top)) });
    }
    let n = y.len() as f64;
    let end = (0.05 * 0.95 / n).sqrt() / 0.103;
    let square_u =
        noise_variance * (2.0 * OF_NOISE * core::f64::consts::SQRT_2 * end).hypot(OF_NOISE.powi(2) * (3.0 / n).sqrt());
    let swing = |square: f64| (square.max(0.0).sqrt() / top).min(1.0);
    let seen = swing(squared);
    let turning = 0.5 * noise_variance.sqrt() / top * if seen > 0.0 { 1.0 } else { 0.0 };
    let k = 1.96;
    let down = (seen - swing(squared - k * square_u)).hypot(k * turning);
    let up = (swing(squared.max(0.0) + k * square_u) - seen).hypot(k * turning);
    let most = |seen: f64| of_the_level(seen, picture, how);
    let (low, high) = (seen - down, most(seen + up));
    let noise = 0.5 * (down + high - most(seen)) / k;
    let shares = vec![
        Contribution::type_a(
            "reach of the noise, taken off",
            (noise * noise - turning * turning).max(0.0).sqrt(),
            n - 1.0,
        ),
        Contribution::type_b("noise at the turning points", turning.min(noise)),
        Contribution::rectangular("colour-under and neighbouring tracks", 0.5 * (most(seen) - seen)),
    ];
    let u = noise.hypot(shares[2].standard_uncertainty);
    Ok(Estimate::with_interval(0.5 * (seen + most(seen)), low, high, u, None, shares)?.within(0.0, 1.0))
}

/// The most that the level may swing where a reading shows so much.
///
/// The colour-under signal of all tracks below the head stays where the own track is left. Of the neighbour's carrier peaks
/// show up to the whole beat, more than the level's definition adds; power adds it as the definition does.
fn of_the_level(seen: f64, picture: &Picture, how: Reading) -> f64 {
    let (seen, colour) = (seen.clamp(0.0, 1.0), picture.colour_share.1);
    match how {
        Reading::Peaks => {
            let lost = (seen * (1.0 + colour)).min(1.0);
            picture.beside.map_or(lost, |beside| beside.lost_at_most(lost))
        }
        Reading::Power => {
            let power = (1.0 - seen).powi(2) * (1.0 + colour * colour) - colour * colour;
            1.0 - power.max(0.0).sqrt()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;

    /// Levels that keep still, and levels that swing by a sine of a known height, in noise: the interval holds the swing.
    #[test]
    fn the_swing_is_held_still_or_not() {
        for (swing, count) in [(0.0, 50), (0.0, 150), (0.0, 180), (0.3, 150), (0.5, 60)] {
            let mut noise = Noise::new(23);
            let (trials, mut held) = (300, 0);
            for _ in 0..trials {
                let (from, turns) = (noise.uniform(), 1.0 + 2.0 * noise.uniform());
                let level = |i: usize| {
                    let phase = core::f64::consts::TAU * (from + turns * i as f64 / f64::from(count));
                    0.2 * (1.0 - 0.5 * swing * (1.0 - phase.cos()))
                };
                let course: Vec<f64> = (0..count as usize).map(level).collect();
                let level_v: Vec<f64> = course.iter().map(|v| v + 0.002 * noise.normal()).collect();
                let record = LevelRecord { t0_s: 0.0, dt_s: 0.04, level_v, frame_rate_hz: 25.0, bins_v: 0.0 };
                // Of the course itself, by what the middle nine tenths are.
                let of_course = spreads(&course);
                let want = (of_course.squared + OF_NOISE.powi(2) * of_course.noise_variance).sqrt() / of_course.top;
                let bare = Picture { colour_share: (0.0, 0.0), ..Picture::unknown() };
                let got = swing_of(&record, &bare, Reading::Peaks).unwrap();
                held += i32::from(got.interval.low <= want && want <= got.interval.high);
                assert!(got.interval.high - got.interval.low < 0.1, "{got:?}");
            }
            // Three deviations of so many trials below 0.95.
            assert!(held >= 274, "swing {swing} of {count}: {held} of {trials}");
        }
    }

    /// A head that hunts aside reads the neighbour's carrier and all tracks' colour there: the reading swings less than the
    /// level, and the interval holds what the level does.
    #[test]
    fn what_is_read_aside_hides_no_swing() {
        let mut noise = Noise::new(31);
        let format = tapewright_formats::format_named("vhs-625-lp").unwrap();
        let beside = crate::beside::Beside::of(format);
        let picture = Picture { beside: Some(beside), ..Picture::unknown() };
        // As the simulator has it, a root in place of lobes.
        let neighbour = |aside: f64| aside / (1.0 + (beside.carrier_x * aside).powi(2)).sqrt();
        for (most, colour) in [(0.05, 0.0), (0.1, 0.0), (0.1, 0.2), (0.3, 0.1), (0.3, 0.3), (0.6, 0.3)] {
            for how in [Reading::Peaks, Reading::Power] {
                let (mut course, mut level_v) = (Vec::new(), Vec::new());
                for i in 0..180 {
                    let aside = 0.5 * most * (1.0 - (core::f64::consts::TAU * f64::from(i) / 60.0).cos());
                    let level = (1.0 - aside).hypot(neighbour(aside));
                    let seen = match how {
                        Reading::Peaks => 1.0 - aside + 0.8 * neighbour(aside) + colour,
                        Reading::Power => level.hypot(colour),
                    };
                    course.push(level);
                    level_v.push(0.2 * seen + 0.0002 * noise.normal());
                }
                let want = spreads(&course).squared.sqrt() / spreads(&course).top;
                let shown = spreads(&level_v).squared.sqrt() / spreads(&level_v).top;
                let record = LevelRecord { t0_s: 0.0, dt_s: 0.04, level_v, frame_rate_hz: 25.0, bins_v: 0.0 };
                let got = swing_of(&record, &picture, how).unwrap();
                let says = format!("{most} {colour} {how:?}: {got:?}, {shown} for {want}");
                assert!(shown < want + 0.002, "{says}");
                assert!(got.interval.low < want && want < got.interval.high, "{says}");
                assert!(got.interval.high < 1.35 * want + 0.06, "{says}");
            }
        }
    }
}
