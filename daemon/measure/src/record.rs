//! Level against time, from one slow gap-free record: what slip and hunting are read from.

use crate::carrier::Carrier;
use crate::error::{MeasureError, at_least, positive, volts};
use crate::estimate::{Contribution, Estimate};
use crate::lift::Lift;
use crate::peaks::PeakNoise;
use crate::picture::Picture;
use crate::power::PowerNoise;
use crate::statistics::moments;
use crate::trace::{PairTrace, Trace};

/// How levels were read from the RF: what is not the carrier adds to them in another way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// From peak to peak: amplitudes add.
    Peaks,
    /// As a root of power: powers add.
    Power,
}

/// Most that the beat with the neighbour's carrier adds to the level's definition, over the greatest level: midway between two
/// tracks both carriers are alike, and peaks show their sum where the definition has the root of their powers. Without
/// azimuth (guard bands) a whole neighbour would else be taken for a constant share, and nothing be left of the level.
const MOST_BESIDE: f64 = 1.0 - core::f64::consts::FRAC_1_SQRT_2;

/// Level once a frame of both heads together.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelRecord {
    /// Middle of the first frame, in seconds from the trigger.
    pub t0_s: f64,
    /// From point to point.
    pub dt_s: f64,
    /// Levels, in volts.
    pub level_v: Vec<f64>,
    /// Frames a second.
    pub frame_rate_hz: f64,
    /// What bins may add to how far the levels change, as a standard deviation, in volts: an edge of the picture, of the field
    /// blanking or between the heads lies now within one bin, now at the border of two, and a bin shows the greater side.
    pub bins_v: f64,
}

impl LevelRecord {
    /// Length of the record, in seconds.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        self.level_v.len() as f64 * self.dt_s
    }
}

/// Averages over whole frames: a running sum, read at frame borders by linear interpolation, so that
/// bins need not divide a frame.
fn over_frames(start_s: f64, dt_s: f64, values: &[f64], frame_rate_hz: f64) -> Result<LevelRecord, MeasureError> {
    let frame = (1.0 / frame_rate_hz).max(dt_s);
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    let mut total = 0.0;
    for v in values {
        total += v;
        sums.push(total);
    }
    let at = |place: f64| {
        let i = (place as usize).min(values.len().saturating_sub(1));
        sums[i] + (place - i as f64) * values[i]
    };
    let frames = (values.len() as f64 * dt_s / frame + 1e-9) as usize;
    at_least("frames of a slow record", frames, 8)?;
    let bins = frame / dt_s;
    let level_v = (0..frames)
        .map(|n| (at(((n + 1) as f64 * bins).min(values.len() as f64)) - at(n as f64 * bins)) / bins)
        .collect();
    Ok(LevelRecord { t0_s: start_s + 0.5 * frame, dt_s: frame, level_v, frame_rate_hz, bins_v: 0.0 })
}

/// From peak-detect pairs whose bins are at most a frame long (half a scan or less keeps both heads).
/// The noise's lift is taken off bin by bin.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] below eight frames,
/// [`MeasureError::TooSlow`], [`MeasureError::BadParameter`].
pub fn level_from_pairs(
    pairs: &PairTrace,
    noise: &PeakNoise,
    carrier: &Carrier,
    frame_rate_hz: f64,
) -> Result<LevelRecord, MeasureError> {
    pairs.conversion().demand_unclipped("RF")?;
    carrier.check()?;
    positive("frame rate", frame_rate_hz)?;
    if pairs.dt_s() * frame_rate_hz > 1.0 {
        return Err(MeasureError::TooSlow {
            what: "level against time",
            rate_hz: 1.0 / pairs.dt_s(),
            needed_hz: frame_rate_hz,
        });
    }
    let sigma = noise.deviation_v();
    let lift = Lift::new(noise.looks(pairs.dt_s()), carrier.sync_hz * pairs.dt_s());
    let levels: Vec<f64> = (0..pairs.len())
        .map(|i| {
            let seen = pairs.half_range(i);
            if sigma > 0.0 { sigma * lift.amplitude(seen / sigma) } else { seen }
        })
        .collect();
    let record = over_frames(pairs.t0_s() - 0.5 * pairs.dt_s(), pairs.dt_s(), &levels, frame_rate_hz)?;
    // A step of the level between two bins is one bin more or less of its greater side: half of the step, at the most, as the
    // standard deviation of a sum over the frame's bins. Steps of the noise count too.
    let steps = levels.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum::<f64>() / (levels.len() - 1) as f64;
    let bins = record.dt_s / pairs.dt_s();
    Ok(LevelRecord { bins_v: 0.5 * (steps / bins).sqrt(), ..record })
}

/// From under-sampled RF, at least 16 samples a frame: root of the frame's power less the noise's.
///
/// # Errors
/// As [`level_from_pairs`].
pub fn level_from_samples(trace: &Trace, noise: &PowerNoise, frame_rate_hz: f64) -> Result<LevelRecord, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    positive("frame rate", frame_rate_hz)?;
    if trace.dt_s() * frame_rate_hz * 16.0 > 1.0 + 1e-6 {
        return Err(MeasureError::TooSlow {
            what: "level against time by power",
            rate_hz: 1.0 / trace.dt_s(),
            needed_hz: 16.0 * frame_rate_hz,
        });
    }
    let n = trace.volts().len().max(1) as f64;
    let offset = trace.volts().iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let own = noise.deviation_v().powi(2);
    let powers: Vec<f64> = trace.volts().iter().map(|v| 2.0 * ((f64::from(*v) - offset).powi(2) - own)).collect();
    let mut record = over_frames(trace.t0_s() - 0.5 * trace.dt_s(), trace.dt_s(), &powers, frame_rate_hz)?;
    for v in &mut record.level_v {
        *v = v.max(0.0).sqrt();
    }
    Ok(record)
}

/// From levels that come one a scan, both heads by turns (detected RF, or curves of single scans taken
/// in one gap-free record).
///
/// # Errors
/// [`MeasureError::NotFinite`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn level_from_scans(start_s: f64, scan_s: f64, levels_v: &[f64]) -> Result<LevelRecord, MeasureError> {
    crate::error::finite("levels of scans", levels_v)?;
    positive("length of a scan", scan_s)?;
    over_frames(start_s, scan_s, levels_v, 0.5 / scan_s)
}

/// How far the level of a record changes: standard deviation of the frames' levels over their mean (unit 1), what noise
/// explains taken off. It describes this record, so frames count by their noise alone; that is told by the differences
/// of neighbouring frames, which hold a fast change too: the upper end does without.
///
/// A reading holds the colour-under signal of all tracks below the head, which stays where the own track is left, and
/// the beat with the neighbour's carrier: something like a constant share of the greatest level. The value stands midway
/// between none and as much as `picture` allows, the rest is uncertain. What bins may add (`bins_v`) only lets the
/// interval reach lower: it may be all that changes.
///
/// # Errors
/// [`MeasureError::TooShort`], [`MeasureError::InNoise`] where no level is left, [`MeasureError::BadParameter`].
pub fn modulation(record: &LevelRecord, picture: &Picture, how: Reading) -> Result<Estimate, MeasureError> {
    picture.check()?;
    at_least("frames of a modulation", record.level_v.len(), 3)?;
    let greatest_v = record.level_v.iter().fold(0.0_f64, |most, v| most.max(*v));
    let colour = picture.colour_share.1;
    let own: Vec<f64> = match how {
        Reading::Peaks => {
            let beside = picture.beside.map_or(0.0, |beside| beside.whole_pitch()).min(MOST_BESIDE);
            let constant_v = (colour + beside) * greatest_v / (1.0 + colour);
            record.level_v.iter().map(|v| (v - constant_v).max(0.0)).collect()
        }
        Reading::Power => {
            let constant_v = colour * greatest_v / 1.0_f64.hypot(colour);
            record.level_v.iter().map(|v| (v * v - constant_v * constant_v).max(0.0).sqrt()).collect()
        }
    };
    let (seen, own) = (moments(&record.level_v)?, moments(&own)?);
    if own.mean <= 0.0 {
        return Err(MeasureError::InNoise { what: "modulation", detail: format!("level {}", volts(seen.mean)) });
    }
    let n = seen.count as f64;
    let noise = record.level_v.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum::<f64>() / (2.0 * (n - 1.0));
    let variance = seen.standard_deviation.powi(2);
    // A fast course is in the differences too: never take off more than there is.
    let noise = noise.min(variance);
    let course = variance - noise;
    // Variance of a sample variance of noise, and of its product with the course.
    let u = (2.0 * noise * noise / n + 4.0 * course * noise / n).sqrt();
    // Either end of what may be constant, each with the noise: a sum of the two would reach below what shows.
    let (less, more) =
        (1.0 / seen.mean, own.standard_deviation / seen.standard_deviation.max(f64::MIN_POSITIVE) / own.mean);
    let (less, more) = (less.min(more), less.max(more));
    let root = |variance: f64| variance.max(0.0).sqrt();
    let value = 0.5 * (less + more) * root(course);
    let (low, high) = (less * root(course - 2.0 * u), more * root(variance + 2.0 * u));
    let spread = 0.125 * (less + more) * (root(variance + 2.0 * u) - root(course - 2.0 * u));
    let of_noise = Contribution::type_a("noise of the levels", spread, n - 1.0);
    let constant =
        Contribution::rectangular("colour-under and neighbouring tracks", 0.5 * (more - less) * root(course));
    let together = spread.hypot(constant.standard_uncertainty);
    let seen = Estimate::with_interval(value, low, high, together, Some(n - 1.0), vec![of_noise, constant])?;
    let without_bins = 0.5 * (less + more) * root(course - record.bins_v.powi(2));
    Ok(seen.or_lower("edges of the picture in the bins", value - without_bins)?.within(0.0, f64::INFINITY))
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    fn seen(levels: impl Iterator<Item = f64>, how: Reading) -> Estimate {
        let record = LevelRecord { t0_s: 0.0, dt_s: 0.04, level_v: levels.collect(), frame_rate_hz: 25.0, bins_v: 0.0 };
        modulation(&record, &Picture::unknown(), how).unwrap()
    }

    fn slip(n: i32) -> f64 {
        0.1 + 0.09 * (TAU * f64::from(n) / 50.0).sin()
    }

    #[test]
    fn modulation_of_a_slip_is_large_whatever_colour_there_is() {
        let want = 0.9 / 2.0_f64.sqrt();
        for colour in [0.0, 0.15, 0.3] {
            let by_peaks = seen((0..300).map(|n| slip(n) + 0.19 * colour), Reading::Peaks);
            let by_power = seen((0..300).map(|n| slip(n).hypot(0.19 * colour)), Reading::Power);
            for got in [by_peaks, by_power] {
                assert!(
                    got.interval.low > 0.4 && got.interval.low < want && want < got.interval.high,
                    "{colour}: {got:?}"
                );
            }
        }
    }

    #[test]
    fn modulation_of_noise_is_small() {
        // Noise of a hundredth, alternating in a fixed pattern.
        let noise = |n: i32| 0.1 + 0.001 * f64::from((n * 7919 % 13) - 6) / 3.74;
        for how in [Reading::Peaks, Reading::Power] {
            let got = seen((0..120).map(noise), how);
            assert!(got.interval.high < 0.03, "{got:?}");
        }
        let none = LevelRecord { t0_s: 0.0, dt_s: 0.04, level_v: Vec::new(), frame_rate_hz: 25.0, bins_v: 0.0 };
        assert!(modulation(&none, &Picture::unknown(), Reading::Peaks).is_err());
    }

    /// Formats without azimuth keep a whole neighbour; a deck whose level stands still is steady all the same, one that slips is not.
    #[test]
    fn without_azimuth_a_steady_level_has_a_modulation() {
        for format in tapewright_formats::formats() {
            let picture = Picture { beside: Some(crate::beside::Beside::of(format)), ..Picture::unknown() };
            let of = |level: &dyn Fn(i32) -> f64| {
                let level_v = (0..120).map(level).collect();
                let record = LevelRecord { t0_s: 0.0, dt_s: 0.04, level_v, frame_rate_hz: 25.0, bins_v: 0.0 };
                modulation(&record, &picture, Reading::Peaks).unwrap()
            };
            let steady = of(&|n| 0.195 + 0.0005 * f64::from((n * 7919 % 13) - 6) / 3.74);
            assert!(steady.interval.high < 0.03, "{}: {steady:?}", format.name);
            let slips = of(&slip);
            assert!(slips.interval.low > 0.4, "{}: {slips:?}", format.name);
        }
    }

    /// Pairs of a steady picture whose field blanking shows nine tenths, in bins that drift by one against it over the record.
    fn edges(bin_s: f64, drift_bins: f64) -> LevelRecord {
        const SCAN_S: f64 = 0.02;
        let bins = (4.0 / bin_s) as usize;
        let start = |i: usize| (i as f64 + drift_bins * i as f64 / bins as f64) * bin_s;
        let greatest: Vec<f32> = (0..bins)
            .map(|i| {
                let (from, to) = (start(i).rem_euclid(SCAN_S), start(i).rem_euclid(SCAN_S) + bin_s);
                // Any of the picture in the bin shows; the blanking lies at 0.37 ms to 1.66 ms of each scan.
                if from > 0.37e-3 && to < 1.66e-3 { 0.09 } else { 0.1 }
            })
            .collect();
        let pairs = PairTrace::from_volts(0.5 * bin_s, bin_s, greatest.iter().map(|v| -v).collect(), greatest).unwrap();
        let quiet = PairTrace::from_volts(0.0, bin_s, vec![0.0; 64], vec![0.0; 64]).unwrap();
        let noise = PeakNoise::from_quiet(&quiet, 60e6).unwrap();
        let carrier = Carrier { sync_hz: 3.4e6, white_hz: 4.4e6, line_s: 64e-6, sync_tip_s: 4.7e-6, beside: None };
        level_from_pairs(&pairs, &noise, &carrier, 25.0).unwrap()
    }

    #[test]
    fn what_bins_make_of_a_steady_picture_is_no_modulation() {
        for (bin_s, drift_bins) in [(0.4e-3, 1.0), (0.4e-3, 0.5), (0.5e-3, 1.0), (0.2e-3, 0.7)] {
            let got = modulation(&edges(bin_s, drift_bins), &Picture::unknown(), Reading::Peaks).unwrap();
            let says = format!("bins of {bin_s} s drift by {drift_bins}: {got:?}");
            // The bins are seen at all, and no more is sure than that the level may be steady.
            assert!(got.value > 1e-4 && got.interval.low == 0.0 && got.interval.high < 0.01, "{says}");
        }
    }
}
