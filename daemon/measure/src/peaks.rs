//! Second way to a curve: peak-detect pairs.
//!
//! A bin holds many cycles of the carrier, so half of greatest less least is its amplitude, lifted by
//! noise and by the colour-under signal. For each line the greatest half range is taken: the sync tip,
//! where the carrier is strongest, is in one of its bins whatever the picture. The mean over the lines
//! of a segment goes back through the lift of the noise to the amplitude.
//!
//! *Noise lift.* The noise's deviation and how often it is looked at a bin come from pairs without
//! RF. The greatest of a line comes from its sync tip or, in noise, from the rest of the line, whose
//! carrier is lower by what the picture makes of it (blanking 0.95, which both porches have always, white 0.75 of the
//! tip; 0.87 over four tenths of the rest is taken).
//! Where lines show more than field blanking does, colour stands upon the carrier, and the crests of both meet seldom:
//! there are fewer looks. From a tip of which a bin holds four tenths, with nothing beside it, to a rest as strong as blanking
//! everything is possible, and the porches lie where white's loss puts them; a quarter of the difference is a systematic
//! contribution.
//!
//! *Colour-under* adds to the amplitude by a share that is known only within bounds; the same share
//! all along an even picture, where it cancels in ratios. What lines of field blanking show tells the level apart
//! from most of it: they hold a burst at the most.
//!
//! *Field blanking.* Its lines show less than lines with a picture, by a ratio that is taken from the
//! scans themselves ([`crate::blanking`]); lines of sync and equalising pulses are left out.
//!
//! *The neighbouring track.* Where the head leaves its track it reads the neighbour's instead, whose colour and
//! carrier beat against its own: see [`crate::beside`].
//!
//! *Windows* of a line and a little more follow each other bin by bin, so that every place of the bins against
//! the lines comes up; neighbouring windows share bins, and count as so many fewer.
//!
//! *Conversion.* What is left of rounding where noise spreads the readings over steps repeats from frame to frame and is
//! each head's own.

mod noise;

pub use noise::PeakNoise;

use crate::beside::{AT_BLANKING, Added, Left};
use crate::carrier::Carrier;
use crate::colour::ColourPart;
use crate::curve::{ScanLevels, Segments, Shared};
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Spread};
use crate::lift::{Lift, Part, with_colour};
use crate::picture::{BAR, NEXT_BARS, Picture};
use crate::scan::Scan;
use crate::statistics::left_of_rounding;
use crate::trace::PairTrace;
use tapewright_formats::definitions::SEGMENTS;

/// Length of front and back porch, in tips: 10.9 us of blanking less 4.7 us of tip, or 12 us less 4.7 us (SMPTE 170M, BT.1700;
/// from memory).
const PORCHES: f64 = 1.4;

/// Least and greatest of the carrier at blanking over that at sync tip: white lies 4 or 1 dB below the tip (common practice,
/// no source), and blanking two sevenths of the way.
const BLANKING: (f64, f64) = (0.9, 0.97);

/// A colour burst over the carrier is at most this share of the bound of the colour-under signal: the most saturated
/// colours are 3.2 times the burst's amplitude (0.63 V over half of 0.286 V or 0.3 V; computed from full bars), ordinary
/// bars 2.2 times.
const BURST: f64 = 1.0 / 2.2;

/// The way back from mean half ranges to amplitudes, for one bin length: made once, used for each scan.
pub struct PeakCorrection {
    noise: PeakNoise,
    /// Bins in a window.
    pub(crate) bins: usize,
    dt_s: f64,
    middle: Lift,
    coloured: Lift,
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
        // Both porches lie at blanking, whatever the picture is.
        let of = |tip: f64, porches: f64, rest: f64, share: f64| {
            let porches = part(porches, PORCHES * tips);
            Lift::of(&[part(1.0, tip * tips), porches, part(rest, share * (whole - (1.0 + PORCHES) * tips))])
        };
        let bar = |amplitude: f64| with_colour(part(amplitude, BAR.1 * tips), BAR.0);
        let bars: Vec<Part> = NEXT_BARS.into_iter().flat_map(bar).collect();
        Ok(Self {
            noise,
            bins,
            dt_s,
            middle: of(0.9, AT_BLANKING, 0.87, 0.4),
            coloured: Lift::of(&bars),
            fewest: of(0.4, BLANKING.0, 0.75, 0.4),
            most: of(1.0, BLANKING.1, 0.95, 0.8),
        })
    }

    /// Amplitude of a half range, as likely as not.
    pub(crate) fn middle_amplitude(&self, half_range: f64) -> f64 {
        self.amplitude(&self.middle, half_range)
    }

    fn amplitude(&self, lift: &Lift, half_range: f64) -> f64 {
        let sigma = self.noise.deviation_v();
        if sigma > 0.0 { sigma * lift.amplitude(half_range / sigma) } else { half_range }
    }
}

/// The greatest half range of a window of a line, and when it was seen.
pub(crate) struct LinePeak {
    /// Middle of the window's bins.
    pub(crate) middle_s: f64,
    /// Middle of the bin that holds it.
    pub(crate) time_s: f64,
    /// Half of greatest less least, in volts.
    pub(crate) half_range: f64,
}

/// The greatest half range of each window of a scan between its guards: one for every bin that it may begin at.
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
        at += 1;
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
    let scale = Scale::of(picture, pairs.conversion().gain_share());
    let sigma = correction.noise.deviation_v();
    let step = pairs.conversion().step_v;
    let mut means = [0.0; SEGMENTS];
    for (k, group) in groups.iter().enumerate() {
        at_least("lines in a segment", group.len(), 1)?;
        means[k] = group.iter().sum::<f64>() / group.len() as f64;
        seen_at[k] /= group.len() as f64;
    }
    // What the ratio of field blanking leaves unknown goes into the slope that carries lines to the middle, too.
    let ratio_u = picture.blanking.map_or(0.0, |taken| taken.ratio_u / taken.ratio);
    let lifted: Segments =
        core::array::from_fn(|k| means[k] * (1.0 + ratio_u * blanked[k] as f64 / groups[k].len() as f64));
    let lifted = scan.at_middles(&lifted, &seen_at);
    let means = scan.at_middles(&means, &seen_at);
    let greatest = means.iter().fold(f64::MIN_POSITIVE, |m, v| m.max(*v));
    // Places of a line that a window holds twice: tips for the carrier, patches of a tenth of a line for colour.
    let twice = correction.bins as f64 * correction.dt_s / scan.line_s() - 1.0 + 0.1;
    let added = |level: f64, blanked: f64| -> Added {
        let Some(beside) = picture.beside else { return Added::default() };
        let of = |bounds, plain| beside.added(Left { level, twice, coloured: scale.coloured }, bounds, plain);
        of(scale.colour, false).mixed(of(scale.burst, true), blanked)
    };
    let on_track = Left { level: 1.0, twice, coloured: scale.coloured };
    let of_head = picture.beside.iter().map(|beside| beside.wide(on_track, scale.colour)).collect();
    // The ratio of field blanking was taken at the end of it, about the border of segments 1 and 2; of a scan beside its track,
    // on the track.
    let border = picture.on_track_v.map_or(0.5 * (means[1] + means[2]) / greatest, |_| 1.0);
    let both = |added: Added| added.colour + added.carrier;
    let at_border = if picture.blanking.is_some() { both(added(border, 0.0)) - both(added(border, 1.0)) } else { 0.0 };
    let shared = |name, spread, own| Shared { name, spread, by_v: [0.0; SEGMENTS], own };
    let mut lift = shared("lift of noise", Spread::Normal, false);
    let mut rounding = shared("rounding", Spread::AtEnds, true);
    let mut field = shared("field blanking", Spread::Normal, false);
    let mut colour = shared("colour of the neighbouring track", Spread::Rectangular, false);
    let mut beat = shared("carrier of the neighbouring track", Spread::Normal, false);
    let (mut level_v, mut random_v): (Segments, Segments) = ([0.0; SEGMENTS], [0.0; SEGMENTS]);
    for (k, group) in groups.iter().enumerate() {
        let (n, seen) = (group.len() as f64, means[k]);
        let plain = correction.amplitude(&correction.middle, seen);
        let coloured = correction.amplitude(&correction.coloured, seen);
        let level = plain + scale.coloured * (coloured - plain);
        // Windows that share no bin tell the scatter, and so many are independent.
        let apart = group.len().saturating_sub(correction.bins);
        let differences: f64 =
            group.iter().zip(&group[correction.bins.min(group.len())..]).map(|(a, b)| (b - a).powi(2)).sum();
        let scatter = if apart > 0 { (differences / (2.0 * apart as f64)).sqrt() } else { 0.5 * sigma };
        let independent = (n / correction.bins as f64).max(1.0);
        let share = blanked[k] as f64 / n;
        let fallen = picture.on_track_v.map_or(seen / greatest, |on_track_v| level / scale.factor / on_track_v);
        let added = added(fallen, share);
        // Blanked lines were scaled by a ratio that the neighbour's colour had a part in, where it was taken.
        let whole = scale.factor * (1.0 + added.colour + added.carrier) * (1.0 + (share - 1.0) * at_border);
        let level = level / whole;
        // Lines seen away from the segment's middle are carried there along the slope: their scatter grows.
        let away = (0.5 * (scan.segment_start_s(k) + scan.segment_start_s(k + 1)) - seen_at[k]).abs();
        let carried = 1.0 + away / (scan.segment_start_s(k + 1) - scan.segment_start_s(k));
        level_v[k] = level;
        random_v[k] = scatter / independent.sqrt() * carried / whole;
        // Lift of noise known to relative_u; looks known between their bounds.
        let looks =
            0.5 * (correction.amplitude(&correction.fewest, seen) - correction.amplitude(&correction.most, seen)) / 2.0;
        // Which of both it is is known as well as colour shows; where none does, a burst may still be the greatest.
        let either = (0.5 - 0.25 * scale.coloured) * (coloured - plain) / 3.0_f64.sqrt();
        lift.by_v[k] = ((seen - level * whole) * correction.noise.relative_u()).hypot(looks).hypot(either) / whole;
        // Half of the sum of two ends, each of which scatters by `sqrt(2)` of the half range.
        let one_end = left_of_rounding(step, core::f64::consts::SQRT_2 * scatter);
        rounding.by_v[k] = one_end / core::f64::consts::SQRT_2 / whole;
        field.by_v[k] = level * (lifted[k] / seen.max(f64::MIN_POSITIVE) - 1.0);
        colour.by_v[k] = level * added.colour_u;
        beat.by_v[k] = level * added.carrier_u;
    }
    Ok(ScanLevels {
        level_v,
        random_v,
        shared: vec![lift, rounding, field, colour, beat],
        common: scale.common,
        of_head,
        shape_u: if picture.even { 0.0 } else { scale.shape_u },
        colour: ColourPart::Amplitude(scale.colour.1),
        noise_v: sigma * core::f64::consts::SQRT_2,
        frame_u: 0.0,
    })
}

/// From readings of lines with a picture to the carrier's level at sync tip.
struct Scale {
    /// Readings over levels.
    factor: f64,
    /// Bounds of the colour-under signal's share of a reading.
    colour: (f64, f64),
    /// The same in lines of field blanking.
    burst: (f64, f64),
    /// How surely the greatest comes from colour upon the carrier, 0 to 1.
    coloured: f64,
    common: Vec<Contribution>,
    shape_u: f64,
}

impl Scale {
    fn of(picture: &Picture, gain: Contribution) -> Self {
        let (lo, hi) = picture.colour_share;
        // Midway between the levels that either end leaves of a reading. Tapes have colour or they have none: the ends of the
        // bounds are the likeliest.
        let (most, least) = ((1.0 + lo).recip(), (1.0 + hi).recip());
        let share = 2.0 / (most + least);
        let share_u = 0.5 * (most - least) * share / core::f64::consts::SQRT_2;
        let Some(field) = &picture.blanking else {
            let colour = Contribution::type_b("colour-under", share_u).spread(Spread::AtEnds);
            let bounds = (lo / (1.0 + lo), hi / (1.0 + hi));
            return Self {
                factor: share,
                colour: bounds,
                burst: bounds,
                coloured: 0.0,
                common: vec![gain, colour],
                shape_u: share_u,
            };
        };
        // A line of field blanking shows its sync tip, or its burst upon the carrier at blanking.
        let burst = |bound: f64| (AT_BLANKING + BURST * bound).max(1.0);
        let (least, most) = (burst(lo), burst(hi));
        let plain = 0.5 * (least + most);
        // A line that shows more than field blanking does has colour upon a carrier that the picture makes as low as
        // `content`; one that shows no more has its tip, or a burst.
        let shows_more = ((field.ratio - 1.0) / (4.0 * field.level_u)).clamp(0.0, 1.0);
        let (burst_only, with_picture) = (1.0 - AT_BLANKING / most, 1.0 - picture.content.0 / (field.ratio * most));
        let greatest = burst_only + shows_more * (with_picture - burst_only).max(0.0);
        let colour = ((1.0 - field.ratio.recip()).max(0.0), greatest.min(hi / (1.0 + hi)));
        let common = vec![
            gain,
            Contribution::rectangular("colour burst", 0.5 * (most - least) / plain),
            Contribution::type_b("field blanking", field.level_u / field.ratio),
        ];
        Self {
            factor: field.ratio * plain,
            colour,
            burst: (0.0, burst_only),
            coloured: shows_more,
            common,
            shape_u: share_u,
        }
    }
}
