//! Field blanking at the top of each scan: what its lines show less than lines with a picture.
//!
//! Peak detection takes the greatest half range of each line. In lines with a picture that may be the
//! carrier with the colour-under signal upon it; lines of field blanking carry no picture, the first
//! of them not even a colour burst. Where these lines lie is known: vertical sync begins 6.5 lines after
//! the head switch, 1.5 more or less (common practice, no source), its pulses last 6 lines at most, and
//! the picture begins [`Lines::picture`] lines after it.
//!
//! The ratio of both is taken from the step between them: `y = a + b x` before and `y = ratio (a + b x)` after the border, by
//! least squares over the lines beside it, all scans together. Besides the
//! scatter it is uncertain by what a bend of the curve there would do: the difference that a longer
//! stretch of picture lines makes.
//!
//! Bins and samples lie differently against sync and burst from line to line, and where the scope's clock follows the
//! trigger they do so alike in each scan. So the readings of all scans at one place are averaged first, and the scatter is that
//! of the means: what repeats from scan to scan stays in it, what does not has averaged.

use crate::error::{MeasureError, volts};
use crate::peaks::{PeakCorrection, line_peaks};
use crate::scan::Scan;
use crate::trace::PairTrace;
use tapewright_formats::LineStandard;

/// Lines from the head switch to vertical sync, with its tolerance to either side.
const TO_SYNC: (f64, f64) = (6.5, 1.5);

/// A group of bins that stands for a line reaches so far beyond its middle.
const REACH: f64 = 0.7;

/// Stretches of picture lines that the step is taken with, in lines.
const STRETCHES: [f64; 2] = [14.0, 28.0];

/// How well the ratio at the end of field blanking holds for all lines of a picture (unit 1; a guess, no source: the
/// truth table says whether it is enough).
const REPEATS: f64 = 0.005;

/// What of field blanking lies where, in lines from the head switch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lines {
    /// From here each line has its sync and nothing but a burst.
    pub plain: f64,
    /// Until here.
    pub until: f64,
    /// From here each line has a picture.
    pub picture: f64,
}

impl Lines {
    /// Of a standard. The picture begins 18 (525 lines) or 22 (625) lines after the first broad pulse;
    /// sync and equalising pulses last 6 or 5 lines (from memory).
    #[must_use]
    pub fn of(standard: LineStandard) -> Self {
        let (pulses, picture) = match standard {
            LineStandard::L525 => (6.0, 18.0),
            LineStandard::L625 => (5.0, 22.0),
        };
        let (to, more) = TO_SYNC;
        Self {
            plain: to + more + pulses + REACH,
            until: to - more + picture - REACH,
            picture: to + more + picture + REACH,
        }
    }
}

/// How much more lines with a picture show than lines of field blanking.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldBlanking {
    /// Where the lines are.
    pub lines: Lines,
    /// Picture over blanking (unit 1).
    pub ratio: f64,
    /// Its standard uncertainty at the end of field blanking.
    pub ratio_u: f64,
    /// Its standard uncertainty for the lines of the whole picture.
    pub level_u: f64,
}

/// Takes the ratio from scans of one tape in one set-up.
///
/// # Errors
/// [`MeasureError::TooShort`] where there are too few lines, [`MeasureError::InNoise`] without level,
/// and what the scans themselves are refused for.
pub fn field_blanking(
    scans: &[(&PairTrace, Scan)],
    correction: &PeakCorrection,
    standard: LineStandard,
) -> Result<FieldBlanking, MeasureError> {
    let lines = Lines::of(standard);
    let mut points = Vec::new();
    for (pairs, scan) in scans {
        let peaks = line_peaks(pairs, scan, correction)?;
        let own: Vec<(f64, f64)> = peaks
            .iter()
            .map(|peak| ((peak.middle_s - scan.start_s) / scan.line_s(), correction.middle_amplitude(peak.half_range)))
            .filter(|(at, _)| *at >= lines.plain && *at < lines.picture + STRETCHES[1])
            .collect();
        // Heads differ in level: each scan counts by its own.
        let level = own.iter().map(|(_, v)| v).sum::<f64>() / own.len().max(1) as f64;
        if level <= 0.0 {
            return Err(MeasureError::InNoise { what: "field blanking", detail: format!("level {}", volts(level)) });
        }
        points.extend(own.into_iter().map(|(at, v)| (at, v / level)));
    }
    // Windows that share bins are worth fewer.
    let spacing = scans.first().map_or(1.0, |(pairs, scan)| pairs.dt_s() / scan.line_s());
    ratio_of(&by_place(&points, spacing), correction.bins as f64, lines)
}

/// The same from under-sampled RF, as the root of the ratio of powers: there lines with a picture show less, since its
/// carrier is lower than at blanking. `squares` are the samples' powers by their time in the record.
pub(crate) fn field_blanking_by_power(
    scans: &[(Vec<(f64, f64)>, Scan)],
    standard: LineStandard,
) -> Result<FieldBlanking, MeasureError> {
    let lines = Lines::of(standard);
    let mut points = Vec::new();
    for (squares, scan) in scans {
        let place = |time_s: f64| (time_s - scan.start_s) / scan.line_s();
        let own = || {
            let all = squares.iter().map(|(time_s, power)| (place(*time_s), *power));
            all.filter(|(at, _)| *at >= lines.plain && *at < lines.picture + STRETCHES[1])
        };
        let level = own().map(|(_, power)| power).sum::<f64>() / own().count().max(1) as f64;
        if level <= 0.0 {
            return Err(MeasureError::InNoise { what: "field blanking", detail: format!("power {level} V2") });
        }
        points.extend(own().map(|(at, power)| (at, power / level)));
    }
    let spacing = scans.first().map_or(1.0, |(squares, scan)| match squares.as_slice() {
        [(first_s, _), (next_s, _), ..] => (next_s - first_s) / scan.line_s(),
        _ => 1.0,
    });
    let power = ratio_of(&by_place(&points, spacing), 1.0, lines)?;
    let ratio = power.ratio.max(0.0).sqrt();
    let of_root = |u: f64| u / (2.0 * ratio.max(f64::MIN_POSITIVE));
    Ok(FieldBlanking { ratio, ratio_u: of_root(power.ratio_u), level_u: of_root(power.level_u), lines })
}

/// Means of the readings of all scans at one place, the places lying `spacing` lines apart.
fn by_place(points: &[(f64, f64)], spacing: f64) -> Vec<(f64, f64)> {
    let mut places: std::collections::BTreeMap<i64, (f64, f64, f64)> = std::collections::BTreeMap::new();
    for (at, reading) in points {
        let (n, sum_at, sum) = places.entry((at / spacing).floor() as i64).or_default();
        (*n, *sum_at, *sum) = (*n + 1.0, *sum_at + at, *sum + reading);
    }
    places.into_values().map(|(n, at, reading)| (at / n, reading / n)).collect()
}

/// The ratio of readings by their line.
fn ratio_of(points: &[(f64, f64)], shared: f64, lines: Lines) -> Result<FieldBlanking, MeasureError> {
    let [near, far] = STRETCHES.map(|stretch| step(points, &lines, stretch, shared));
    let ((near, near_u), (far, _)) = (near?, far?);
    let ratio_u = near_u.hypot((near - far) / 3.0_f64.sqrt());
    Ok(FieldBlanking { lines, ratio: near, ratio_u, level_u: ratio_u.hypot(REPEATS) })
}

/// Fits in which the picture's slope comes to be the ratio times that of the lines before.
const FITS: usize = 6;

/// Ratio at the border and its standard error, with so many picture lines.
fn step(points: &[(f64, f64)], lines: &Lines, stretch: f64, shared: f64) -> Result<(f64, f64), MeasureError> {
    let mut ratio = 1.0;
    let mut ratio_u = 0.0;
    for _ in 0..FITS {
        let (left, u) = left_of_step(points, lines, stretch, shared, ratio)?;
        (ratio, ratio_u) = (ratio * left, ratio * u);
    }
    Ok((ratio, ratio_u))
}

/// What is left of the ratio where lines with a picture are divided by `ratio`, and its standard error: both sides then lie
/// on one straight line.
fn left_of_step(
    points: &[(f64, f64)],
    lines: &Lines,
    stretch: f64,
    shared: f64,
    ratio: f64,
) -> Result<(f64, f64), MeasureError> {
    let border = 0.5 * (lines.until + lines.picture);
    let side = |picture: bool| -> Vec<(f64, f64)> {
        let (from, until) = if picture { (lines.picture, lines.picture + stretch) } else { (lines.plain, lines.until) };
        let by = if picture { ratio } else { 1.0 };
        points.iter().filter(|(x, _)| *x >= from && *x < until).map(|(x, y)| (x - border, *y / by)).collect()
    };
    let sides = [side(false), side(true)];
    for side in &sides {
        crate::error::at_least("lines beside the end of field blanking", side.len(), 5)?;
    }
    let means = sides.each_ref().map(|side| {
        let n = side.len() as f64;
        (side.iter().map(|p| p.0).sum::<f64>() / n, side.iter().map(|p| p.1).sum::<f64>() / n, n)
    });
    // One slope for both sides, from the deviations within each.
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for (side, (mx, my, _)) in sides.iter().zip(means) {
        for (x, y) in side {
            sxx += (x - mx).powi(2);
            sxy += (x - mx) * (y - my);
        }
    }
    let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
    let [low, high] = means.map(|(mx, my, _)| my - slope * mx);
    let rest: f64 = sides
        .iter()
        .zip(means)
        .map(|(side, (mx, my, _))| side.iter().map(|(x, y)| (y - my - slope * (x - mx)).powi(2)).sum::<f64>())
        .sum();
    let n = means[0].2 + means[1].2;
    let apart = means[1].0 - means[0].0;
    let variance =
        shared * rest / (n - 3.0) * (means[0].2.recip() + means[1].2.recip() + apart * apart / sxx.max(1e-12));
    if !(low > 0.0 && high > 0.0) {
        return Err(MeasureError::InNoise { what: "field blanking", detail: format!("level {low} of the mean") });
    }
    Ok((high / low, variance.sqrt() / low))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::carrier::Carrier;
    use crate::extremes::Noise;
    use crate::peaks::PeakNoise;
    use crate::scan::Head;

    const LINE_S: f64 = 572.0 / 9.0 * 1e-6;
    const CARRIER: Carrier =
        Carrier { sync_hz: 3.4e6, white_hz: 4.4e6, line_s: LINE_S, sync_tip_s: 4.7e-6, beside: None };
    const DT_S: f64 = 20e-6;

    fn correction() -> PeakCorrection {
        let quiet = PairTrace::from_volts(0.0, DT_S, vec![0.0; 64], vec![0.0; 64]).unwrap();
        PeakCorrection::new(PeakNoise::from_quiet(&quiet, 60e6).unwrap(), &CARRIER, DT_S).unwrap()
    }

    /// A scan whose lines with a picture show `ratio` of the others, on a slope (per line), with scatter from line to line.
    fn scan(ratio: f64, slope: f64, own: &[f64]) -> (PairTrace, Scan) {
        let scan = Scan { head: Head::A, start_s: 0.0, end_s: 262.5 * LINE_S, lines: 262.5 };
        let bins = (scan.end_s / DT_S) as usize;
        let greatest: Vec<f32> = (0..bins)
            .map(|i| {
                let line = (i as f64 + 0.5) * DT_S / LINE_S;
                // The picture begins 6.5 + 18 lines from the switch.
                let shows = if line > 24.5 { ratio } else { 1.0 };
                (0.2 * (1.0 + slope * (line - 24.5).min(40.0)) * (shows + own[line as usize])) as f32
            })
            .collect();
        let least = greatest.iter().map(|v| -v).collect();
        (PairTrace::from_volts(0.5 * DT_S, DT_S, least, greatest).unwrap(), scan)
    }

    /// With lines that scatter in each scan by themselves, and with lines that scatter alike in all scans.
    #[test]
    fn the_ratio_is_the_step_and_its_uncertainty_holds_it() {
        let correction = correction();
        for (ratio, slope, scatter, alike) in [
            (1.0, 0.0, 0.01, false),
            (1.09, 0.0, 0.01, false),
            (1.09, 0.0, 0.01, true),
            (1.09, 0.008, 0.01, false),
            (1.05, -0.004, 0.03, false),
            (1.05, -0.004, 0.03, true),
        ] {
            let mut noise = Noise::new(21);
            let (trials, mut held, mut bias) = (60, 0, 0.0);
            for _ in 0..trials {
                let mut own = || -> Vec<f64> { (0..264).map(|_| scatter * noise.normal()).collect() };
                let same = own();
                let scans: Vec<_> =
                    (0..8).map(|_| scan(ratio, slope, &if alike { same.clone() } else { own() })).collect();
                let scans: Vec<_> = scans.iter().map(|(pairs, scan)| (pairs, *scan)).collect();
                let got = field_blanking(&scans, &correction, LineStandard::L525).unwrap();
                held += i32::from((got.ratio - ratio).abs() < 2.0 * got.ratio_u);
                bias += (got.ratio - ratio) / f64::from(trials);
            }
            let says = format!(
                "ratio {ratio}, slope {slope}, scatter {scatter}, alike {alike}: held {held} of {trials}, bias {bias:.4}"
            );
            assert!(held >= 54 && bias.abs() < 0.006, "{says}");
        }
    }

    #[test]
    fn scans_without_level_or_lines_are_refused() {
        let correction = correction();
        let bins = (262.5 * LINE_S / DT_S) as usize;
        let flat = PairTrace::from_volts(0.5 * DT_S, DT_S, vec![0.0; bins], vec![0.0; bins]).unwrap();
        let scan = Scan { head: Head::A, start_s: 0.0, end_s: 262.5 * LINE_S, lines: 262.5 };
        let silent = field_blanking(&[(&flat, scan)], &correction, LineStandard::L525);
        assert!(matches!(silent, Err(MeasureError::InNoise { .. })), "{silent:?}");
        let none = field_blanking(&[], &correction, LineStandard::L525);
        assert!(matches!(none, Err(MeasureError::TooShort { .. })), "{none:?}");
    }
}
