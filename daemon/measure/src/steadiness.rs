//! Steadiness: how much a head's curve changes from frame to frame, beyond what noise explains.

use crate::curve::ScanLevels;
use crate::error::{MeasureError, at_least, volts};
use crate::estimate::{Contribution, Estimate};
use crate::special::chi_square_exceeds;
use crate::statistics::{deviation_interval, moments_of_finite};
use tapewright_formats::definitions::SEGMENTS;

/// How steady a curve is.
#[derive(Debug, Clone, PartialEq)]
pub struct Steadiness {
    /// Change from frame to frame: root of the mean over segments of the variance over frames beyond
    /// noise, over the mean level (unit 1).
    pub change: Estimate,
    /// Probability that noise alone gives as much as was seen.
    pub by_noise_alone: f64,
}

/// Change from frame to frame of the scans of one head.
///
/// `V = mean_k (s_k^2 - u_k^2)`, `change = sqrt(max(V, 0)) / mean level`. Segments of a frame move
/// together, so the degrees of freedom of the interval are those of the frames alone.
///
/// # Errors
/// [`MeasureError::TooShort`] below three frames, [`MeasureError::InNoise`] without level.
pub fn frame_to_frame_change(frames: &[ScanLevels]) -> Result<Steadiness, MeasureError> {
    at_least("frames of a steadiness", frames.len(), 3)?;
    let level = moments_of_finite(frames.iter().map(ScanLevels::mean_v)).mean;
    if level <= 0.0 {
        return Err(MeasureError::InNoise { what: "steadiness", detail: format!("level {}", volts(level)) });
    }
    let dof = (frames.len() - 1) as f64;
    let (mut seen, mut noise, mut chi) = (0.0, 0.0, 0.0);
    for k in 0..SEGMENTS {
        let variance = moments_of_finite(frames.iter().map(|f| f.level_v[k])).standard_deviation.powi(2);
        let own = moments_of_finite(frames.iter().map(|f| f.random_v[k].powi(2))).mean;
        seen += variance / SEGMENTS as f64;
        noise += own / SEGMENTS as f64;
        chi += dof * variance / own.max(f64::MIN_POSITIVE);
    }
    // The predicted noise is itself known to about a tenth: judged against 1.2 times its power.
    let clean = |variance: f64| (variance - noise).max(0.0).sqrt() / level;
    let (low, high) = deviation_interval(1.0, dof, crate::COVERAGE);
    let excess = (seen - noise).max(0.0);
    // Only what exceeds the noise is one variable a frame; the noise averages over the segments.
    let noise_u = noise * (2.0 / (dof * SEGMENTS as f64)).sqrt();
    let (lo, hi) = (excess * low * low - 2.0 * noise_u, excess * high * high + 2.0 * noise_u);
    let value = clean(seen);
    let u = value / (2.0 * dof).sqrt();
    let change = Estimate::with_interval(
        value,
        lo.max(0.0).sqrt() / level,
        hi.max(0.0).sqrt() / level,
        u.hypot(noise_u.sqrt() / level / 2.0),
        Some(dof),
        vec![
            Contribution::type_a("number of frames", u, dof),
            Contribution::type_b("noise, taken off", noise_u.sqrt() / level / 2.0),
        ],
    )?;
    let by_noise_alone = chi_square_exceeds((chi / 1.2).min(1e300), dof * SEGMENTS as f64);
    Ok(Steadiness { change, by_noise_alone })
}

/// Refuses scans whose curve changes by more than `most` (unit 1) from frame to frame: their median
/// has no shape of its own. 0.1 is common practice, no source.
///
/// # Errors
/// [`MeasureError::NotSteady`], and as [`frame_to_frame_change`].
pub fn demand_steady(frames: &[ScanLevels], most: f64) -> Result<Steadiness, MeasureError> {
    let s = frame_to_frame_change(frames)?;
    if s.change.value > most {
        return Err(MeasureError::NotSteady {
            what: "level curve",
            detail: format!(
                "it changes by {:.1} % from frame to frame (95 %: {:.1} to {:.1} %), more than {:.1} %; look at its course in time first",
                100.0 * s.change.value,
                100.0 * s.change.interval.low,
                100.0 * s.change.interval.high,
                100.0 * most
            ),
        });
    }
    Ok(s)
}
