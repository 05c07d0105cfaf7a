//! First way to a curve: RF sampled fast, the carrier's band filtered out.
//!
//! The samples are mixed with the sync-tip frequency, low-passed and decimated in one step (a complex
//! FIR filter, Blackman's window of [`FILTER_S`]): a carrier `a cos(2 pi f t)` becomes `z = a/2` at
//! the sync-tip frequency. Colour-under lies more than 2.5 MHz away and is suppressed by about 58 dB.
//!
//! *Picture-independent:* playback level falls with frequency, so equal places are compared: the sync
//! tip, which each line has. In each line the stretch of [`SHORT_S`] with the lowest mean frequency
//! is looked for (mean frequency is the phase at its end less that at its start), and lengthened to
//! [`LONG_S`] where that is as low; equalising pulses hold only the short one. Where noise picks
//! the stretch it does so by the phase, which tells nothing of the amplitude; but under a bright picture, which the filter
//! keeps out, there is little amplitude: where stretches of a segment lie at different places of the line, the place is taken
//! from all of them, as below.
//!
//! *A neighbour at another frequency* (where lines do not lie side by side, see [`crate::beside`]) beats against the
//! carrier many times in a tip: where its beat takes amplitude away it lowers the frequency as well, and the lowest
//! stretch is the weakest one. There the place of the tip in the line is taken from all lines of the segment together
//! (the one that is least far from all that were found), and the power at that place. Under a bright picture the filter
//! keeps the stronger carrier out: it lets the neighbour's tips through, which are as low, and where both carriers' rests
//! take each other away the frequency may be anything. So of all places that were found, and those with the most power,
//! the one that clearly has more power over all lines is the head's own tip.
//!
//! Per segment: `L = sqrt(4 (mean |z|^2 - noise power))`, the noise power from a capture without RF
//! through the same filter.

use crate::baseband::{Baseband, baseband};
use crate::beside::Beside;
use crate::colour::ColourPart;
use crate::curve::{ScanLevels, Shared};
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Spread};
use crate::picture::Picture;
use crate::scan::Scan;
use crate::trace::Trace;
use tapewright_formats::Format;
use tapewright_formats::definitions::SEGMENTS;

/// Length of the filter.
pub const FILTER_S: f64 = 1.3e-6;
/// Shorter stretch of a sync tip: fits into an equalising pulse less the filter's rise.
pub const SHORT_S: f64 = 1.2e-6;
/// Longer stretch: fits into a sync tip less the filter's rise.
pub const LONG_S: f64 = 3.2e-6;
/// Least samples a carrier cycle (of peak white) for this way.
pub const LEAST_SAMPLES_A_CYCLE: f64 = 4.0;

/// What of a format the level needs to know.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carrier {
    /// Frequency at sync tip.
    pub sync_hz: f64,
    /// Frequency at peak white.
    pub white_hz: f64,
    /// Line period.
    pub line_s: f64,
    /// Length of a line's sync tip.
    pub sync_tip_s: f64,
    /// What the format says about the neighbouring track, if that is known.
    pub beside: Option<Beside>,
}

impl Carrier {
    /// From a row of the table.
    #[must_use]
    pub fn of(format: &Format) -> Self {
        Self {
            sync_hz: format.fm_sync_hz.value,
            white_hz: format.fm_white_hz.value,
            line_s: 1.0 / format.lines.line_rate_hz(),
            sync_tip_s: format.lines.video().h_sync_us.value * 1e-6,
            beside: Some(Beside::of(format)),
        }
    }

    pub(crate) fn check(&self) -> Result<(), MeasureError> {
        positive("sync-tip frequency", self.sync_hz)?;
        positive("line period", self.line_s)?;
        positive("length of a sync tip", self.sync_tip_s)?;
        positive("carrier deviation", self.white_hz - self.sync_hz).map(|_| ())
    }
}

/// Noise power in the carrier's band, from a capture in the same set-up without RF.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarrierNoise {
    /// Mean of `|z|^2`, in square volts.
    power_v2: f64,
    /// Relative standard uncertainty of that.
    relative_u: f64,
}

impl CarrierNoise {
    /// From a capture without RF, sampled as the RF will be.
    ///
    /// # Errors
    /// [`MeasureError::TooSlow`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
    pub fn from_quiet(trace: &Trace, carrier: &Carrier) -> Result<Self, MeasureError> {
        let band = baseband(trace, carrier)?;
        let n = band.phase.len() as f64;
        // Neighbours within the filter's width are not independent.
        let independent = (n * band.dt_s / (0.5 * FILTER_S)).max(1.0).min(n);
        Ok(Self { power_v2: band.power.last().copied().unwrap_or(0.0) / n, relative_u: 1.0 / independent.sqrt() })
    }

    /// No noise: for data that has none.
    #[must_use]
    pub const fn none() -> Self {
        Self { power_v2: 0.0, relative_u: 0.0 }
    }

    /// The noise as an amplitude, in volts.
    #[must_use]
    pub fn amplitude_v(&self) -> f64 {
        2.0 * self.power_v2.sqrt()
    }
}

/// Levels of one scan from RF sampled at least [`LEAST_SAMPLES_A_CYCLE`] times a cycle of peak white.
///
/// # Errors
/// [`MeasureError::TooSlow`], [`MeasureError::TooShort`] where the record does not hold the scan,
/// [`MeasureError::Clipped`], [`MeasureError::BadParameter`].
pub fn levels_by_carrier(
    trace: &Trace,
    scan: &Scan,
    carrier: &Carrier,
    noise: &CarrierNoise,
    picture: &Picture,
) -> Result<ScanLevels, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    scan.demand_inside(trace.t0_s(), trace.t0_s() + trace.span_s())?;
    let band = baseband(trace, carrier)?;
    let places = |length_s: f64| ((length_s / band.dt_s).round() as usize).max(2);
    let (short, long) = (places(SHORT_S), places(LONG_S));
    let radians = |hz: f64| core::f64::consts::TAU * hz * band.dt_s;
    let deviation = carrier.white_hz - carrier.sync_hz;
    // Lower than this no picture goes: noise does. A stretch may be longer where its frequency is as low.
    let (aim, as_low) = (radians(-0.4 * deviation), radians(0.04 * deviation));
    let (mut powers, mut seen_at) = ([0.0; SEGMENTS], [0.0; SEGMENTS]);
    let (mut levels, mut random) = ([0.0; SEGMENTS], [0.0; SEGMENTS]);
    let mut systematic = [0.0; SEGMENTS];
    let mut squares: Vec<f64> = Vec::with_capacity(32);
    let mut tips: Vec<Tip> = Vec::with_capacity(32);
    let place = Place {
        line: carrier.line_s / band.dt_s,
        short,
        long,
        earlier: SHORTER_S / band.dt_s,
        aim,
        tip_away: -aim,
        as_low: BEATS * as_low,
        noise_v2: noise.power_v2,
    };
    let beats = carrier.beside.is_some_and(|beside| !beside.aligned);
    for k in 0..SEGMENTS {
        squares.clear();
        tips.clear();
        let (from, until) = (scan.segment_start_s(k), scan.segment_start_s(k + 1));
        // Slots of a line or a little more: each holds a whole tip.
        let lines = ((until - from) / carrier.line_s + 1e-6).floor().max(1.0);
        let slot = (until - from) / lines;
        let mut n = 0.0;
        while n < lines {
            let start = from + n * slot;
            // A little more than a line, so that a tip on the border is whole in one of the two slots.
            let (a, b) = (band.place(start), band.place(start + slot + LONG_S));
            let pulses = (start + slot - scan.start_s) < PULSES_LINES * scan.line_s();
            if let Some((start, away)) = band.lowest(a, b, short, aim) {
                let mut tip = Tip { start, length: short, away, slot: (a, b), pulses };
                if let Some((start, away_long)) = band.lowest(a, b, long, aim)
                    && away_long < away + as_low
                {
                    tip = Tip { start, length: long, away: away_long, ..tip };
                }
                tips.push(tip);
            }
            n += 1.0;
        }
        place.move_there(&mut tips, beats, &band);
        for tip in &tips {
            seen_at[k] += band.t0_s + tip.middle() * band.dt_s;
            squares.push(4.0 * (band.mean_power(tip.start, tip.length) - noise.power_v2));
        }
        at_least("lines in a segment", squares.len(), 2)?;
        seen_at[k] /= squares.len() as f64;
        powers[k] = squares.iter().sum::<f64>() / squares.len() as f64;
        (levels[k], random[k]) = root_of_mean(&squares);
        let scale = levels[k].max(noise.amplitude_v()).max(f64::MIN_POSITIVE);
        systematic[k] = 4.0 * noise.power_v2 * noise.relative_u / (2.0 * scale);
    }
    for (k, moved) in scan.at_middles(&powers, &seen_at).into_iter().enumerate() {
        if powers[k] > 0.0 && moved > 0.0 {
            levels[k] *= (moved / powers[k]).sqrt();
        }
    }
    // The band lets a neighbour through that lies side by side, and keeps out one that is at another frequency.
    let greatest = levels.iter().fold(f64::MIN_POSITIVE, |m, v| m.max(*v));
    let mut kept_out = [0.0; SEGMENTS];
    for k in 0..SEGMENTS {
        let lost = carrier.beside.map_or(0.0, |beside| beside.kept_out(levels[k] / greatest));
        levels[k] *= 1.0 + 0.5 * lost;
        kept_out[k] = levels[k] * 0.5 * lost / 3.0_f64.sqrt();
    }
    let name = "carrier of the neighbouring track";
    let beside = Shared { name, spread: Spread::Rectangular, by_v: kept_out, own: false };
    let noise_left = Shared { name: "correction of noise", spread: Spread::Normal, by_v: systematic, own: false };
    let wide: Vec<Contribution> = carrier.beside.iter().map(Beside::wide_kept_out).collect();
    let shape_u = if picture.even { 0.0 } else { wide.iter().map(unlike_along_the_scan).fold(0.0, f64::max) };
    Ok(ScanLevels {
        level_v: levels,
        random_v: random,
        shared: vec![noise_left, beside],
        common: vec![trace.conversion().gain_share()],
        of_head: wide,
        shape_u,
        colour: ColourPart::None,
        noise_v: noise.amplitude_v(),
        frame_u: 0.0,
    })
}

/// What is kept out of a head wider than its track follows the neighbour's picture beside the tip: all of it where that is white, and
/// none where it is black. Where the picture is not the same from top to bottom two segments are unlike by some part of it, and which
/// part is not known: about the deviation of a difference of two parts, each anything from none to all.
fn unlike_along_the_scan(kept_out: &Contribution) -> f64 {
    kept_out.standard_uncertainty * core::f64::consts::FRAC_1_SQRT_2
}

/// A stretch of a sync tip.
#[derive(Clone, Copy)]
struct Tip {
    start: usize,
    length: usize,
    /// Its mean frequency's distance from the one aimed at.
    away: f64,
    /// Where it was looked for.
    slot: (usize, usize),
    /// It lies where the pulses of vertical sync may be.
    pulses: bool,
}

impl Tip {
    fn middle(&self) -> f64 {
        self.start as f64 + 0.5 * self.length as f64
    }
}

/// By so many times the scatter of noise the power at a place must be greater.
const CLEAR: f64 = 4.0;

/// How much farther from the lowest frequency a stretch may be that is the tip all the same: a neighbour of a fifth of the
/// amplitude turns the phase by a fifth of a radian, over the shorter stretch a twentieth of the deviation or so. In
/// units of what is as low without one.
const BEATS: f64 = 3.0;

/// So many lines from the head switch vertical sync with its equalising pulses is over: it begins 6.5 lines after it, 1.5
/// more or less, and lasts 6 (common practice, no source).
const PULSES_LINES: f64 = 14.0;

/// The middle of an equalising pulse lies so much earlier than that of a sync tip: both begin together, and last 2.3 us and
/// 4.7 us (SMPTE 170M, BT.1700; from memory).
const SHORTER_S: f64 = 1.2e-6;

/// How the place of the tip in the line is told from all lines of a segment; lengths in outputs of the band.
struct Place {
    line: f64,
    short: usize,
    long: usize,
    /// By how much the middle of an equalising pulse lies earlier.
    earlier: f64,
    aim: f64,
    /// Distance of the sync tip from the frequency aimed at.
    tip_away: f64,
    as_low: f64,
    noise_v2: f64,
}

impl Place {
    /// Whether a stretch is as low as a tip: as the line's lowest, which noise or a beat may have taken under the tip.
    fn may_be_tip(&self, away: f64, lowest: &Tip) -> bool {
        away < lowest.away.max(self.tip_away) + self.as_low
    }

    fn apart(&self, a: f64, b: f64) -> f64 {
        let lines = (a - b) / self.line;
        (lines - lines.round()) * self.line
    }

    /// The stretch of a tip's line at a place of the line, if it may be the tip.
    fn at(&self, tip: &Tip, common: f64, band: &Baseband) -> Option<Tip> {
        let (place, length) = if tip.pulses { (common - self.earlier, self.short) } else { (common, self.long) };
        let place = tip.middle() - self.apart(tip.middle(), place);
        let start = (place - 0.5 * length as f64).round().max(0.0) as usize;
        let away = band.away(start, length, self.aim)?;
        self.may_be_tip(away, tip).then_some(Tip { start, length, away, ..*tip })
    }

    /// Mean power at a place over the lines that may have a tip there, of all lines.
    fn power_v2(&self, tips: &[Tip], common: f64, band: &Baseband) -> f64 {
        let there = tips.iter().filter_map(|tip| self.at(tip, common, band));
        there.map(|tip| band.mean_power(tip.start, tip.length)).sum::<f64>() / tips.len() as f64
    }

    /// Moves stretches to the place in the line that is least far from all of them, or to that of one of them or of
    /// those with the most power that clearly has more of it: all of them where a neighbour `beats`, else where noise took one
    /// away from the others. Pulses of vertical sync have no say in it; where lines begin with one, the shorter stretch
    /// lies in its middle.
    fn move_there(&self, tips: &mut [Tip], beats: bool, band: &Baseband) {
        let plain: Vec<Tip> = tips.iter().filter(|tip| !tip.pulses).copied().collect();
        let far = |a: &Tip| plain.iter().map(|b| self.apart(b.middle(), a.middle()).abs()).sum::<f64>();
        let Some(mut common) = plain.iter().min_by(|a, b| far(a).total_cmp(&far(b))).map(Tip::middle) else { return };
        let beside = |tip: &Tip| self.apart(tip.middle(), common).abs() > self.long as f64;
        if !beats && !plain.iter().any(beside) {
            return;
        }
        // Of places in noise one always has the most: only what stands clear of its scatter counts.
        let clear_v2 = CLEAR * self.noise_v2 / (plain.len() as f64).sqrt();
        let mut most_v2 = self.power_v2(&plain, common, band) + clear_v2;
        let strongest = plain.iter().filter_map(|tip| self.strongest(tip, band));
        for tip in plain.iter().copied().chain(strongest) {
            let power_v2 = self.power_v2(&plain, tip.middle(), band);
            if power_v2 > most_v2 && self.apart(tip.middle(), common).abs() > self.long as f64 {
                (common, most_v2) = (tip.middle(), power_v2);
            }
        }
        for tip in tips {
            if let Some(moved) = self.at(tip, common, band) {
                *tip = moved;
            }
        }
    }

    /// The stretch with the most power where a tip was looked for, if it may be the tip.
    fn strongest(&self, tip: &Tip, band: &Baseband) -> Option<Tip> {
        let start = band.strongest(tip.slot.0, tip.slot.1, self.long)?;
        let away = band.away(start, self.long, self.aim)?;
        self.may_be_tip(away, tip).then_some(Tip { start, length: self.long, away, ..*tip })
    }
}

/// Root of the mean of squares and its standard uncertainty, the latter from successive differences
/// (which a level that changes along the segment does not enter). A negative mean becomes 0. The root
/// of a noisy mean is too small by an eighth of its relative variance: corrected.
pub(crate) fn root_of_mean(squares: &[f64]) -> (f64, f64) {
    let n = squares.len() as f64;
    let mean = squares.iter().sum::<f64>() / n;
    let differences: f64 = squares.windows(2).map(|w| (w[1] - w[0]).powi(2)).sum();
    let u = if squares.len() > 1 { (differences / (2.0 * (n - 1.0)) / n).sqrt() } else { mean.abs() };
    if mean <= u {
        // In the noise: the level is at most about the root of what is uncertain.
        return (mean.max(0.0).sqrt(), u.sqrt());
    }
    let root = mean.sqrt();
    (root * (1.0 + (u / mean).powi(2) / 8.0), u / (2.0 * root))
}
