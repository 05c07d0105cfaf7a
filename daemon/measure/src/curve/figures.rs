//! The quantities that are judged, of a head's curve.

use super::{HeadCurve, ScanLevels, Segments, Shared, mean, shape_scatter};
use crate::error::{MeasureError, at_least, volts};
use crate::estimate::{Contribution, Estimate};
use crate::extremes::{Ends, least_and_greatest};
use crate::statistics::{deviation_interval, moments_of_finite};
use tapewright_formats::definitions::{ENTRANCE, EXIT, MIDDLE, SEGMENTS};

/// Error of the mean over a range of segments.
fn error_of_mean(errors: &Segments, range: core::ops::Range<usize>) -> f64 {
    let n = range.len() as f64;
    errors[range].iter().map(|u| u * u).sum::<f64>().sqrt() / n
}

/// A level that can divide: refuses a curve without any.
fn divisor(what: &'static str, level_v: f64) -> Result<f64, MeasureError> {
    if level_v > 0.0 {
        Ok(level_v)
    } else {
        Err(MeasureError::InNoise { what, detail: format!("level {}", volts(level_v)) })
    }
}

/// Name of what colour may hide of a dip.
const IN_A_DIP: &str = "colour-under signal in a dip";

/// `end / middle` of a curve.
fn end_over_middle(
    c: &HeadCurve,
    what: &'static str,
    range: core::ops::Range<usize>,
) -> Result<Estimate, MeasureError> {
    let of = |m: &Segments| mean(&m[range.clone()]) / mean(&m[MIDDLE]);
    let middle = divisor(what, mean(&c.median_v[MIDDLE]))?;
    let value = of(&c.median_v);
    let (u_end, u_middle) =
        (error_of_mean(&c.standard_error_v, range.clone()), error_of_mean(&c.standard_error_v, MIDDLE));
    let random = (u_end / middle).hypot(value * u_middle / middle);
    let mut contributions = vec![Contribution {
        degrees_of_freedom: c.shape_dof,
        ..Contribution::type_a("scatter over frames", random, 1.0)
    }];
    contributions.extend(c.moved_by(&of, &c.median_v));
    if c.shape_u > 0.0 {
        contributions.push(Contribution::type_b("picture content", value * c.shape_u * core::f64::consts::SQRT_2));
    }
    Ok(Estimate::combined(value, contributions)?.or_lower(IN_A_DIP, c.colour.hides(value))?.within(0.0, f64::MAX))
}

/// Entrance level over middle level (unit 1).
///
/// # Errors
/// [`MeasureError::InNoise`] where the middle has no level.
pub fn entrance(curve: &HeadCurve) -> Result<Estimate, MeasureError> {
    end_over_middle(curve, "entrance level", ENTRANCE)
}

/// Exit level over middle level (unit 1).
///
/// # Errors
/// [`MeasureError::InNoise`] where the middle has no level.
pub fn exit(curve: &HeadCurve) -> Result<Estimate, MeasureError> {
    end_over_middle(curve, "exit level", EXIT)
}

/// Middle level, in volts.
///
/// # Errors
/// [`MeasureError::NotFinite`].
pub fn middle_level(curve: &HeadCurve) -> Result<Estimate, MeasureError> {
    absolute(curve, &|m: &Segments| mean(&m[MIDDLE]), error_of_mean(&curve.standard_error_v, MIDDLE))
}

/// Mean level of the curve, in volts.
///
/// # Errors
/// [`MeasureError::NotFinite`].
pub fn mean_level(curve: &HeadCurve) -> Result<Estimate, MeasureError> {
    absolute(curve, &|m: &Segments| mean(m), 0.0)
}

/// Greatest level of the curve, in volts.
///
/// # Errors
/// [`MeasureError::NotFinite`].
pub fn greatest_level(curve: &HeadCurve) -> Result<Estimate, MeasureError> {
    let k = curve.greatest();
    absolute(curve, &|m: &Segments| m[k], curve.standard_error_v[k])
}

fn absolute(c: &HeadCurve, of: &dyn Fn(&Segments) -> f64, shape_error: f64) -> Result<Estimate, MeasureError> {
    let value = of(&c.median_v);
    let mut contributions = vec![Contribution {
        degrees_of_freedom: c.mean_dof,
        ..Contribution::type_a("scatter over frames", c.mean_error_v.hypot(shape_error), 1.0)
    }];
    contributions.extend(c.moved_by(of, &c.median_v));
    contributions.extend(
        c.common.iter().chain(&c.of_head).map(|share| Contribution {
            standard_uncertainty: value.abs() * share.standard_uncertainty,
            ..share.clone()
        }),
    );
    contributions.push(Contribution::type_b("picture content", value.abs() * c.shape_u));
    Ok(Estimate::combined(value, contributions)?.within(0.0, f64::MAX))
}

/// Flatness: least over greatest of the curve (unit 1).
///
/// The least of noisy values is too low and the greatest too high: corrected, with an interval that
/// need not be even; see the module on extremes.
///
/// # Errors
/// [`MeasureError::InNoise`] for a curve without level.
pub fn flatness(curve: &HeadCurve) -> Result<Estimate, MeasureError> {
    divisor("flatness", curve.mean_v())?;
    // A fit weighs with the inverse of variances, and the inverse of an estimated one is too great on average, by
    // `dof / (dof - 2)` (mean of the inverse chi-square): the fit would be thought better than it is.
    let inverse = (curve.segment_dof / (curve.segment_dof - 2.0).max(1.0)).sqrt();
    let errors = curve.standard_error_v.map(|u| inverse * u);
    let ends = least_and_greatest(&curve.median_v, &errors, curve.shape_dof)?;
    let ratio = |m: &Segments| {
        let (low, high) = m.iter().fold((f64::MAX, 0.0_f64), |(l, h), v| (l.min(*v), h.max(*v)));
        if high > 0.0 { low.max(0.0) / high } else { 0.0 }
    };
    let Ends { value, low, high, u, shrunk } = ends;
    let contributions = vec![Contribution {
        degrees_of_freedom: curve.shape_dof,
        ..Contribution::type_a("scatter over frames", u, 1.0)
    }];
    let mut estimate = Estimate::with_interval(value, low, high, u, curve.shape_dof, contributions)?;
    for cause in curve.moved_by(&ratio, &shrunk) {
        estimate = estimate.also(cause)?;
    }
    if curve.shape_u > 0.0 {
        estimate = estimate
            .also(Contribution::type_b("picture content", value * curve.shape_u * core::f64::consts::SQRT_2))?;
    }
    Ok(estimate.or_lower(IN_A_DIP, curve.colour.hides(value))?.within(0.0, 1.0))
}

/// Balance: `20 log10` of head B's mean level over head A's, in dB. Both curves must come from one
/// channel and range. The two fields show one picture, so its content does not enter.
///
/// # Errors
/// [`MeasureError::InNoise`] where a head has no level.
pub fn balance(a: &HeadCurve, b: &HeadCurve) -> Result<Estimate, MeasureError> {
    let (level_a, level_b) = (divisor("balance, head A", a.mean_v())?, divisor("balance, head B", b.mean_v())?);
    let db = |ratio: f64| 20.0 * ratio.log10();
    let value = db(level_b / level_a);
    let per = 20.0 / core::f64::consts::LN_10;
    let mut contributions = vec![
        Contribution {
            degrees_of_freedom: a.mean_dof,
            ..Contribution::type_a("scatter over frames, head A", per * a.mean_error_v / level_a, 1.0)
        },
        Contribution {
            degrees_of_freedom: b.mean_dof,
            ..Contribution::type_a("scatter over frames, head B", per * b.mean_error_v / level_b, 1.0)
        },
    ];
    for (of_a, of_b) in a.shared.iter().zip(&b.shared) {
        let moved = |level: f64, cause: &Shared| per * mean(&cause.by_v) / level;
        let (by_a, by_b) = (moved(level_a, of_a), moved(level_b, of_b));
        let u = if of_a.own { by_a.hypot(by_b) } else { (by_b - by_a).abs() };
        contributions.push(Contribution::type_b(of_a.name, u).spread(of_a.spread));
    }
    for share in a.of_head.iter().chain(&b.of_head) {
        contributions.push(Contribution { standard_uncertainty: per * share.standard_uncertainty, ..share.clone() });
    }
    Estimate::combined(value, contributions)
}

/// How well the mean level of a steady scan repeats from frame to frame besides the noise: samples and bins
/// lie differently against its lines each time (unit 1; a guess, no source).
const REPEATS: f64 = 0.003;

/// Modulation: relative standard deviation over frames of a scan's mean level, of one head, the part
/// that noise explains taken off (unit 1), as the greater of what each frame predicts and what the segments of all frames
/// show beside their common level. Asymmetric interval by chi-square, which
/// does not claim to see less than 0.3 %; its lower end leaves out besides what each frame has of its own by the way it was taken.
///
/// # Errors
/// [`MeasureError::TooShort`] below three frames, [`MeasureError::InNoise`] without level.
pub fn modulation(frames: &[ScanLevels]) -> Result<Estimate, MeasureError> {
    at_least("frames of a modulation", frames.len(), 3)?;
    let m = moments_of_finite(frames.iter().map(ScanLevels::mean_v));
    let level = divisor("modulation", m.mean)?;
    let noise = moments_of_finite(
        frames.iter().map(|f| f.random_v.iter().map(|u| u * u).sum::<f64>() / (SEGMENTS * SEGMENTS) as f64),
    )
    .mean;
    // Samples that meet the carrier at few phases scatter more than neighbours show: frames tell, segment by segment.
    let seen = shape_scatter(frames, m.mean).iter().map(|u| u * u).sum::<f64>() / (SEGMENTS * SEGMENTS) as f64;
    let noise = noise.max(seen);
    let dof = (frames.len() - 1) as f64;
    let clean = |s: f64| (s * s - noise).max(0.0).sqrt() / level;
    let own_v = level * REPEATS.hypot(moments_of_finite(frames.iter().map(|f| f.frame_u)).mean);
    let (low, high) = deviation_interval(m.standard_deviation, dof, crate::COVERAGE);
    let u = m.standard_deviation / level / (2.0 * dof).sqrt();
    Estimate::with_interval(
        clean(m.standard_deviation),
        ((low * low - noise - own_v * own_v).max(0.0)).sqrt() / level,
        clean(high).max(REPEATS),
        u.max(0.5 * REPEATS),
        Some(dof),
        vec![Contribution::type_a("number of frames", u, dof)],
    )
}
