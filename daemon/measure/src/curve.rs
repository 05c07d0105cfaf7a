//! From the levels of scans to a head's curve, and from the curve to the quantities that are judged.
//!
//! The quantities are those of [`tapewright_formats::definitions`]. A scope gain that cancels in a ratio
//! is not counted there; a shift of one cause that has one sign in all segments (noise lift, noise power, what
//! the neighbouring track adds) is carried through by evaluating the quantity with and without it, cause by cause.

use crate::colour::ColourPart;
use crate::error::{MeasureError, at_least, volts};
use crate::estimate::{Contribution, Estimate, Spread};
use crate::extremes::{Ends, least_and_greatest};
use crate::statistics::{deviation_interval, median_efficiency_factor, median_in_place, moments_of_finite};
use tapewright_formats::definitions::{ENTRANCE, EXIT, MIDDLE, SEGMENTS};

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
    /// `weight_of_prediction`), and is averaged over seven neighbours. One frame relies on it alone.
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
        let (mut observed, mut expected) = (0.0, 0.0);
        for k in 0..SEGMENTS {
            observed += scatter[k] * scatter[k];
            expected += predicted[k] * predicted[k];
        }
        let inflation = if n > 1 && expected > 0.0 { observed / expected } else { 1.0 };
        let own = (n - 1) as f64;
        let ratios = core::array::from_fn(|k| scatter[k].powi(2) / (inflation * predicted[k].powi(2)));
        let prior = if n > 1 { weight_of_prediction(&ratios, own) } else { 1.0 };
        let standard_error_v = core::array::from_fn(|k| {
            let variance = own * scatter[k].powi(2) + prior * inflation * predicted[k].powi(2);
            factor * (variance / (own + prior)).sqrt()
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

/// Degrees of freedom that a prediction of variances is worth, from observed over predicted ones, each known by `own`
/// degrees. Chi-square alone scatters them by a variance of `2 / own`; true ratios that scatter besides with a variance
/// `v` make the prediction worth `2 / v` degrees (the moments of the scaled inverse chi-square; moderated variances, from
/// memory). Twenty segments tell that roughly: it is taken between 10 and 100.
fn weight_of_prediction(ratios: &Segments, own: f64) -> f64 {
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
