//! Spikes straight off a tape head: found in samples, in means over their width where they hardly stand out of the noise, and in
//! bins' extremes; timed by their peaks.

use crate::error::{MeasureError, at_least};
use crate::estimate::{Contribution, Estimate};
use crate::pulses::{CLEAR_OF_NOISE, NO_STRAIGHT_LINE, Pulses, gain_of};
use crate::statistics::{median, median_efficiency_factor, median_in_place, moments_of_finite};
use crate::trace::{Conversion, Trace};

/// Spikes so many deviations high are told in each sample.
const SURE: f64 = 12.0;

/// Spikes less high than so many deviations are not told from the noise one by one: some would be missed, and some be noise.
const TOLD: f64 = 9.0;

/// Time over which samples are averaged for spikes that are lower: two thirds of a spike's width at the fastest tape (common
/// practice, no source).
const SMOOTHED_S: f64 = 2.5e-4;

/// Samples within that time that are worth having: of closer ones so many are averaged that these are left.
const ENOUGH: usize = 15;

/// A spike's top over such a mean about it, at the most.
const MEAN_BELOW_TOP: f64 = 1.2;

/// The level, in volts peak to peak, that spikes may have in a record that shows none: from nothing to what the noise hides.
///
/// # Errors
/// [`MeasureError::TooShort`].
pub fn unseen_spikes(trace: &Trace) -> Result<Estimate, MeasureError> {
    let thin = thinned(trace.dt_s());
    let volts = blocks(trace.volts(), thin);
    let smooth = smoothed(thin as f64 * trace.dt_s());
    demand_means(trace.volts().len(), volts.len(), smooth)?;
    let means = means(&volts, smooth);
    let mut sorted: Vec<f64> = means.iter().map(|v| f64::from(*v)).collect();
    let baseline = median_in_place(&mut sorted);
    let noise = noise_about(&sorted, baseline, trace.conversion().step_v / ((smooth * thin) as f64).sqrt());
    // One of each polarity, and a mean over its width lies below its top.
    let most_v = 2.0 * TOLD * noise * if smooth > 1 { MEAN_BELOW_TOP } else { 1.0 };
    let u = 0.5 * most_v;
    Estimate::with_interval(0.0, 0.0, most_v, u, None, vec![Contribution::type_b("what noise may hide", u)])
}

/// One spike: its place and that place's standard uncertainty in samples, and its height in volts.
struct Peak {
    place: f64,
    height: f64,
    place_u: f64,
}

/// How the values came about in which spikes are sought.
#[derive(Clone, Copy)]
struct Values {
    in_bins: bool,
    /// Each is the mean over so many samples.
    means: usize,
    /// Values in most of a spike's width.
    wide: usize,
}

/// Peaks above a threshold.
fn peaks(volts: &[f32], sign: f64, (baseline, threshold): (f64, f64), values: Values, noise: f64) -> Vec<Peak> {
    let height = |i: usize| sign * (f64::from(volts[i]) - baseline);
    let mut out = Vec::new();
    let mut i = 0;
    while i < volts.len() {
        if height(i) <= threshold {
            i += 1;
            continue;
        }
        let start = i;
        // On its way up and down noise takes a spike above the threshold and below it more than once: a run ends where it stays
        // below half of it for as long as a spike lasts.
        let mut end = start + 1;
        while i < volts.len() && i < end + values.wide {
            if height(i) > 0.5 * threshold {
                end = i + 1;
            }
            i += 1;
        }
        let top = (start..end).fold(start, |best, j| if height(j) > height(best) { j } else { best });
        // Of a spike that the record's end cuts the top is not seen.
        if top == 0 || top + 1 == volts.len() {
            continue;
        }
        let in_bin = Peak { place: top as f64, height: height(top), place_u: 1.0 / 12.0_f64.sqrt() };
        out.push(if values.in_bins {
            in_bin
        } else {
            parabola(&height, top, volts.len(), values.means, noise).unwrap_or(in_bin)
        });
    }
    out
}

/// A peak by a parabola; none where it has no top. The place is uncertain by the noise over the
/// curvature, and by some hundredths of a sample since no spike is a parabola.
///
/// Means over so many samples lie below the top by what the parabola falls on their way: that is put back.
fn parabola(height: &dyn Fn(usize) -> f64, top: usize, len: usize, means: usize, noise: f64) -> Option<Peak> {
    let limit = 0.7 * height(top);
    let (mut a, mut b) = (top, top);
    while a > 0 && top - a < 500 && height(a - 1) > limit {
        a -= 1;
    }
    while b + 1 < len && b - top < 500 && height(b + 1) > limit {
        b += 1;
    }
    if b - a < 4 {
        if top == 0 || top + 1 >= len {
            return None;
        }
        (a, b) = (top - 1, top + 1);
    }
    // Least squares on x = i - centre: sums of odd powers vanish.
    let centre = 0.5 * (a + b) as f64;
    let n = (b - a + 1) as f64;
    let (mut s2, mut s4, mut y0, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for i in a..=b {
        let (x, y) = (i as f64 - centre, height(i));
        s2 += x * x;
        s4 += x.powi(4);
        y0 += y;
        y1 += x * y;
        y2 += x * x * y;
    }
    let det = n * s4 - s2 * s2;
    let (c2, c1) = ((n * y2 - s2 * y0) / det, y1 / s2);
    let c0 = (y0 - c2 * s2) / n;
    if c2.is_nan() || c2 >= 0.0 {
        return None;
    }
    let x = (-c1 / (2.0 * c2)).clamp(a as f64 - centre, b as f64 - centre);
    // However flat the top is, it lies among these samples.
    let anywhere = (b - a) as f64 / 12.0_f64.sqrt();
    let place_u = (noise / s2.sqrt() / (2.0 * c2.abs())).min(anywhere).hypot(NO_STRAIGHT_LINE);
    let lost = c2 * ((means * means) as f64 - 1.0) / 12.0;
    Some(Peak { place: centre + x, height: c0 + c1 * x + c2 * x * x - lost, place_u })
}

/// Samples that are averaged for spikes in noise: an odd number.
fn smoothed(dt_s: f64) -> usize {
    (SMOOTHED_S / dt_s) as usize | 1
}

/// Samples that one mean of so close a record stands for.
fn thinned(dt_s: f64) -> usize {
    (smoothed(dt_s) / ENOUGH).max(1)
}

/// Demands that a record of so many samples, thinned to so many, holds some means over `smooth` of those: one that lasts less than
/// a spike does shows neither a spike nor what lies beside it.
fn demand_means(samples: usize, thinned: usize, smooth: usize) -> Result<(), MeasureError> {
    let fewest = 20;
    at_least("samples of a spike signal", samples, fewest)?;
    at_least("means over a spike's width", thinned.saturating_sub(smooth - 1), fewest)
}

/// Means of blocks of so many samples, one after the other.
fn blocks(volts: &[f32], count: usize) -> std::borrow::Cow<'_, [f32]> {
    if count == 1 {
        return volts.into();
    }
    let mean = |block: &[f32]| (block.iter().map(|v| f64::from(*v)).sum::<f64>() / count as f64) as f32;
    volts.chunks_exact(count).map(mean).collect::<Vec<f32>>().into()
}

/// Means over so many samples, each about the sample in the middle of them.
fn means(volts: &[f32], count: usize) -> Vec<f32> {
    volts.windows(count).map(|w| (w.iter().map(|v| f64::from(*v)).sum::<f64>() / count as f64) as f32).collect()
}

/// Noise beside the spikes: the spread of the middle two thirds, one deviation to either side, taken wider until it holds still.
/// Where it is about a step of the conversion that spread is whole steps, now none and now one.
fn noise_about(sorted: &[f64], baseline: f64, step_v: f64) -> f64 {
    let at = |p: f64| sorted[((sorted.len() - 1) as f64 * p) as usize];
    let mut noise = (0.5 * (at(0.841) - at(0.159))).max(0.29 * step_v);
    for _ in 0..4 {
        let near = moments_of_finite(sorted.iter().copied().filter(|v| (v - baseline).abs() <= 4.0 * noise));
        noise = noise.max(near.standard_deviation);
    }
    noise
}

/// The same of bins' extremes, on the side away from the spikes: of few bins a period each third may hold one. Extremes of many values
/// reach further out than in: by so much more as six of these are that none of a thousand bins reaches (Gumbel's distribution,
/// any textbook of extremes).
fn noise_of_bins(sorted: &[f64], sign: f64, step_v: f64) -> f64 {
    let at = |p: f64| sorted[((sorted.len() - 1) as f64 * p) as usize];
    let inner = if sign > 0.0 { at(0.5) - at(0.159) } else { at(0.841) - at(0.5) };
    (1.8 * inner).max(0.29 * step_v)
}

/// One polarity's spikes.
struct Side {
    peaks: Vec<Peak>,
    /// Height of those that are surely pulses; none: there is no peak.
    typical: Option<f64>,
    noise: f64,
}

impl Side {
    /// Of values to which conversion adds `step_v`.
    fn of(volts: &[f32], sign: f64, step_v: f64, values: Values) -> Self {
        let mut sorted: Vec<f64> = volts.iter().map(|v| f64::from(*v)).collect();
        let baseline = median_in_place(&mut sorted);
        let noise =
            if values.in_bins { noise_of_bins(&sorted, sign, step_v) } else { noise_about(&sorted, baseline, step_v) };
        // A mean over samples is as quiet as its root says, but the places of a parabola's samples are known as the samples are.
        let of_one = noise * (values.means as f64).sqrt();
        let mut peaks = peaks(volts, sign, (baseline, CLEAR_OF_NOISE * noise), values, of_one);
        for peak in &mut peaks {
            peak.place += 0.5 * (values.means - 1) as f64;
        }
        let mut heights: Vec<f64> = peaks.iter().map(|p| p.height).collect();
        heights.sort_unstable_by(f64::total_cmp);
        // Odd disturbances beside the pulses: the greatest third of the heights are surely pulses; of two the greater.
        let place = (heights.len().saturating_sub(1) * 5 / 6).max(heights.len() / 2);
        Self { typical: heights.get(place).copied(), peaks, noise }
    }

    /// The pulses among them, and the noise.
    fn found(self) -> Result<(Vec<Peak>, f64), MeasureError> {
        let Self { peaks, typical, noise } = self;
        let Some(typical) = typical else {
            return Err(MeasureError::InNoise {
                what: "spikes",
                detail: format!("none above {CLEAR_OF_NOISE} times the noise of {noise:.3e} V"),
            });
        };
        if typical < TOLD * noise {
            return Err(MeasureError::InNoise {
                what: "spikes",
                detail: format!("of {typical:.3e} V over noise of {noise:.3e} V, at least {TOLD} times are needed"),
            });
        }
        Ok((peaks.into_iter().filter(|p| p.height > 0.4 * typical).collect(), noise))
    }
}

pub(crate) fn spikes(
    upper: &[f32],
    lower: &[f32],
    conversion: &Conversion,
    dt_s: f64,
    in_bins: bool,
    time: &dyn Fn(f64) -> f64,
    observed: (f64, f64),
) -> Result<Pulses, MeasureError> {
    let thin = if in_bins { 1 } else { thinned(dt_s) };
    let time = |place: f64| time(thin as f64 * place + 0.5 * (thin - 1) as f64);
    let (dt_s, step_v) = (thin as f64 * dt_s, conversion.step_v / (thin as f64).sqrt());
    let smooth = if in_bins { 1 } else { smoothed(dt_s) };
    demand_means(upper.len(), upper.len() / thin, smooth)?;
    let side = |volts: &[f32], sign: f64| -> Result<(Vec<Peak>, f64), MeasureError> {
        let volts = &*blocks(volts, thin);
        let raw = Side::of(volts, sign, step_v, Values { in_bins, means: 1, wide: smooth });
        // Spikes hardly higher than the noise of single samples come out of it by the mean over their width.
        if smooth == 1 || raw.typical.is_some_and(|height| height > SURE * raw.noise) {
            return raw.found();
        }
        let means = means(volts, smooth);
        Side::of(&means, sign, step_v / (smooth as f64).sqrt(), Values { in_bins, means: smooth, wide: smooth }).found()
    };
    let (positive_side, noise) = side(upper, 1.0)?;
    let (negative_side, _) = side(lower, -1.0)?;
    let level_of = |found: &[Peak]| -> Result<(f64, f64), MeasureError> {
        let heights: Vec<f64> = found.iter().map(|p| p.height).collect();
        let m = moments_of_finite(heights.iter().copied());
        let u = if m.count > 1 {
            median_efficiency_factor(m.count) * m.standard_deviation / (m.count as f64).sqrt()
        } else {
            noise
        };
        Ok((median(&heights)?, u))
    };
    let ((up, up_u), (down, down_u)) = (level_of(&positive_side)?, level_of(&negative_side)?);
    let dof = |n: usize| n.saturating_sub(1).max(1) as f64;
    // In bins the greatest of many noisy samples lies above the peak by about two deviations.
    let lift = if in_bins { noise } else { 0.0 };
    let level = Estimate::combined(
        up + down,
        vec![
            Contribution::type_a("scatter of positive peaks", up_u, dof(positive_side.len())),
            Contribution::type_a("scatter of negative peaks", down_u, dof(negative_side.len())),
            Contribution::type_b("conversion", conversion.step_v / 12.0_f64.sqrt()),
            Contribution::type_b("lift by noise", lift),
            gain_of(up + down, conversion),
        ],
    )?;
    let times_s: Vec<f64> = positive_side.iter().map(|p| time(p.place)).collect();
    let squares = positive_side.iter().map(|p| p.place_u * p.place_u).sum::<f64>();
    let time_u_s = dt_s * (squares / positive_side.len().max(1) as f64).sqrt();
    // In bins a peak lies anywhere in its bin.
    let within_s = if in_bins { 0.5 * dt_s } else { 0.0 };
    Ok(Pulses { times_s, time_u_s, within_s, level, duties: Vec::new(), highs_s: Vec::new(), observed })
}
