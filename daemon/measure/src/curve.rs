//! From the levels of scans to a head's curve, and from the curve to the quantities that are judged.
//!
//! The quantities are those of [`tapewright_formats::definitions`]. A scope gain that cancels in a ratio
//! is not counted there; a shift of one cause that has one sign in all segments (noise lift, noise power, what
//! the neighbouring track adds) is carried through by evaluating the quantity with and without it, cause by cause.

mod figures;

pub use self::figures::{balance, entrance, exit, flatness, greatest_level, mean_level, middle_level, modulation};
use crate::colour::ColourPart;
use crate::error::{MeasureError, at_least};
use crate::estimate::{Contribution, Spread};
use crate::statistics::{median_efficiency_factor, median_in_place, moments_of_finite};
use tapewright_formats::definitions::SEGMENTS;

/// A number a segment.
pub type Segments = [f64; SEGMENTS];

/// One cause of errors that all segments and all scans share: one sign, a size of its own in each segment.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// What it comes from.
    pub name: &'static str,
    /// How it is distributed.
    pub spread: Spread,
    /// Standard uncertainty of each segment, in volts.
    pub by_v: Segments,
    /// It is each head's own: what the other head shows has another one.
    pub own: bool,
}

/// Levels of the segments of one scan, with what is known about their errors.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanLevels {
    /// Level of each segment: amplitude of the carrier, in volts.
    pub level_v: Segments,
    /// Standard uncertainty of each from noise and sampling alone; independent between segments and scans.
    pub random_v: Segments,
    /// What is left of biases that were corrected, cause by cause, the same causes in each scan.
    pub shared: Vec<Shared>,
    /// Relative uncertainties common to all levels of the set-up (unit 1); they cancel in ratios.
    pub common: Vec<Contribution>,
    /// Relative uncertainties common to all levels of one head, each head with its own (unit 1); they cancel in ratios of one
    /// head's levels.
    pub of_head: Vec<Contribution>,
    /// Relative standard uncertainty of each segment that repeats in each frame (picture content).
    pub shape_u: f64,
    /// What of a level may be the colour-under signal.
    pub colour: ColourPart,
    /// Noise in the method's band, as an amplitude in volts (`sqrt(2)` of its rms).
    pub noise_v: f64,
    /// Relative standard uncertainty that all segments of a scan share and each frame has of its own (unit 1), besides noise.
    pub frame_u: f64,
}

impl ScanLevels {
    /// Mean level of the scan, in volts.
    #[must_use]
    pub fn mean_v(&self) -> f64 {
        mean(&self.level_v)
    }
}

pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// The curve of one head: `M_k`, the median over frames.
#[derive(Debug, Clone, PartialEq)]
pub struct HeadCurve {
    /// Median level of each segment, in volts.
    pub median_v: Segments,
    /// Standard error of each median, without what all segments share.
    pub standard_error_v: Segments,
    /// Degrees of freedom behind a sum over some segments; none: a great many.
    pub shape_dof: Option<f64>,
    /// Degrees of freedom behind the standard error of one segment by itself.
    pub segment_dof: f64,
    /// Standard error of the curve's mean level, with what all segments share.
    pub mean_error_v: f64,
    /// Degrees of freedom of that.
    pub mean_dof: Option<f64>,
    /// As in [`ScanLevels::shared`], median over frames.
    pub shared: Vec<Shared>,
    /// As in [`ScanLevels::common`], the greatest of the frames.
    pub common: Vec<Contribution>,
    /// As in [`ScanLevels::of_head`], the greatest of the frames.
    pub of_head: Vec<Contribution>,
    /// As in [`ScanLevels::shape_u`].
    pub shape_u: f64,
    /// As in [`ScanLevels::colour`].
    pub colour: ColourPart,
    /// As in [`ScanLevels::noise_v`].
    pub noise_v: f64,
    /// How many frames.
    pub frames: usize,
}

impl HeadCurve {
    /// Median over frames with its standard error.
    ///
    /// The scatter is taken from the frames, after what all segments of a frame share was removed, and
    /// shrunk towards what the noise predicts: few frames give wild deviations segment by segment. The prediction has the
    /// weight that the segments' own variances give it by differing no more than so few frames make them differ (see
    /// `weight_of_prediction`), and is averaged over seven neighbours. One frame relies on it alone. The first segment, which
    /// holds vertical sync, is told by its frames for the most part.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] for no frame.
    pub fn over_frames(frames: &[ScanLevels]) -> Result<Self, MeasureError> {
        at_least("frames of a curve", frames.len(), 1)?;
        let n = frames.len();
        let over =
            |pick: &dyn Fn(&ScanLevels) -> f64| median_in_place(&mut frames.iter().map(pick).collect::<Vec<_>>());
        let median_v: Segments = core::array::from_fn(|k| over(&|f| f.level_v[k]));
        let shared = frames[0]
            .shared
            .iter()
            .enumerate()
            .map(|(i, cause)| Shared {
                by_v: core::array::from_fn(|k| over(&|f| f.shared.get(i).map_or(0.0, |cause| cause.by_v[k]))),
                ..cause.clone()
            })
            .collect();
        let greatest = |pick: fn(&ScanLevels) -> &[Contribution]| {
            let mut shares = pick(&frames[0]).to_vec();
            for (i, share) in shares.iter_mut().enumerate() {
                let of = |f: &ScanLevels| pick(f).get(i).map_or(0.0, |c| c.standard_uncertainty);
                share.standard_uncertainty = frames.iter().fold(0.0, |m, f| of(f).max(m));
            }
            shares
        };
        let own_prediction: Segments = core::array::from_fn(|k| over(&|f| f.random_v[k]));
        // A few lines a segment predict their scatter badly: take neighbours together.
        let predicted: Segments = core::array::from_fn(|k| {
            let near = &own_prediction[k.saturating_sub(3)..(k + 4).min(SEGMENTS)];
            (near.iter().map(|u| u * u).sum::<f64>() / near.len() as f64).sqrt()
        });
        let factor = median_efficiency_factor(n) / (n as f64).sqrt();
        let means = moments_of_finite(frames.iter().map(ScanLevels::mean_v));
        let scatter = shape_scatter(frames, means.mean);
        // Observed over predicted variance, pooled over the segments.
        let pooled = AT_VERTICAL_SYNC..SEGMENTS;
        let sum = |of: &Segments| of[pooled.clone()].iter().map(|u| u * u).sum::<f64>();
        let (observed, expected) = (sum(&scatter), sum(&predicted));
        let inflation = if n > 1 && expected > 0.0 { observed / expected } else { 1.0 };
        let own = (n - 1) as f64;
        let ratios: Vec<f64> = pooled.map(|k| scatter[k].powi(2) / (inflation * predicted[k].powi(2))).collect();
        let prior = if n > 1 { weight_of_prediction(&ratios, own) } else { 1.0 };
        let standard_error_v = core::array::from_fn(|k| {
            let variance =
                |prior: f64| (own * scatter[k].powi(2) + prior * inflation * predicted[k].powi(2)) / (own + prior);
            // So few degrees of freedom know a variance badly: a weight of its inverse is too great by `dof / (dof - 2)` on average.
            let variance = if n > 1 && k < AT_VERTICAL_SYNC {
                variance(ALONE) * (own + ALONE) / (own + ALONE - 2.0)
            } else {
                variance(prior)
            };
            factor * variance.sqrt()
        });
        let (mean_error_v, mean_dof) = if n > 1 {
            (factor * means.standard_deviation, Some(own))
        } else {
            (predicted.iter().map(|u| u * u).sum::<f64>().sqrt() / SEGMENTS as f64, None)
        };
        Ok(Self {
            median_v,
            standard_error_v,
            // One frame: seven segments of some lines each stand behind a prediction.
            shape_dof: Some(if n > 1 { own * SEGMENTS as f64 * 0.9 } else { 25.0 }),
            segment_dof: if n > 1 { own + prior } else { 25.0 },
            mean_error_v,
            mean_dof,
            shared,
            common: greatest(|f| &f.common),
            of_head: greatest(|f| &f.of_head),
            shape_u: frames.iter().fold(0.0, |m, f| f.shape_u.max(m)),
            colour: frames[0].colour,
            noise_v: over(&|f| f.noise_v),
            frames: n,
        })
    }

    /// Mean level of the curve, in volts.
    #[must_use]
    pub fn mean_v(&self) -> f64 {
        mean(&self.median_v)
    }

    /// The segment with the greatest level.
    #[must_use]
    pub fn greatest(&self) -> usize {
        (0..SEGMENTS).fold(0, |best, k| if self.median_v[k] > self.median_v[best] { k } else { best })
    }

    /// What segment `k` shares with the others, cause by cause, in volts.
    #[must_use]
    pub fn shared_at(&self, k: usize) -> Vec<Contribution> {
        self.moved_by(&|m: &Segments| m[k], &self.median_v)
    }

    /// What each segment shares with the others, all causes together (root of the sum of squares), in volts.
    #[must_use]
    pub fn shared_v(&self) -> Segments {
        core::array::from_fn(|k| self.shared.iter().map(|cause| cause.by_v[k].powi(2)).sum::<f64>().sqrt())
    }

    /// By how much each shared cause moves a quantity of a curve about which it is evaluated: half the way from
    /// one side of the cause to the other, or the farther side where a least or greatest changes places.
    fn moved_by(&self, of: &dyn Fn(&Segments) -> f64, about: &Segments) -> Vec<Contribution> {
        let value = of(about);
        let moved = |cause: &Shared, sign: f64| {
            let at: Segments = core::array::from_fn(|k| (about[k] + sign * cause.by_v[k]).max(0.0));
            of(&at) - value
        };
        self.shared
            .iter()
            .map(|cause| {
                let (up, down) = (moved(cause, 1.0), moved(cause, -1.0));
                Contribution::type_b(cause.name, (0.5 * (up * up + down * down)).sqrt()).spread(cause.spread)
            })
            .collect()
    }
}

/// The first segment's lines begin with the short pulses about vertical sync, and no picture turns the phase against a neighbour's
/// carrier from line to line: they err together, and scatter over frames up to 1.7 times as much as they predict.
const AT_VERTICAL_SYNC: usize = 1;
/// Weight of the prediction there, in degrees of freedom.
const ALONE: f64 = 3.0;

/// Degrees of freedom that a prediction of variances is worth, from observed over predicted ones, each known by `own`
/// degrees. Chi-square alone scatters them by a variance of `2 / own`; true ratios that scatter besides with a variance
/// `v` make the prediction worth `2 / v` degrees (the moments of the scaled inverse chi-square; moderated variances, from
/// memory). Twenty segments tell that roughly: it is taken between 10 and 100.
fn weight_of_prediction(ratios: &[f64], own: f64) -> f64 {
    let m = moments_of_finite(ratios.iter().copied());
    let beyond = m.standard_deviation.powi(2) - 2.0 / own * m.mean.powi(2);
    if beyond.is_finite() { (2.0 / beyond.max(1e-3)).clamp(10.0, 100.0) } else { 10.0 }
}

/// Standard deviation over frames, segment by segment, of levels scaled to one mean.
fn shape_scatter(frames: &[ScanLevels], grand_mean: f64) -> Segments {
    // One degree of freedom in SEGMENTS goes into each frame's own mean.
    let lost = (SEGMENTS as f64 / (SEGMENTS as f64 - 1.0)).sqrt();
    core::array::from_fn(|k| {
        lost * moments_of_finite(frames.iter().map(|f| {
            let own = f.mean_v();
            if own > 0.0 { f.level_v[k] * grand_mean / own } else { f.level_v[k] }
        }))
        .standard_deviation
    })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::extremes::Noise;

    /// Levels of a scan that predict a scatter of a thousandth of a volt.
    pub(crate) fn scan(level_v: Segments) -> ScanLevels {
        ScanLevels {
            level_v,
            random_v: [0.001; SEGMENTS],
            shared: Vec::new(),
            common: Vec::new(),
            of_head: Vec::new(),
            shape_u: 0.0,
            colour: ColourPart::beside_power(0.0),
            noise_v: 0.0,
            frame_u: 0.0,
        }
    }

    /// Lines about vertical sync that err together scatter three times as much as they predict: that is said of their segment but for the
    /// little that the prediction weighs, and
    /// of no other.
    #[test]
    fn the_first_segments_scatter_is_its_own() {
        let mut noise = Noise::new(3);
        let (curves, frames) = (200, 8);
        let mut squares = [0.0; SEGMENTS];
        for _ in 0..curves {
            let mut one = || core::array::from_fn(|k| 1.0 + if k == 0 { 3e-3 } else { 1e-3 } * noise.normal());
            let scans: Vec<ScanLevels> = (0..frames).map(|_| scan(one())).collect();
            let curve = HeadCurve::over_frames(&scans).unwrap();
            squares.iter_mut().zip(curve.standard_error_v).for_each(|(sum, u)| *sum += u * u / f64::from(curves));
        }
        let factor = median_efficiency_factor(frames) / (frames as f64).sqrt();
        let stated = squares.map(|square| square.sqrt() / factor);
        assert!((2.6e-3..3.3e-3).contains(&stated[0]), "{stated:?}");
        assert!(stated[1..].iter().all(|u| (0.9e-3..1.1e-3).contains(u)), "{stated:?}");
    }
}
