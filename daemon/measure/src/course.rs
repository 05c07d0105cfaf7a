//! Level of a single scan against position in fine steps, the noise taken off: for levels that rise and fall within a scan, as
//! in search.
//!
//! *Pairs.* All bins of a place count alike, not the greatest of a line, so that picture and colour are to both heads
//! what they are to one, and only noise lifts a weak level more than a strong one. The mean half range of a place goes
//! back through the lift of the noise (`lift.rs`). How much of a bin stands at its crest depends on the picture: all of it
//! with no colour, or what one colour bar fills of it; half way between is taken, and the rest is a contribution.
//!
//! *Under-sampled RF.* The noise's power is taken off the power of a place.
//!
//! The level of a scan is, by definition, the root of the mean square over whole bars: a part of one lifts or lowers it by
//! where it lies, and scans that are caught one after the other may all have it at one place. For the same reason field
//! blanking is left out where that leaves a bar: without colour it looks lower than it is.

use crate::carrier::Carrier;
use crate::error::{MeasureError, at_least};
use crate::lift::{Lift, Part, with_colour};
use crate::peaks::PeakNoise;
use crate::picture::BAR;
use crate::power::PowerNoise;
use crate::scan::Scan;
use crate::search::ScanCourse;
use crate::trace::{PairTrace, Trace};
use tapewright_formats::definitions::{GUARD_LINES, SEGMENTS, whole_bars};

/// Places of a segment.
const A_SEGMENT: usize = 6;
/// Places of a scan: nine for a bar of the greatest count that is looked for.
const PLACES: usize = A_SEGMENT * SEGMENTS;

/// One scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Level against position.
    pub scan: ScanCourse,
    /// Lines of a scan.
    lines: f64,
    /// Levels when the noise is off by its standard uncertainty, in volts.
    noisier_v: Vec<f64>,
    /// Levels when a whole bin stands at its crest.
    crest_v: Vec<f64>,
}

/// Level of a scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CourseLevel {
    /// In volts.
    pub level_v: f64,
    /// By how much it is off when the noise is by its standard uncertainty, in volts.
    pub by_noise_v: f64,
    /// Its standard uncertainty from how much of a bin stands at its crest, in volts.
    pub by_crest_v: f64,
    /// By how much it is off when the count of bars is by its standard uncertainty, in volts and with its sign.
    pub by_count_v: f64,
}

impl Course {
    /// Without the places that reach beyond a position: there the other head may be on already.
    #[must_use]
    pub fn until(mut self, end: f64) -> Self {
        let guard = GUARD_LINES / self.lines;
        let step = (1.0 - 2.0 * guard) / PLACES as f64;
        let kept = (((end - guard) / step + 1e-9).floor().max(0.0) as usize).min(self.scan.level_v.len());
        self.scan.to = guard + (kept as f64 - 0.5) * step;
        for levels in [&mut self.scan.level_v, &mut self.noisier_v, &mut self.crest_v] {
            levels.truncate(kept);
        }
        self
    }

    /// Level over whole bars, of which a scan holds so many and so many standard uncertainties more or less; over all of it where
    /// that is not known.
    #[must_use]
    pub fn level(&self, bars: Option<(f64, f64)>) -> CourseLevel {
        let guard = GUARD_LINES / self.lines;
        let (count, step) = (self.scan.level_v.len(), (1.0 - 2.0 * guard) / PLACES as f64);
        let all = (guard, guard + count as f64 * step);
        let over = |levels: &[f64], (from, to): (f64, f64)| {
            let (from, to) = ((from - guard) / step, (to - guard) / step);
            // A place that they reach into counts by its share.
            let share = |i: f64| (to.min(i + 1.0) - from.max(i)).max(0.0);
            let squares = levels.iter().enumerate().map(|(i, v)| v * v * share(i as f64));
            (squares.sum::<f64>() / (to - from)).sqrt()
        };
        let with = |bars: f64| whole_bars(bars, self.lines, all.1);
        let span = bars.map_or(all, |(bars, _)| with(bars));
        let level_v = over(&self.scan.level_v, span);
        CourseLevel {
            level_v,
            by_noise_v: (level_v - over(&self.noisier_v, span)).abs(),
            by_crest_v: (level_v - over(&self.crest_v, span)).abs() / 3.0_f64.sqrt(),
            by_count_v: bars.map_or(0.0, |(bars, u)| {
                let of = |bars: f64| over(&self.scan.level_v, with(bars));
                0.5 * (of(bars + u) - of(bars - u))
            }),
        }
    }
}

/// Means of what each place holds.
fn places(scan: &Scan, points: impl Iterator<Item = (f64, f64)>) -> Result<Vec<f64>, MeasureError> {
    let (from_s, until_s) = (scan.segment_start_s(0), scan.segment_start_s(SEGMENTS));
    let mut sums = vec![(0.0, 0_usize); PLACES];
    for (time_s, value) in points {
        let place = ((time_s - from_s) / (until_s - from_s) * PLACES as f64).floor();
        if place >= 0.0
            && let Some(sum) = sums.get_mut(place as usize)
        {
            *sum = (sum.0 + value, sum.1 + 1);
        }
    }
    at_least("points of a place in a scan", sums.iter().map(|(_, count)| *count).min().unwrap_or(0), 1)?;
    Ok(sums.iter().map(|(sum, count)| sum / *count as f64).collect())
}

/// A course of levels by a correction, and by the same with what is not known of it moved to one side.
fn course(
    scan: &Scan,
    seen: &[f64],
    corrected: impl Fn(f64) -> f64,
    noisier: impl Fn(f64) -> f64,
    crest: impl Fn(f64) -> f64,
) -> Course {
    let of = |level: &dyn Fn(f64) -> f64| seen.iter().map(|v| level(*v)).collect::<Vec<f64>>();
    let level_v = of(&corrected);
    let (guard, lines) = (scan.guard(), scan.lines);
    let half = 0.5 * (1.0 - 2.0 * guard) / PLACES as f64;
    let scan = ScanCourse { level_v, from: guard + half, to: 1.0 - guard - half };
    Course { scan, lines, noisier_v: of(&noisier), crest_v: of(&crest) }
}

/// Colour's share of the amplitude in search, as far as it goes. Between the tracks the carrier falls to nothing; the colour stays,
/// since its low frequency knows hardly any azimuth. What noise lifts, and is to be taken off, is the weak half of a bar: there the
/// carrier has a quarter of its height in the mean.
const SHARE: f64 = BAR.0 / (BAR.0 + 0.25 * (1.0 - BAR.0));

/// What the highest of the colour bars that a bin holds fills of it in the mean: a bin lies anywhere against them, so it
/// straddles two or has one and parts of its neighbours.
fn filled_by_a_bar(dt_s: f64, bar_s: f64) -> f64 {
    if dt_s < bar_s { 1.0 - 0.5 * dt_s / bar_s } else { 0.5 * bar_s / dt_s }
}

/// The way from pairs of one length: made once, used for each scan.
pub struct CourseByPeaks {
    noise: PeakNoise,
    plain: Lift,
    coloured: Lift,
}

impl CourseByPeaks {
    /// For bins of `dt_s`.
    ///
    /// # Errors
    /// [`MeasureError::BadParameter`].
    pub fn new(noise: PeakNoise, carrier: &Carrier, dt_s: f64) -> Result<Self, MeasureError> {
        carrier.check()?;
        let part = |span_s: f64| Part { amplitude: 1.0, looks: noise.looks(span_s), cycles: carrier.sync_hz * span_s };
        let bar_s = dt_s * filled_by_a_bar(dt_s, BAR.1 * carrier.sync_tip_s);
        let coloured: Vec<Part> = with_colour(part(bar_s), SHARE).collect();
        Ok(Self { noise, plain: Lift::of(&[part(dt_s)]), coloured: Lift::of(&coloured) })
    }

    /// The course of one scan.
    ///
    /// # Errors
    /// [`MeasureError::Clipped`], [`MeasureError::TooShort`] where the record does not hold the scan, or a place no bin.
    pub fn of(&self, pairs: &PairTrace, scan: &Scan) -> Result<Course, MeasureError> {
        pairs.conversion().demand_unclipped("RF")?;
        let seen = places(scan, (0..pairs.len()).map(|i| (pairs.time_s(i), pairs.half_range(i))))?;
        let back = |lift: &Lift, sigma: f64, v: f64| if sigma > 0.0 { sigma * lift.amplitude(v / sigma) } else { v };
        let level = |sigma: f64, v: f64| 0.5 * (back(&self.plain, sigma, v) + back(&self.coloured, sigma, v));
        let sigma = self.noise.deviation_v();
        let more = sigma * (1.0 + self.noise.relative_u());
        Ok(course(scan, &seen, |v| level(sigma, v), |v| level(more, v), |v| back(&self.plain, sigma, v)))
    }
}

/// The course of one scan of under-sampled RF.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] where the record does not hold the scan, or a place no sample.
pub fn course_by_power(trace: &Trace, scan: &Scan, noise: &PowerNoise) -> Result<Course, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    let line = noise.base_line(trace.volts());
    let power = |(i, v): (usize, &f32)| (trace.time_s(i), 2.0 * line.square_of_any_phase(i, *v));
    let seen = places(scan, trace.volts().iter().enumerate().map(power))?;
    let own = 2.0 * noise.deviation_v().powi(2);
    let level = |own: f64, v: f64| (v - own).max(0.0).sqrt();
    let more = own * (1.0 + noise.relative_u());
    Ok(course(scan, &seen, |v| level(own, v), |v| level(more, v), |v| level(own, v)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve::mean;
    use crate::extremes::Noise;
    use crate::scan::{Head, scans_from_trigger};
    use tapewright_formats::definitions::PICTURE_LINES;
    use tapewright_formats::{Format, format_named};

    const DT_S: f64 = 6.8e-6;
    const LEVEL_V: f64 = 0.2;
    const NOISE_V: f64 = 0.006;

    /// Level of a head in search that crosses three pitches.
    fn truth_v(scan: &Scan, time_s: f64, gain: f64) -> f64 {
        let at = 3.0 * (time_s - scan.start_s) / (scan.end_s - scan.start_s) + 0.4;
        gain * LEVEL_V * (1.0 - (at.rem_euclid(2.0) - 1.0).abs()).max(0.04)
    }

    fn rms(values: &[f64]) -> f64 {
        (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
    }

    /// A scan as bins of 100 samples a microsecond, with a level or with noise alone; with colour bars of so much colour, which
    /// has no bars of noise.
    fn pairs(format: &Format, scan: &Scan, gain: f64, colour: f64, noise: &mut Noise) -> PairTrace {
        let bins = ((scan.end_s - scan.start_s) / DT_S) as usize + 20;
        let (mut least, mut greatest) = (Vec::new(), Vec::new());
        for bin in 0..bins {
            let at_s = (bin as f64 - 8.0) * DT_S;
            let level_v = truth_v(scan, at_s, gain);
            let colour_turn = noise.uniform();
            let (mut low, mut high) = (f64::MAX, f64::MIN);
            let turn = core::f64::consts::TAU * noise.uniform();
            for i in 0..680 {
                let phase = turn + core::f64::consts::TAU * format.fm_sync_hz.value * 1e-8 * f64::from(i);
                let mut v = level_v * phase.cos() + NOISE_V * noise.normal();
                if colour > 0.0 {
                    let since_s = at_s + 1e-8 * f64::from(i);
                    let height = [1.0, 0.6, 0.9, 0.7][(since_s / 6.5e-6).floor().rem_euclid(4.0) as usize];
                    let cycles = colour_turn + format.colour_under_hz.value * since_s;
                    v += gain * LEVEL_V * colour * height * (core::f64::consts::TAU * cycles).cos();
                }
                (low, high) = (low.min(v), high.max(v));
            }
            least.push(low as f32);
            greatest.push(high as f32);
        }
        PairTrace::from_volts(-8.0 * DT_S, DT_S, least, greatest).unwrap()
    }

    /// A head 8.5 dB down whose bars lie in the noise reads as far down as it is: pairs alone say 7 dB. A carrier without
    /// colour lies at the edge of what is not known of the crest.
    #[test]
    fn noise_does_not_lift_the_weaker_head() {
        let format = format_named("vhs-625-sp").unwrap();
        let mut noise = Noise::new(5);
        let scan = scans_from_trigger(format.lines, Head::A, -1e-4, 0.0205)[0];
        let quiet = PeakNoise::from_quiet(&pairs(format, &scan, 0.0, 0.0, &mut noise), 50e6).unwrap();
        let way = CourseByPeaks::new(quiet, &Carrier::of(format), DT_S).unwrap();
        let gain = 10_f64.powf(-8.5 / 20.0);
        let mut seen = Vec::new();
        let mut of = |gain: f64| {
            let pairs = pairs(format, &scan, gain, 0.0, &mut noise);
            seen.push(mean(&(0..pairs.len()).map(|i| pairs.half_range(i)).collect::<Vec<f64>>()));
            way.of(&pairs, &scan).unwrap().level(None)
        };
        let (strong, weak) = (of(1.0), of(gain));
        let db = |a: f64, b: f64| 20.0 * (b / a).log10();
        let brief =
            |c: &CourseLevel| format!("{:.5} by noise {:.1e} by crest {:.1e}", c.level_v, c.by_noise_v, c.by_crest_v);
        let says = format!("{}; {}", brief(&strong), brief(&weak));
        let crest = weak.by_crest_v / weak.level_v - strong.by_crest_v / strong.level_v;
        // And a few hundredths of one scan's noise.
        let most = 0.04 + 8.686 * 3.0_f64.sqrt() * crest;
        assert!((db(strong.level_v, weak.level_v) + 8.5).abs() < most, "{says}");
        assert!(crest < 0.02 && weak.by_noise_v < 0.01 * weak.level_v, "{says}");
        assert!(db(seen[0], seen[1]) > -7.2, "{seen:?}");
        let want = rms(&(0..PLACES)
            .map(|i| {
                let share = (i as f64 + 0.5) / PLACES as f64;
                let (a, b) = (scan.segment_start_s(0), scan.segment_start_s(SEGMENTS));
                truth_v(&scan, a + share * (b - a), 1.0)
            })
            .collect::<Vec<f64>>());
        assert!((strong.level_v - want).abs() < 2.0 * strong.by_crest_v, "{} for {want}", strong.level_v);
    }

    /// With colour bars in the picture, too: they stand at the other edge, for few of a bin's cycles are highest.
    #[test]
    fn colour_lies_within_what_is_not_known_of_the_crest() {
        let format = format_named("vhs-625-sp").unwrap();
        let mut noise = Noise::new(7);
        let scan = scans_from_trigger(format.lines, Head::A, -1e-4, 0.0205)[0];
        let quiet = PeakNoise::from_quiet(&pairs(format, &scan, 0.0, 0.0, &mut noise), 50e6).unwrap();
        let way = CourseByPeaks::new(quiet, &Carrier::of(format), DT_S).unwrap();
        let mut of = |gain: f64| way.of(&pairs(format, &scan, gain, 0.25, &mut noise), &scan).unwrap().level(None);
        let (strong, weak) = (of(1.0), of(10_f64.powf(-8.5 / 20.0)));
        let off = 20.0 * (weak.level_v / strong.level_v).log10() + 8.5;
        let edge = 8.686 * 3.0_f64.sqrt() * (weak.by_crest_v / weak.level_v - strong.by_crest_v / strong.level_v);
        assert!(off.abs() < edge + 0.02, "{off} dB off, {edge} dB not known");
    }

    /// Where the bars lie moves the level of a scan that holds no whole number of them, and not the level over whole bars: nor
    /// does it which of them lies in field blanking, where the level looks lower.
    #[test]
    fn the_level_over_whole_bars_does_not_ask_where_they_lie() {
        let format = format_named("vhs-625-sp").unwrap();
        let scan = scans_from_trigger(format.lines, Head::A, -1e-4, 0.0205)[0];
        for bars in [1.3, 1.5, 2.5, 3.7] {
            let level = |from: f64, bars_known: Option<(f64, f64)>| {
                let seen: Vec<f64> = (0..PLACES)
                    .map(|i| {
                        let x = scan.guard() + (1.0 - 2.0 * scan.guard()) * (i as f64 + 0.5) / PLACES as f64;
                        let looks = if x * scan.lines < PICTURE_LINES { 0.85 } else { 1.0 };
                        looks * (2.0 * (bars * x + from).rem_euclid(1.0) - 1.0).abs().max(0.03)
                    })
                    .collect();
                course(&scan, &seen, |v| v, |v| v, |v| v).level(bars_known).level_v
            };
            let reach = |known: Option<(f64, f64)>| {
                let levels = (0..40).map(|i| level(f64::from(i) / 40.0, known));
                let (low, high) = levels.fold((f64::MAX, 0.0_f64), |(l, h), v| (l.min(v), h.max(v)));
                (high - low) / high
            };
            let (all, whole) = (reach(None), reach(Some((bars, 0.0))));
            assert!(all > 0.05 && whole < 0.004, "{bars} bars: {all} of the whole scan, {whole} of whole bars");
        }
    }

    /// The power of noise is taken off; a record that ends early is no scan.
    #[test]
    fn power_of_noise_is_taken_off() {
        let format = format_named("vhs-625-sp").unwrap();
        let mut noise = Noise::new(6);
        let scan = scans_from_trigger(format.lines, Head::A, -1e-4, 0.0205)[0];
        let mut samples = |gain: f64, count: usize| {
            let volts = (0..count).map(|i| {
                let at_s = i as f64 * DT_S;
                let phase = core::f64::consts::TAU * noise.uniform();
                (truth_v(&scan, at_s, gain) * phase.cos() + NOISE_V * noise.normal()) as f32
            });
            Trace::from_volts(0.0, DT_S, volts.collect()).unwrap()
        };
        let quiet = PowerNoise::from_quiet(&samples(0.0, 2_950)).unwrap();
        let of = |trace: &Trace| Ok::<_, MeasureError>(course_by_power(trace, &scan, &quiet)?.level(None));
        let (strong, weak) = (of(&samples(1.0, 2_950)).unwrap(), of(&samples(0.3, 2_950)).unwrap());
        let db = 20.0 * (weak.level_v / strong.level_v).log10();
        assert!((db - 20.0 * 0.3_f64.log10()).abs() < 0.4, "{db}");
        assert!(matches!(of(&samples(1.0, 2_000)), Err(MeasureError::TooShort { .. })));
    }
}
