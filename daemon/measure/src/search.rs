//! Search: noise bars of a scan, counted as cycles of its level.
//!
//! At `n` times play speed a head crosses `n - 1` pitches a scan, and its own azimuth comes every second one: the level
//! rises and falls `|n - 1| / 2` times a scan (without azimuth `|n - 1|` times), as a triangle with a floor. A cosine with
//! its second harmonic is fitted by least squares at every frequency of a grid, to all scans of one head at once, each with
//! its own phase; the frequency that explains most is the count of bars.

use crate::error::{MeasureError, at_least, finite};
use crate::estimate::{Contribution, Estimate};
use crate::turning::Turning;

mod places;
pub use places::{FirstBar, LEAST_BARS, Places, ScanPair, places_off};

/// Level against position in one scan, at even steps from entrance to exit.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanCourse {
    /// Levels, in volts.
    pub level_v: Vec<f64>,
    /// Position of the first level, 0 to 1.
    pub from: f64,
    /// Position of the last.
    pub to: f64,
}

impl ScanCourse {
    /// Without the levels that reach before a position: there the other head may still be on.
    #[must_use]
    pub fn after(mut self, start: f64) -> Self {
        let step = (self.to - self.from) / (self.level_v.len() as f64 - 1.0).max(1.0);
        let left_out = ((start - (self.from - 0.5 * step)) / step - 1e-9).ceil().max(0.0) as usize;
        self.level_v.drain(..left_out.min(self.level_v.len()));
        self.from += left_out as f64 * step;
        self
    }
}

/// The greatest count that so many levels a scan resolve: four levels a bar.
#[must_use]
pub fn most_bars(levels: usize) -> f64 {
    (levels.saturating_sub(COLUMNS) / 4) as f64
}

/// The bars of one head.
#[derive(Debug, Clone, PartialEq)]
pub struct Bars {
    /// Bars a scan.
    pub count: Estimate,
    /// Share of the levels' variance that the fit explains.
    pub explained: f64,
    /// Position of the first bar's middle (least level) in each scan, 0 to 1 for one that lies in the scan.
    pub first: Vec<f64>,
    /// Greatest level of the fit, in volts.
    pub greatest_v: f64,
}

const HARMONICS: usize = 2;
const COLUMNS: usize = 2 * HARMONICS + 1;

/// Standard uncertainty of the count by the bars' shape, where a scan holds less than one.
const LESS_THAN_A_BAR_U: f64 = 0.1;

/// Solves the normal equations of one scan; returns the coefficients and what is left.
fn fit(course: &ScanCourse, cycles: f64, harmonics: usize) -> ([f64; COLUMNS], f64) {
    let n = course.level_v.len();
    let step = (course.to - course.from) / (n as f64 - 1.0).max(1.0);
    let turnings = || {
        let turn = core::f64::consts::TAU * cycles;
        core::array::from_fn::<_, HARMONICS, _>(|h| {
            let order = (h + 1) as f64;
            Turning::new(order * turn * course.from, order * turn * step)
        })
    };
    let row = |turnings: &mut [Turning; HARMONICS]| {
        let mut row = [0.0; COLUMNS];
        row[0] = 1.0;
        for (h, turning) in turnings.iter_mut().take(harmonics).enumerate() {
            (row[2 * h + 1], row[2 * h + 2]) = turning.next();
        }
        row
    };
    let (mut m, mut r) = ([[0.0; COLUMNS]; COLUMNS], [0.0; COLUMNS]);
    let mut turning = turnings();
    for v in &course.level_v {
        let x = row(&mut turning);
        for a in 0..COLUMNS {
            for b in 0..COLUMNS {
                m[a][b] += x[a] * x[b];
            }
            // Columns that cannot be told apart get no share.
            m[a][a] += 1e-9;
            r[a] += x[a] * v;
        }
    }
    let coefficients = crate::solve::solve(m, r).unwrap_or([0.0; COLUMNS]);
    turning = turnings();
    let rest = course
        .level_v
        .iter()
        .map(|v| {
            let fitted: f64 = row(&mut turning).iter().zip(&coefficients).map(|(x, c)| x * c).sum();
            (v - fitted).powi(2)
        })
        .sum();
    (coefficients, rest)
}

/// Counts the bars of one head's scans, between `least` and `most` a scan.
///
/// # Errors
/// [`MeasureError::TooShort`] without a scan of enough levels, [`MeasureError::NotSteady`] where no count explains half of the
/// rise and fall, [`MeasureError::NotFinite`].
pub fn count_bars(scans: &[ScanCourse], least: f64, most: f64) -> Result<Bars, MeasureError> {
    at_least("scans in search", scans.len(), 1)?;
    for scan in scans {
        finite("levels of a scan", &scan.level_v)?;
        at_least("levels of a scan", scan.level_v.len(), (4.0 * most).ceil() as usize + COLUMNS)?;
    }
    let points: usize = scans.iter().map(|scan| scan.level_v.len()).sum();
    let total: f64 = scans
        .iter()
        .map(|scan| {
            let mean = scan.level_v.iter().sum::<f64>() / scan.level_v.len() as f64;
            scan.level_v.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
        })
        .sum();
    let left = |cycles: f64, harmonics: usize| scans.iter().map(|scan| fit(scan, cycles, harmonics).1).sum::<f64>();
    let mut best = (least, f64::MAX);
    let (mut low, mut high, mut step) = (least, most, 0.05);
    for round in 0..4 {
        // With a second harmonic half the count would fit as well: it helps only where the count is about known.
        let harmonics = if round == 0 { 1 } else { HARMONICS };
        let rest = |cycles: f64| left(cycles, harmonics);
        best.1 = f64::MAX;
        let mut cycles = low;
        while cycles <= high + 1e-12 {
            let r = rest(cycles);
            if r < best.1 {
                best = (cycles, r);
            }
            cycles += step;
        }
        let reach = if round == 0 { 4.0 * step } else { step };
        (low, high) = ((best.0 - reach).max(least), (best.0 + reach).min(most));
        step /= 8.0;
    }
    let rest = |cycles: f64| left(cycles, HARMONICS);
    let explained = if total > 0.0 { 1.0 - best.1 / total } else { 0.0 };
    if explained <= 0.5 || explained.is_nan() {
        return Err(MeasureError::NotSteady {
            what: "noise bars",
            detail: format!(
                "no even count of bars from {least:.1} to {most:.1} explains the level of a scan ({:.0} % at best)",
                100.0 * explained
            ),
        });
    }
    // Curvature of what is left about its least: the usual uncertainty of a fitted frequency. The levels of a scan follow each other, so a
    // bin of the fit counts as one: four a bar.
    let h = 0.02;
    let curvature = (rest(best.0 + h) + rest(best.0 - h) - 2.0 * best.1) / (h * h);
    let worth = (4.0 * best.0 * scans.len() as f64).clamp(4.0, points as f64);
    let dof = (worth - 2.0 * HARMONICS as f64).max(2.0);
    let variance = best.1 / dof;
    // Where what is left has no least, the count may be any.
    let u = (2.0 * variance / curvature.max(f64::MIN_POSITIVE)).sqrt().min(most - least);
    // A triangle with a floor is no cosine. Where a scan holds a whole bar the levels about the fit say enough of that; where it
    // holds a part of one the count bends to the shape of that part (both from trials with drawn bars: see the test).
    let of_a_part = LESS_THAN_A_BAR_U * ((1.2 - best.0) / 0.4).clamp(0.0, 1.0);
    let shares = vec![
        Contribution::type_a("levels about the fit", u, dof),
        Contribution::type_b("shape of the bars", of_a_part),
    ];
    let mut first = Vec::new();
    let mut greatest_v: f64 = 0.0;
    for scan in scans {
        let (c, _) = fit(scan, best.0, HARMONICS);
        // The fundamental is least half a cycle from its crest.
        let crest = c[2].atan2(c[1]) / core::f64::consts::TAU / best.0;
        first.push((crest + 0.5 / best.0).rem_euclid(1.0 / best.0));
        greatest_v = greatest_v.max(c[0] + f64::hypot(c[1], c[2]));
    }
    Ok(Bars { count: Estimate::combined(best.0, shares)?, explained, first, greatest_v })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Level of a head as wide as its pitch that crosses `pitches` a scan: `1 - |d| / P` about every second track, nothing between.
    fn course(pitches: f64, from_pitch: f64) -> ScanCourse {
        let n = 120;
        let level_v = (0..n)
            .map(|i| {
                let at = from_pitch + pitches * (f64::from(i) + 0.5) / f64::from(n);
                (1.0 - (at.rem_euclid(2.0) - 1.0).abs()).max(0.03)
            })
            .collect();
        ScanCourse { level_v, from: 0.5 / f64::from(n), to: 1.0 - 0.5 / f64::from(n) }
    }

    /// `n` times play speed crosses `n - 1` pitches: half as many bars.
    #[test]
    fn bars_are_half_the_pitches_crossed() {
        for speed in [3.0, 5.0, 7.0, 9.3, -7.0, -3.0, 21.0] {
            let pitches: f64 = speed - 1.0;
            let scans: Vec<ScanCourse> = (0..4).map(|i| course(pitches.abs(), 0.37 * f64::from(i))).collect();
            let bars = count_bars(&scans, 0.45, 13.0).unwrap();
            let right = pitches.abs() / 2.0;
            assert!(
                bars.count.interval.low <= right
                    && right <= bars.count.interval.high
                    && bars.count.standard_uncertainty < 0.1,
                "{speed}: {:?}, {right} expected",
                bars.count
            );
        }
    }

    /// Bars of a drawn shape: a triangle of a height that is cut off above, with a floor and some noise, from anywhere.
    #[track_caller]
    fn check_drawn(bars: (f64, f64), most_u: f64) {
        let mut noise = crate::extremes::Noise::new(3);
        let (trials, mut held) = (60, 0);
        for _ in 0..trials {
            let right = bars.0 + (bars.1 - bars.0) * noise.uniform();
            let floor = 0.03 + 0.4 * noise.uniform();
            let scans: Vec<ScanCourse> = (0..4)
                .map(|_| {
                    let mut scan = course(2.0 * right, 2.0 * noise.uniform());
                    for v in &mut scan.level_v {
                        *v = (1.2 * *v).clamp(floor, 1.0) + 0.01 * (noise.uniform() - 0.5);
                    }
                    scan
                })
                .collect();
            let count = count_bars(&scans, 0.45, 13.0).unwrap().count;
            held += i32::from(count.interval.low <= right && right <= count.interval.high);
            assert!(count.standard_uncertainty < most_u, "{bars:?}: {count:?}");
        }
        assert!(held >= 55, "{bars:?}: {held} of {trials}");
    }

    #[test]
    fn any_shape_of_bars_is_covered() {
        check_drawn((0.5, 1.0), 13.0);
        check_drawn((1.0, 1.5), 0.15);
        check_drawn((1.5, 4.0), 0.02);
        check_drawn((4.0, 12.0), 0.01);
    }

    #[test]
    fn a_level_without_bars_has_no_count() {
        let flat = ScanCourse {
            level_v: (0..120).map(|i| 1.0 + 0.01 * f64::from(i * i * 31 % 17)).collect(),
            from: 0.0,
            to: 1.0,
        };
        assert!(matches!(count_bars(&[flat], 0.45, 13.0), Err(MeasureError::NotSteady { .. })));
        assert!(count_bars(&[], 0.45, 13.0).is_err());
    }
}
