//! Slip and hunting, from one gap-free record of level against time.
//!
//! When the tape slips, the head walks over the tracks: the level rises and falls once for each frame
//! of tape, both heads together. The rise and fall is periodic but no sine (overlap is a triangle with
//! a floor where the neighbour's azimuth lets little through), so a fundamental with its second and
//! third harmonic is fitted by least squares. The frequency is refined on that fit.
//!
//! * `regularity` is the share of the variance that the fit explains: near 1 for steady slip, low
//!   for hunting that is irregular or reverses.
//! * Under two cycles the frequency has only an upper bound.
//! * Uncertainty of the frequency: `var(w) = 24 s^2 / (N (N^2 - 1) sum_h h^2 A_h^2)` (radians a sample,
//!   from memory, the usual lower bound), `s^2` being the residual's variance times its correlation;
//!   and what the phase wanders about a straight line, cycle by cycle, since the quantity is the mean
//!   over the record.

use crate::error::{MeasureError, at_least, finite, positive, volts};
use crate::estimate::{Contribution, Estimate};
use crate::record::LevelRecord;
use crate::statistics::{effective_count, moments_of_finite};
use crate::swing::{Spreads, spreads};
use crate::turning::Turning;

/// Harmonics of the fit.
const HARMONICS: usize = 3;
const COLUMNS: usize = 2 * HARMONICS + 1;

/// What a record of level against time shows.
#[derive(Debug, Clone, PartialEq)]
pub enum Course {
    /// The level keeps still: no slip of a part of a cycle within the record.
    Steady,
    /// Rises and falls regularly.
    Slip {
        /// Slip frequency, in hertz.
        frequency: Estimate,
        /// Relative speed error without sign, in per cent: frequency over frame rate.
        speed_error: Estimate,
        /// Cycles in the record.
        cycles: f64,
    },
    /// Changes, but fewer than two cycles were seen: only an upper bound.
    Slow {
        /// The slip frequency is at most this.
        at_most_hz: f64,
        /// The relative speed error is at most this, in per cent.
        speed_error_at_most: f64,
    },
    /// Changes without a period: a tracking servo that hunts, or a speed that is not controlled.
    Irregular {
        /// Frequency that comes nearest, in hertz.
        about_hz: f64,
    },
}

/// The course of a record, with the numbers behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct SlipReport {
    /// What it shows.
    pub course: Course,
    /// Share of the variance beyond noise that a regular rise and fall explains, 0 to 1.
    pub regularity: f64,
    /// `(greatest - least) / greatest` of the level, 5 % cut off at each end (unit 1).
    pub swing: f64,
    /// Length of the record.
    pub observed_s: f64,
}

/// Least swing that is looked into, beyond the noise. Common practice, no source.
pub const LEAST_SWING: f64 = 0.15;
/// Least regularity of a slip. Common practice, no source.
pub const LEAST_REGULARITY: f64 = 0.75;

struct Fit {
    /// Share of the total variance.
    explained: f64,
    /// Squares of the harmonics' amplitudes.
    squares: [f64; HARMONICS],
    /// Fitted coefficients: constant, then cosine and sine of each harmonic.
    coefficients: [f64; COLUMNS],
}

/// Least squares on constant, cosines and sines, `w` radians a point. Phase counts from the middle, so
/// sums of products of the columns have a closed form: `sum cos(m w i) = sin(n m w / 2) / sin(m w / 2)`,
/// and cosines are orthogonal to sines.
fn fit(y: &[f64], w: f64) -> Option<Fit> {
    let n = y.len() as f64;
    let sum_of_cosines = |m: usize| {
        let half = 0.5 * w * m as f64;
        if half.sin().abs() < 1e-9 { n } else { (n * half).sin() / half.sin() }
    };
    let mut normal = [[0.0_f64; COLUMNS + 1]; COLUMNS];
    normal[0][0] = n;
    for h in 1..=HARMONICS {
        normal[0][2 * h - 1] = sum_of_cosines(h);
        normal[2 * h - 1][0] = normal[0][2 * h - 1];
        for k in 1..=HARMONICS {
            let (apart, together) = (sum_of_cosines(h.abs_diff(k)), sum_of_cosines(h + k));
            normal[2 * h - 1][2 * k - 1] = 0.5 * (apart + together);
            normal[2 * h][2 * k] = 0.5 * (apart - together);
        }
    }
    let centre = 0.5 * (n - 1.0);
    let mut turnings: [Turning; HARMONICS] = core::array::from_fn(|h| {
        let step = w * (h + 1) as f64;
        Turning::new(-step * centre, step)
    });
    for v in y {
        normal[0][COLUMNS] += v;
        for (h, turning) in turnings.iter_mut().enumerate() {
            let (c, s) = turning.next();
            normal[2 * h + 1][COLUMNS] += c * v;
            normal[2 * h + 2][COLUMNS] += s * v;
        }
    }
    let right: [f64; COLUMNS] = core::array::from_fn(|a| normal[a][COLUMNS]);
    let coefficients = solve(normal)?;
    let mean = y.iter().sum::<f64>() / n;
    let total: f64 = y.iter().map(|v| (v - mean).powi(2)).sum();
    // Sum of squares that the fit explains, less that of the mean.
    let explained: f64 = (0..COLUMNS).map(|a| coefficients[a] * right[a]).sum::<f64>() - n * mean * mean;
    let squares = core::array::from_fn(|h| coefficients[2 * h + 1].powi(2) + coefficients[2 * h + 2].powi(2));
    Some(Fit { explained: if total > 0.0 { (explained / total).clamp(0.0, 1.0) } else { 0.0 }, squares, coefficients })
}

fn columns(phase: f64) -> [f64; COLUMNS] {
    let (s, c) = phase.sin_cos();
    let mut row = [1.0; COLUMNS];
    let (mut sh, mut ch) = (s, c);
    for h in 0..HARMONICS {
        row[2 * h + 1] = ch;
        row[2 * h + 2] = sh;
        (sh, ch) = (sh * c + ch * s, ch * c - sh * s);
    }
    row
}

/// Gauss with pivots. None for a singular system.
fn solve(mut m: [[f64; COLUMNS + 1]; COLUMNS]) -> Option<[f64; COLUMNS]> {
    for c in 0..COLUMNS {
        let pivot = (c..COLUMNS).fold(c, |p, r| if m[r][c].abs() > m[p][c].abs() { r } else { p });
        if m[pivot][c].is_nan() || m[pivot][c].abs() <= 1e-9 {
            return None;
        }
        m.swap(c, pivot);
        let row = m[c];
        for (r, other) in m.iter_mut().enumerate() {
            if r != c {
                let f = other[c] / row[c];
                for (o, v) in other.iter_mut().zip(row) {
                    *o -= f * v;
                }
            }
        }
    }
    Some(core::array::from_fn(|c| m[c][COLUMNS] / m[c][c]))
}

/// Judges a record of level against time.
///
/// # Errors
/// [`MeasureError::NotFinite`], [`MeasureError::TooShort`] below 16 points, [`MeasureError::InNoise`]
/// without level, [`MeasureError::BadParameter`].
pub fn course_of(record: &LevelRecord) -> Result<SlipReport, MeasureError> {
    let y = &record.level_v;
    at_least("points of a slow record", y.len(), 16)?;
    finite("levels of a slow record", y)?;
    positive("time from level to level", record.dt_s)?;
    positive("frame rate", record.frame_rate_hz)?;
    let m = moments_of_finite(y.iter().copied());
    if m.mean <= 0.0 {
        return Err(MeasureError::InNoise { what: "level against time", detail: format!("mean {}", volts(m.mean)) });
    }
    let span = record.span_s();
    let Spreads { noise_variance, top, squared } = spreads(y);
    let swing = (squared.max(0.0).sqrt() / top.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    let report = |course, regularity| SlipReport { course, regularity, swing, observed_s: span };
    if swing < LEAST_SWING {
        return Ok(report(Course::Steady, 0.0));
    }
    let (w, best) = best_period(y)
        .ok_or_else(|| MeasureError::NotSteady { what: "level against time", detail: "no period fits".into() })?;
    let hz = w / core::f64::consts::TAU / record.dt_s;
    let cycles = hz * span;
    let total = m.standard_deviation.powi(2);
    // White noise's share can be explained by nothing; the successive differences of a fast course
    // hold some of the course itself, so at most half is granted.
    let possible = 1.0 - (noise_variance / total).min(0.5);
    let regularity = (best.explained / possible).min(1.0);
    if cycles < 2.0 {
        let at_most_hz = 2.0 / span;
        return Ok(report(
            Course::Slow { at_most_hz, speed_error_at_most: 100.0 * at_most_hz / record.frame_rate_hz },
            regularity,
        ));
    }
    if regularity < LEAST_REGULARITY {
        return Ok(report(Course::Irregular { about_hz: hz }, regularity));
    }
    let frequency = frequency_of(y, w, &best, record.dt_s)?;
    let speed_error = frequency.clone().scaled(100.0 / record.frame_rate_hz);
    Ok(report(Course::Slip { frequency, speed_error, cycles }, regularity))
}

/// The best-fitting period: a grid of a sixth of a cycle a record, then golden section. The
/// fundamental must be the strongest, and of nearly equal fits the fastest wins, since a fit at half
/// the frequency holds the true one as its second harmonic.
fn best_period(y: &[f64]) -> Option<(f64, Fit)> {
    // The search goes over means of neighbours where the record is long; the refinement over all.
    let block = (y.len() / 400).max(1);
    let means: Vec<f64> = y.chunks_exact(block).map(|c| c.iter().sum::<f64>() / block as f64).collect();
    let step = core::f64::consts::TAU / y.len() as f64 / 6.0;
    let top = core::f64::consts::PI / 4.0;
    let count = ((top / step) as usize).max(8);
    let mut candidates: Vec<(f64, f64)> = Vec::new();
    for g in 4..count {
        let w = step * g as f64;
        let Some(f) = fit(&means, w * block as f64) else { continue };
        if f.squares[0] >= 0.5 * f.squares.iter().sum::<f64>() {
            candidates.push((w, f.explained));
        }
    }
    let best = candidates.iter().fold(0.0_f64, |b, c| b.max(c.1));
    let (start, _) = candidates.iter().rev().filter(|c| c.1 >= 0.97 * best).max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (mut low, mut high) = (start - step, start + step);
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let value = |w: f64| fit(y, w).map_or(0.0, |f| f.explained);
    for _ in 0..24 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if value(a) > value(b) { high = b } else { low = a }
    }
    let w = 0.5 * (low + high);
    fit(y, w).map(|f| (w, f))
}

fn frequency_of(y: &[f64], w: f64, best: &Fit, dt_s: f64) -> Result<Estimate, MeasureError> {
    let n = y.len() as f64;
    let centre = 0.5 * (n - 1.0);
    let model =
        |i: usize| columns(w * (i as f64 - centre)).iter().zip(best.coefficients).map(|(a, b)| a * b).sum::<f64>();
    let residual: Vec<f64> = y.iter().enumerate().map(|(i, v)| v - model(i)).collect();
    let s = moments_of_finite(residual.iter().copied()).standard_deviation;
    let correlation = n / effective_count(&residual)?;
    let power: f64 = best.squares.iter().enumerate().map(|(h, a)| ((h + 1) * (h + 1)) as f64 * a).sum();
    let u_w = (24.0 * s * s * correlation / (power * n * (n * n - 1.0))).sqrt();
    // Phase of the fundamental, a cycle at a time, against the fit's own.
    let cycle = (core::f64::consts::TAU / w).round().max(2.0) as usize;
    let phases: Vec<f64> = (0..y.len() / cycle)
        .map(|c| {
            let range = c * cycle..(c + 1) * cycle;
            let mean = y[range.clone()].iter().sum::<f64>() / cycle as f64;
            let (re, im) = range.fold((0.0, 0.0), |(re, im), i| {
                let (s, c) = (w * (i as f64 - centre)).sin_cos();
                (re + (y[i] - mean) * c, im + (y[i] - mean) * s)
            });
            let own = best.coefficients[2].atan2(best.coefficients[1]);
            let away = im.atan2(re) - own;
            away.sin().atan2(away.cos())
        })
        .collect();
    let wander = moments_of_finite(phases.iter().copied());
    let dof = (wander.count as f64 - 1.0).max(1.0);
    // The noise's part of the phases is in the first contribution already.
    let own_part = 2.0 * s * s / (best.squares[0].max(f64::MIN_POSITIVE) * cycle as f64);
    let wandering = (wander.standard_deviation.powi(2) - own_part).max(0.0).sqrt();
    let per = 1.0 / core::f64::consts::TAU / dt_s;
    Estimate::combined(
        w * per,
        vec![
            Contribution::type_a("noise", u_w * per, (n / correlation - COLUMNS as f64).max(1.0)),
            Contribution::type_a("wander of the phase", core::f64::consts::SQRT_2 * wandering / n * per, dof),
        ],
    )
    .map(|e| e.within(0.0, f64::MAX))
}
