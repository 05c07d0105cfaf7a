//! Second way to a curve: peak-detect pairs.
//!
//! A bin holds many cycles of the carrier, so half of greatest less least is its amplitude, lifted by
//! noise and by the colour-under signal. For each line the greatest half range is taken: the sync tip,
//! where the carrier is strongest, is in one of its bins whatever the picture. The mean over the lines
//! of a segment goes back through the lift of the noise to the amplitude.
//!
//! *Noise lift.* The noise's deviation and how often it is looked at a bin come from pairs without
//! RF. The greatest of a line comes from its sync tip or, in noise, from the rest of the line, whose
//! carrier is lower by what the picture makes of it (blanking 0.95, white 0.75 of the tip; 0.87 over four
//! tenths of the line is taken).
//! From a tip of which a bin holds four tenths, with nothing beside it, to a rest as strong as blanking
//! everything is possible; a quarter of the difference is a systematic contribution.
//!
//! *Colour-under* adds to the amplitude by a share that is known only within bounds; the same share
//! all along an even picture, where it cancels in ratios.
//!
//! *Field blanking.* Its lines show less than lines with a picture, by a ratio that is taken from the
//! scans themselves ([`crate::blanking`]); lines of sync and equalising pulses are left out. Where the
//! head leaves its track, colour of the neighbour lifts more: by `(1 - 1 / ratio)` times what it adds, half way
//! between powers and amplitudes, with the half distance between them as bounds.
//!
//! *Conversion.* Rounding shifts each end by up to half a step; where noise does not spread the
//! readings over steps it does not average out and counts as systematic.

use crate::blanking::FieldBlanking;
use crate::carrier::Carrier;
use crate::curve::ScanLevels;
use crate::error::{MeasureError, at_least, positive};
use crate::lift::{Lift, Part, greatest_of_noise};
use crate::scan::Scan;
use crate::statistics::moments_of_finite;
use crate::trace::PairTrace;
use tapewright_formats::definitions::SEGMENTS;

/// What is known about the picture and the colour-under signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Picture {
    /// The picture is the same from top to bottom, so what it does to the level cancels in ratios.
    pub even: bool,
    /// Bounds of the colour-under signal's amplitude over the carrier's.
    pub colour_share: (f64, f64),
    /// Bounds of the carrier's level, averaged as the method does, over that at sync tip.
    pub content: (f64, f64),
    /// What lines of field blanking show less, where it was taken: see [`crate::blanking`].
    pub blanking: Option<FieldBlanking>,
}

impl Picture {
    /// Nothing is known: colour-under up to 10 dB below the carrier, white up to 4 dB below sync
    /// (common practice, no source).
    #[must_use]
    pub const fn unknown() -> Self {
        Self { even: false, colour_share: (0.0, 0.316), content: (0.75, 1.0), blanking: None }
    }

    /// A test picture, the same from top to bottom.
    #[must_use]
    pub const fn even() -> Self {
        Self { even: true, ..Self::unknown() }
    }

    pub(crate) fn check(&self) -> Result<(), MeasureError> {
        let (a, b) = self.colour_share;
        let (c, d) = self.content;
        if !(a >= 0.0 && b >= a && b < 10.0 && c > 0.0 && d >= c && d < 10.0) {
            return Err(MeasureError::BadParameter {
                what: "bound of the picture's shares",
                given: b,
                expected: "in order, 0 or more",
            });
        }
        Ok(())
    }
}

/// Noise as peak detection sees it, from pairs in the same set-up without RF.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakNoise {
    deviation_v: f64,
    relative_u: f64,
    looks_a_second: f64,
}

impl PeakNoise {
    /// From pairs without RF, with the bins that the RF will have. `bandwidth_hz` is the channel's.
    ///
    /// The mean half range and its spread together tell the noise's deviation and the count of
    /// independent looks a bin; where the spread is lost in the converter's steps, the count is twice
    /// the bandwidth times the bin.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below 50 pairs, [`MeasureError::BadParameter`].
    pub fn from_quiet(pairs: &PairTrace, bandwidth_hz: f64) -> Result<Self, MeasureError> {
        positive("bandwidth of the channel", bandwidth_hz)?;
        at_least("pairs without RF", pairs.len(), 50)?;
        let m = moments_of_finite((0..pairs.len()).map(|i| pairs.half_range(i)));
        let step = pairs.conversion().step_v;
        let by_bandwidth = (2.0 * bandwidth_hz * pairs.dt_s()).clamp(4.0, 1e7);
        let spread = (m.standard_deviation.powi(2) - step * step / 24.0).max(0.0).sqrt();
        let looks = if spread > 0.4 * step && m.mean > 0.0 {
            // Half of greatest less least spreads by 1/sqrt(2) of the greatest's spread. Bisection on
            // the logarithm: the ratio falls with the count.
            let ratio = |ln: f64| {
                let (mean, deviation) = greatest_of_noise(ln.exp());
                deviation / core::f64::consts::SQRT_2 / mean
            };
            let (mut low, mut high) = (4.0_f64.ln(), 1e6_f64.ln());
            for _ in 0..24 {
                let middle = 0.5 * (low + high);
                if ratio(middle) > spread / m.mean { low = middle } else { high = middle }
            }
            (0.5 * (low + high)).exp()
        } else {
            by_bandwidth
        };
        let (mean, _) = greatest_of_noise(looks);
        let rounding = step / 24.0_f64.sqrt() / (1.0 + (m.standard_deviation / step.max(f64::MIN_POSITIVE)).powi(2));
        let u = (m.standard_deviation / (pairs.len() as f64).sqrt()).hypot(rounding);
        Ok(Self {
            deviation_v: m.mean / mean,
            relative_u: if m.mean > 0.0 { u / m.mean } else { 0.0 },
            looks_a_second: looks / pairs.dt_s(),
        })
    }

    /// Independent looks at the noise within a time.
    pub(crate) fn looks(&self, span_s: f64) -> f64 {
        self.looks_a_second * span_s
    }

    /// The noise's deviation, in volts.
    #[must_use]
    pub const fn deviation_v(&self) -> f64 {
        self.deviation_v
    }
}

/// The way back from mean half ranges to amplitudes, for one bin length: made once, used for each scan.
pub struct PeakCorrection {
    noise: PeakNoise,
    bins: usize,
    dt_s: f64,
    middle: Lift,
    fewest: Lift,
    most: Lift,
}

impl PeakCorrection {
    /// For bins of `dt_s`.
    ///
    /// # Errors
    /// [`MeasureError::TooSlow`] for bins beyond a twentieth of a scan of 262 lines,
    /// [`MeasureError::BadParameter`].
    pub fn new(noise: PeakNoise, carrier: &Carrier, dt_s: f64) -> Result<Self, MeasureError> {
        carrier.check()?;
        positive("length of a bin", dt_s)?;
        if dt_s > 6.0 * carrier.line_s {
            return Err(MeasureError::TooSlow {
                what: "level curve from pairs",
                rate_hz: 1.0 / dt_s,
                needed_hz: 1.0 / (6.0 * carrier.line_s),
            });
        }
        if dt_s < 2.0 / carrier.sync_hz {
            return Err(MeasureError::BadParameter {
                what: "length of a bin",
                given: dt_s,
                expected: "at least two cycles of the carrier: sample it instead",
            });
        }
        let bins = (carrier.line_s / dt_s).ceil().max(1.0) as usize;
        let whole = bins as f64 * dt_s;
        // Bins longer than a line hold several tips.
        let tips = carrier.sync_tip_s * (whole / carrier.line_s).floor().max(1.0);
        let part =
            |amplitude: f64, span: f64| Part { amplitude, looks: noise.looks(span), cycles: carrier.sync_hz * span };
        let of =
            |tip: f64, rest: f64, share: f64| Lift::of(&[part(1.0, tip * tips), part(rest, share * (whole - tips))]);
        Ok(Self { noise, bins, dt_s, middle: of(0.9, 0.87, 0.4), fewest: of(0.4, 0.75, 0.4), most: of(1.0, 0.95, 0.8) })
    }

    /// Amplitude of a half range, as likely as not.
    pub(crate) fn middle_amplitude(&self, half_range: f64) -> f64 {
        self.amplitude(&self.middle, half_range)
    }

    fn amplitude(&self, lift: &Lift, half_range: f64) -> f64 {
        let sigma = self.noise.deviation_v;
        if sigma > 0.0 { sigma * lift.amplitude(half_range / sigma) } else { half_range }
    }
}

/// The greatest half range of a line, and when it was seen.
pub(crate) struct LinePeak {
    /// Middle of the line's bins.
    pub(crate) middle_s: f64,
    /// Middle of the bin that holds it.
    pub(crate) time_s: f64,
    /// Half of greatest less least, in volts.
    pub(crate) half_range: f64,
}

/// The greatest half range of each line of a scan between its guards.
pub(crate) fn line_peaks(
    pairs: &PairTrace,
    scan: &Scan,
    correction: &PeakCorrection,
) -> Result<Vec<LinePeak>, MeasureError> {
    pairs.conversion().demand_unclipped("RF")?;
    let half_bin = 0.5 * pairs.dt_s();
    scan.demand_inside(pairs.t0_s() - half_bin, pairs.t0_s() + pairs.len() as f64 * pairs.dt_s())?;
    if (pairs.dt_s() / correction.dt_s - 1.0).abs() > 0.02 {
        return Err(MeasureError::BadParameter {
            what: "length of a bin",
            given: pairs.dt_s(),
            expected: "that of the correction",
        });
    }
    let mut out = Vec::with_capacity(400);
    let until_s = scan.segment_start_s(SEGMENTS);
    let mut at = ((scan.segment_start_s(0) - pairs.t0_s()) / pairs.dt_s()).ceil().max(0.0) as usize;
    while at + correction.bins <= pairs.len() {
        let middle_s = pairs.time_s(at) + 0.5 * (correction.bins - 1) as f64 * pairs.dt_s();
        if middle_s >= until_s {
            break;
        }
        let top =
            (at..at + correction.bins).fold(at, |m, i| if pairs.half_range(i) > pairs.half_range(m) { i } else { m });
        out.push(LinePeak { middle_s, time_s: pairs.time_s(top), half_range: pairs.half_range(top) });
        at += correction.bins;
    }
    Ok(out)
}

/// Levels of one scan from pairs.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] where the record does not hold the scan,
/// [`MeasureError::BadParameter`] where the bins are not those of the correction.
pub fn levels_by_peaks(
    pairs: &PairTrace,
    scan: &Scan,
    correction: &PeakCorrection,
    picture: &Picture,
) -> Result<ScanLevels, MeasureError> {
    picture.check()?;
    let mut groups: [Vec<f64>; SEGMENTS] = core::array::from_fn(|_| Vec::with_capacity(32));
    let mut blanked = [0_usize; SEGMENTS];
    let mut seen_at = [0.0; SEGMENTS];
    for peak in line_peaks(pairs, scan, correction)? {
        let Some(k) = scan.segment_at(peak.middle_s) else { continue };
        let mut half_range = peak.half_range;
        if let Some(field) = &picture.blanking {
            let at = (peak.middle_s - scan.start_s) / scan.line_s();
            if at < field.lines.plain || (at >= field.lines.until && at < field.lines.picture) {
                continue;
            }
            if at < field.lines.until {
                // The noise's lift is the same with and without a picture.
                half_range += (field.ratio - 1.0) * correction.middle_amplitude(half_range);
                blanked[k] += 1;
            }
        }
        groups[k].push(half_range);
        seen_at[k] += peak.time_s;
    }
    let (lo, hi) = picture.colour_share;
    let share = 1.0 + 0.5 * (lo + hi);
    // Tapes have colour or they have none: the ends of the bounds are the likeliest (U-shaped, as an arcsine's `a / sqrt(2)`).
    let share_u = 0.5 * (hi - lo) / core::f64::consts::SQRT_2 / share;
    let sigma = correction.noise.deviation_v;
    let step = pairs.conversion().step_v;
    let mut out = ScanLevels {
        level_v: [0.0; SEGMENTS],
        random_v: [0.0; SEGMENTS],
        systematic_v: [0.0; SEGMENTS],
        gain_u: pairs.conversion().gain_uncertainty.hypot(share_u),
        shape_u: if picture.even { 0.0 } else { share_u },
        noise_v: sigma * core::f64::consts::SQRT_2,
    };
    let mut means = [0.0; SEGMENTS];
    for (k, group) in groups.iter().enumerate() {
        at_least("lines in a segment", group.len(), 1)?;
        means[k] = group.iter().sum::<f64>() / group.len() as f64;
        seen_at[k] /= group.len() as f64;
    }
    let means = scan.at_middles(&means, &seen_at);
    let greatest = means.iter().fold(f64::MIN_POSITIVE, |m, v| m.max(*v));
    for (k, group) in groups.iter().enumerate() {
        let (n, seen) = (group.len() as f64, means[k]);
        let level = correction.amplitude(&correction.middle, seen);
        let differences: f64 = group.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
        let scatter = if group.len() > 1 { (differences / (2.0 * (n - 1.0))).sqrt() } else { 0.5 * sigma };
        // Lift of noise known to relative_u; looks known between their bounds; rounding.
        let lift = (seen - level) * correction.noise.relative_u;
        let looks =
            0.5 * (correction.amplitude(&correction.fewest, seen) - correction.amplitude(&correction.most, seen)) / 2.0;
        let rounding = step / 24.0_f64.sqrt() / (1.0 + (scatter / step.max(f64::MIN_POSITIVE)).powi(2) * 4.0);
        let (field_u, (colour, colour_u)) = match &picture.blanking {
            Some(field) => {
                (field.ratio_u / field.ratio * blanked[k] as f64 / n, colour_beside(field.ratio, seen / greatest))
            }
            None => (0.0, (0.0, 0.0)),
        };
        // Lines seen away from the segment's middle are carried there along the slope: their scatter grows.
        let away = (0.5 * (scan.segment_start_s(k) + scan.segment_start_s(k + 1)) - seen_at[k]).abs();
        let carried = 1.0 + away / (scan.segment_start_s(k + 1) - scan.segment_start_s(k));
        let scale = share * (1.0 + colour);
        out.level_v[k] = level / scale;
        out.random_v[k] = (scatter / n.sqrt() * carried).hypot(rounding) / scale;
        out.systematic_v[k] = lift.hypot(looks).hypot(level * field_u).hypot(level * colour_u) / scale;
    }
    Ok(out)
}

/// By how much the colour-under signal lifts the reading more where the head leaves its track, and the standard
/// uncertainty of that: the carrier falls to `left`, and what the head reads of the neighbour in
/// exchange adds its colour, which the azimuth hardly keeps out, by something between powers and
/// amplitudes. `ratio` tells how much colour lifts on the track.
fn colour_beside(ratio: f64, left: f64) -> (f64, f64) {
    let lift = (1.0 - ratio.recip()).max(0.0);
    let left = left.clamp(0.3, 1.0);
    let amplitudes = (1.0 - left) / left;
    let powers = 1.0_f64.hypot(amplitudes) - 1.0;
    (lift * 0.5 * (powers + amplitudes), lift * 0.5 * (amplitudes - powers) / 3.0_f64.sqrt())
}
