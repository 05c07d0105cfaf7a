//! Third way to a curve: RMS of under-sampled RF, the noise power taken off.
//!
//! Samples that are far apart against the carrier's cycle meet it at phases as good as random (its
//! frequency follows the picture), so the mean square over a segment is the power of carrier,
//! colour-under and noise: `L = sqrt(2 (mean v^2 - noise power) / (1 + c^2))` with `c` the colour-under's share
//! of amplitude. The base line is taken off first: offset, drift, hum. Each segment holds few samples: a scan of 2,500
//! points gives 3 to 4 % a segment, so several frames are needed.
//!
//! *Field blanking* at the top of each scan holds no picture and shows more than the rest: its lines count by the ratio
//! that the scans themselves tell ([`blanking_by_power`]).
//!
//! Carriers that hold no picture keep their frequency, and what their squares hold beside their power turns under the samples
//! at a rate that stays: [`levels_of_carriers`].
//!
//! The mean is over the whole picture, not the sync tip: what white does to the level stays in it, as
//! a factor with bounds ([`Picture::content`]) that cancels in ratios of an even picture.

use crate::base_line::BaseLine;
use crate::blanking::{FieldBlanking, field_blanking_by_power};
use crate::carrier::root_of_mean;
use crate::colour::ColourPart;
use crate::curve::{ScanLevels, Shared};
use crate::error::{MeasureError, at_least};
use crate::estimate::{Contribution, Spread};
use crate::picture::Picture;
use crate::scan::Scan;
use crate::statistics::left_of_rounding;
use crate::trace::Trace;
use tapewright_formats::LineStandard;
use tapewright_formats::definitions::SEGMENTS;
use tapewright_formats::definitions::sound::{AUDIO_FADE, audio_weight};

/// What a line of vertical sync shows on average over a line of field blanking, from the switch to the last equalising
/// pulse, and its standard uncertainty: three lines of about nine lie at sync tip for six sevenths of their time, and
/// blanking shows a twentieth less than the tip (computed).
const PULSES: (f64, f64) = (1.014, 0.007);

/// What lines with a picture show over lines of field blanking, from scans of one tape in one set-up.
///
/// # Errors
/// As [`levels_by_power`]; [`MeasureError::InNoise`] without level.
pub fn blanking_by_power(
    scans: &[(&Trace, Scan)],
    noise: &PowerNoise,
    standard: LineStandard,
) -> Result<FieldBlanking, MeasureError> {
    let powers = scans.iter().map(|(trace, scan)| {
        trace.conversion().demand_unclipped("RF")?;
        let line = noise.base_line(trace.volts());
        let power = |i: usize, v: f32| 2.0 * (line.square_of_any_phase(i, v) - noise.power_v2);
        let all = trace.volts().iter().enumerate().map(|(i, v)| (trace.time_s(i), power(i, *v)));
        Ok((all.collect(), *scan))
    });
    field_blanking_by_power(&powers.collect::<Result<Vec<_>, MeasureError>>()?, standard)
}

/// What each frame has of its own and all its segments share, as a share of the level. A picture that repeats from line to line
/// gives the square of its RF a spectrum of lines, of which one in ten machines has one so near a multiple of the sample rate that
/// it stands still under the samples of a scan, at another phase in each frame (by simulation of bars, no source).
const STANDS_STILL: f64 = 0.01;

/// Noise power, from a capture in the same set-up without RF.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerNoise {
    power_v2: f64,
    relative_u: f64,
    /// Without RF the base line is level, as far as the capture tells: nothing on the lead bends it.
    level: bool,
}

impl PowerNoise {
    /// From a capture without RF.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below 50 samples.
    pub fn from_quiet(trace: &Trace) -> Result<Self, MeasureError> {
        at_least("samples without RF", trace.volts().len(), 50)?;
        let line = BaseLine::under(trace.volts());
        let squares = trace.volts().iter().enumerate().map(|(i, v)| line.square_of_any_phase(i, *v));
        let m = crate::statistics::moments_of_finite(squares);
        Ok(Self { power_v2: m.mean, relative_u: (2.0 / m.count as f64).sqrt(), level: line.is_surely_level() })
    }

    /// The noise's deviation, in volts.
    #[must_use]
    pub fn deviation_v(&self) -> f64 {
        self.power_v2.sqrt()
    }

    /// The base line under RF of the same set-up. Where nothing bends it without RF, what is slow in RF is the RF's own: a carrier whose
    /// alias lies near 0.
    pub(crate) fn base_line(&self, volts: &[f32]) -> BaseLine {
        if self.level { BaseLine::level(volts) } else { BaseLine::under(volts) }
    }

    /// Relative standard uncertainty of its power.
    pub(crate) const fn relative_u(&self) -> f64 {
        self.relative_u
    }
}

/// Levels of one scan from under-sampled RF.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] where the record does not hold the scan or a
/// segment holds fewer than eight samples.
pub fn levels_by_power(
    trace: &Trace,
    scan: &Scan,
    noise: &PowerNoise,
    picture: &Picture,
) -> Result<ScanLevels, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    picture.check()?;
    scan.demand_inside(trace.t0_s(), trace.t0_s() + trace.span_s())?;
    let volts = trace.volts();
    let line = noise.base_line(volts);
    let bounds = |(lo, hi): (f64, f64)| (0.5 * (lo + hi), 0.5 * (hi - lo) / 3.0_f64.sqrt());
    let (content, content_u) = bounds(picture.content);
    // Power of the colour-under beside the carrier's: its bounds in the square.
    let (lo, hi) = picture.colour_share;
    let (colour, colour_u) = bounds(((1.0 + lo * lo).sqrt(), (1.0 + hi * hi).sqrt()));
    let factor = content * colour;
    let factor_u = (content_u / content).hypot(colour_u / colour);
    let mut out = ScanLevels {
        level_v: [0.0; SEGMENTS],
        random_v: [0.0; SEGMENTS],
        shared: ["correction of noise", "field blanking", "base line"]
            .map(|name| Shared { name, spread: Spread::Normal, by_v: [0.0; SEGMENTS], own: false })
            .to_vec(),
        of_head: Vec::new(),
        common: vec![
            trace.conversion().gain_share(),
            Contribution::type_b("picture content and colour-under", factor_u).spread(Spread::Rectangular),
        ],
        shape_u: if picture.even { 0.0 } else { factor_u },
        colour: ColourPart::beside_power(hi),
        noise_v: noise.deviation_v() * core::f64::consts::SQRT_2,
        frame_u: STANDS_STILL,
    };
    let place = |time_s: f64| (((time_s - trace.t0_s()) / trace.dt_s()).ceil().max(0.0) as usize).min(volts.len());
    let mut squares = Vec::new();
    for k in 0..SEGMENTS {
        let samples = &volts[place(scan.segment_start_s(k))..place(scan.segment_start_s(k + 1))];
        at_least("samples in a segment", samples.len(), 8)?;
        squares.clear();
        let (mut blanked, mut pulses) = (0.0, 0.0);
        for (i, v) in samples.iter().enumerate() {
            let i = place(scan.segment_start_s(k)) + i;
            let time_s = trace.time_s(i);
            let power = 2.0 * (line.square_of_any_phase(i, *v) - noise.power_v2);
            let at = (time_s - scan.start_s) / scan.line_s();
            // Lines of field blanking count as lines with a picture would show.
            let shows = match &picture.blanking {
                Some(field) if at < field.lines.plain => {
                    pulses += 1.0;
                    field.ratio / PULSES.0
                }
                Some(field) if at < field.lines.until => field.ratio,
                Some(field) if at < field.lines.picture => continue,
                _ => 1.0,
            };
            blanked += f64::from(u8::from(picture.blanking.is_some_and(|field| at < field.lines.until)));
            squares.push(power * shows * shows);
        }
        at_least("samples of lines that are known in a segment", squares.len(), 8)?;
        let count = squares.len() as f64;
        let (level, random) = root_of_mean(&squares);
        let unsure_v2 = 2.0 * line.unsure_v2(place(0.5 * (scan.segment_start_s(k) + scan.segment_start_s(k + 1))));
        out.shared[2].by_v[k] = unsure_v2 / level.max(unsure_v2.sqrt()).max(f64::MIN_POSITIVE) / factor;
        out.level_v[k] = level / factor;
        out.random_v[k] = random / factor;
        out.shared[0].by_v[k] =
            2.0 * noise.power_v2 * noise.relative_u / (2.0 * level.max(out.noise_v).max(f64::MIN_POSITIVE)) / factor;
        let ratio_u = picture.blanking.map_or(0.0, |field| field.ratio_u / field.ratio.max(f64::MIN_POSITIVE));
        out.shared[1].by_v[k] = out.level_v[k] * (ratio_u * blanked / count).hypot(PULSES.1 * pulses / count);
    }
    Ok(out)
}

/// Levels of one scan of carriers that keep their frequencies, from under-sampled RF: the root of twice their summed power. What
/// a level that changes within a segment adds to that is for the whole curve to tell: [`crate::within`].
///
/// The square of their sum holds doubles, sums and differences of their frequencies as well. A segment that begins and ends at
/// once would keep of each what its last part of a turn leaves, by a phase that is another in each frame: such an error lies
/// at either of two ends rather than near its middle, and a median over frames is less sure of it than of noise. So each
/// segment fades in and out ([`audio_weight`]), and nothing is left of what turns ten times and more in a segment.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] where the record does not hold the scan or a segment holds fewer than
/// 32 samples.
pub fn levels_of_carriers(trace: &Trace, scan: &Scan, noise: &PowerNoise) -> Result<ScanLevels, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    scan.demand_inside(trace.t0_s(), trace.t0_s() + trace.span_s())?;
    let line = noise.base_line(trace.volts());
    let mut out = ScanLevels {
        level_v: [0.0; SEGMENTS],
        random_v: [0.0; SEGMENTS],
        shared: ["correction of noise", "rounding without a carrier", "root cut off at 0", "base line"]
            .map(|name| Shared { name, spread: Spread::Normal, by_v: [0.0; SEGMENTS], own: false })
            .to_vec(),
        of_head: Vec::new(),
        common: vec![trace.conversion().gain_share()],
        shape_u: 0.0,
        colour: ColourPart::beside_power(0.0),
        noise_v: noise.deviation_v() * core::f64::consts::SQRT_2,
        frame_u: 0.0,
    };
    // A quiet record may hold one code only, where a carrier meets many: noise that spreads over steps shows both alike.
    let step_v = trace.conversion().step_v;
    let scatter_v2 = noise.power_v2.max(step_v * step_v / 12.0);
    let rounding_v2 = left_of_rounding(step_v, noise.deviation_v()).powi(2);
    for k in 0..SEGMENTS {
        let (from_s, to_s) = (scan.segment_start_s(k), scan.segment_start_s(k + 1));
        let fade_s = AUDIO_FADE * (to_s - from_s);
        let place = |time_s: f64| ((time_s - trace.t0_s()) / trace.dt_s()).ceil().max(0.0) as usize;
        let first = place(from_s - 0.5 * fade_s);
        let samples = &trace.volts()[first..place(to_s + 0.5 * fade_s).min(trace.volts().len())];
        at_least("samples in a segment", samples.len(), 32)?;
        let (mut sum, mut weights, mut weights_squared) = (0.0, 0.0, 0.0);
        for (i, v) in samples.iter().enumerate() {
            let time_s = trace.time_s(first + i);
            let weight = audio_weight((time_s - from_s) / (to_s - from_s));
            sum += weight * 2.0 * (line.square_above(first + i, *v) - noise.power_v2);
            weights += weight;
            weights_squared += weight * weight;
        }
        let power_v2 = sum / weights;
        let level_v = power_v2.max(0.0).sqrt();
        // Noise alone scatters: what it adds to a square is its product with the carriers, and its own square.
        let one_v2 = (8.0 * scatter_v2 * (level_v * level_v + scatter_v2)).sqrt();
        let mean_u_v2 = one_v2 * weights_squared.sqrt() / weights;
        out.level_v[k] = level_v;
        out.random_v[k] = mean_u_v2 / (2.0 * level_v).max(mean_u_v2.sqrt()).max(f64::MIN_POSITIVE);
        let as_level = |power_v2: f64| power_v2 / level_v.max(power_v2.sqrt()).max(f64::MIN_POSITIVE);
        out.shared[0].by_v[k] = as_level(noise.power_v2 * noise.relative_u);
        out.shared[1].by_v[k] = as_level(rounding_v2);
        out.shared[3].by_v[k] = as_level(2.0 * line.unsure_v2(first + samples.len() / 2));
        // Where the power scatters about 0 its root never lies below, and a median over frames lies above by about so much.
        out.shared[2].by_v[k] = 0.3 * mean_u_v2.sqrt() * (1.0 - 0.5 * power_v2.abs() / mean_u_v2).max(0.0);
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;
    use crate::scan::Head;

    /// Over a little more than a scan: all beats of the two carriers lie clear of 0 under so many a record.
    const POINTS: usize = 2_490;
    const SCAN: Scan = Scan { head: Head::A, start_s: 0.0, end_s: 1.0 / 59.94, lines: 262.5 };

    /// Two carriers without noise whose level falls by a fifth over the scan, at phases of their own: greatest error of a segment.
    fn greatest_error(random: &mut Noise, levels: impl Fn(&Trace, &PowerNoise) -> ScanLevels) -> f64 {
        let (points, span_s) = (POINTS, 1.02 / 59.94);
        let at = |i: usize| i as f64 * span_s / points as f64 - 0.005 * span_s;
        let level = |t: f64| 1.0 - 0.2 * t / SCAN.end_s;
        let phases = [random.uniform(), random.uniform()];
        let sine = |hz: f64, phase: f64, t: f64| (core::f64::consts::TAU * (hz * t + phase)).cos();
        let of = |t: f64| level(t) * (0.3 * sine(1.3e6, phases[0], t) + 0.4 * sine(1.7e6, phases[1], t));
        let volts = (0..points).map(|i| of(at(i)) as f32).collect();
        let trace = Trace::from_volts(at(0), span_s / points as f64, volts).unwrap();
        let quiet = Trace::from_volts(0.0, 1e-6, vec![0.0; 64]).unwrap();
        let got = levels(&trace, &PowerNoise::from_quiet(&quiet).unwrap()).level_v;
        let middle_s = |k: usize| 0.5 * (SCAN.segment_start_s(k) + SCAN.segment_start_s(k + 1));
        (0..SEGMENTS).map(|k| (got[k] / (0.5 * level(middle_s(k))) - 1.0).abs()).fold(0.0, f64::max)
    }

    /// What is left of the beats where segments end at once is what fading takes away.
    #[test]
    fn segments_that_fade_show_no_beat_of_two_carriers() {
        let nothing = Picture { colour_share: (0.0, 0.0), content: (1.0, 1.0), ..Picture::even() };
        let mut random = Noise::new(5);
        for _ in 0..50 {
            let fading = greatest_error(&mut random, |t, noise| levels_of_carriers(t, &SCAN, noise).unwrap());
            assert!(fading < 1e-3, "{fading}");
            let hard = greatest_error(&mut random, |t, noise| levels_by_power(t, &SCAN, noise, &nothing).unwrap());
            assert!(hard > 3e-3, "{hard}");
        }
    }

    /// Levels of two carriers that die at the end of the scan, on a lead that hums by so many volts peak to peak; each at a phase of its own.
    fn dying(turns: [f64; 3], hum_v: f64) -> ScanLevels {
        let span_s = 1.02 / 59.94;
        let at = |i: usize| i as f64 * span_s / POINTS as f64 - 0.005 * span_s;
        let sine = |hz: f64, turn: f64, t: f64| (core::f64::consts::TAU * (hz * t + turn)).cos();
        let carriers = |t: f64| 0.3 * sine(1.3e6, turns[0], t) + 0.4 * sine(1.7e6, turns[1], t);
        let of = |t: f64| (1.0 - t / SCAN.end_s).max(0.0) * carriers(t) + 0.5 * hum_v * sine(60.0, turns[2], t);
        let volts = (0..POINTS).map(|i| of(at(i)) as f32).collect();
        let trace = Trace::from_volts(at(0), span_s / POINTS as f64, volts).unwrap();
        let quiet = Trace::from_volts(0.0, 1e-6, vec![0.0; 64]).unwrap();
        levels_of_carriers(&trace, &SCAN, &PowerNoise::from_quiet(&quiet).unwrap()).unwrap()
    }

    #[test]
    fn where_carriers_die_hum_adds_no_more_than_is_stated() {
        let mut random = Noise::new(9);
        for hum_v in [0.003, 0.01, 0.03, 0.1, 0.5] {
            for _ in 0..20 {
                let turns = [random.uniform(), random.uniform(), random.uniform()];
                let (want, got) = (dying(turns, 0.0), dying(turns, hum_v));
                for k in [0, SEGMENTS / 2, SEGMENTS - 2, SEGMENTS - 1] {
                    let u = got.shared.iter().map(|shared| shared.by_v[k].powi(2)).sum::<f64>().sqrt();
                    let (got, want) = (got.level_v[k], want.level_v[k]);
                    assert!(
                        (got - want).abs() < 2.0 * u + 0.01 * want,
                        "{hum_v} V, segment {k}: {got} V, {want} V without, u {u}"
                    );
                    assert!(got < want + 0.08, "{hum_v} V, segment {k}: {got} V, {want} V without");
                }
            }
        }
    }
}
