//! Third way to a curve: RMS of under-sampled RF, the noise power taken off.
//!
//! Samples that are far apart against the carrier's cycle meet it at phases as good as random (its
//! frequency follows the picture), so the mean square over a segment is the power of carrier,
//! colour-under and noise: `L = sqrt(2 (mean v^2 - noise power) / (1 + c^2))` with `c` the colour-under's share
//! of amplitude. The offset is taken off first. Each segment holds few samples: a scan of 2,500
//! points gives 3 to 4 % a segment, so several frames are needed.
//!
//! The mean is over the whole picture, not the sync tip: what white does to the level stays in it, as
//! a factor with bounds ([`Picture::content`]) that cancels in ratios of an even picture.

use crate::carrier::root_of_mean;
use crate::curve::{ScanLevels, Shared};
use crate::error::{MeasureError, at_least};
use crate::estimate::{Contribution, Spread};
use crate::peaks::Picture;
use crate::scan::Scan;
use crate::trace::Trace;
use tapewright_formats::definitions::SEGMENTS;

/// Noise power, from a capture in the same set-up without RF.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerNoise {
    power_v2: f64,
    relative_u: f64,
}

impl PowerNoise {
    /// From a capture without RF.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below 50 samples.
    pub fn from_quiet(trace: &Trace) -> Result<Self, MeasureError> {
        at_least("samples without RF", trace.volts().len(), 50)?;
        let m = crate::statistics::moments_of_finite(trace.volts().iter().map(|v| f64::from(*v)));
        Ok(Self { power_v2: m.standard_deviation.powi(2), relative_u: (2.0 / m.count as f64).sqrt() })
    }

    /// The noise's deviation, in volts.
    #[must_use]
    pub fn deviation_v(&self) -> f64 {
        self.power_v2.sqrt()
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
    let offset = volts.iter().map(|v| f64::from(*v)).sum::<f64>() / volts.len().max(1) as f64;
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
        shared: vec![Shared { name: "correction of noise", spread: Spread::Normal, by_v: [0.0; SEGMENTS], own: false }],
        common: vec![
            trace.conversion().gain_share(),
            Contribution::type_b("picture content and colour-under", factor_u).spread(Spread::Rectangular),
        ],
        shape_u: if picture.even { 0.0 } else { factor_u },
        noise_v: noise.deviation_v() * core::f64::consts::SQRT_2,
    };
    let place = |time_s: f64| (((time_s - trace.t0_s()) / trace.dt_s()).ceil().max(0.0) as usize).min(volts.len());
    let mut squares = Vec::new();
    for k in 0..SEGMENTS {
        let samples = &volts[place(scan.segment_start_s(k))..place(scan.segment_start_s(k + 1))];
        at_least("samples in a segment", samples.len(), 8)?;
        squares.clear();
        squares.extend(samples.iter().map(|v| 2.0 * ((f64::from(*v) - offset).powi(2) - noise.power_v2)));
        let (level, random) = root_of_mean(&squares);
        out.level_v[k] = level / factor;
        out.random_v[k] = random / factor;
        out.shared[0].by_v[k] =
            2.0 * noise.power_v2 * noise.relative_u / (2.0 * level.max(out.noise_v).max(f64::MIN_POSITIVE)) / factor;
    }
    Ok(out)
}
