//! Least over greatest of noisy values, its bias corrected.
//!
//! The least of many noisy values lies below the least of the true ones, the greatest above: by 1.9
//! standard errors for twenty equal values. So the curve that the values stand for is inferred first
//! (empirical Bayes), and least and greatest are taken of that:
//!
//! 1. What changes smoothly along the scan is one of a set of simple shapes, taken as its mean over each segment: a
//!    polynomial of degree 0 to 5, or a level part with a linear or square bend or both at the entrance, the exit, or each (a
//!    head wider than its track keeps its level until the spare width is used up; it then loses it as the path bends on,
//!    linear and square together at one end), or a bend that levels off before the end (a head that lay beside its track comes
//!    wholly onto it as the path bends). Each shape has the weight `exp(-score / 2)`, its
//!    score being the Bayesian information criterion with known errors.
//! 2. What deviates from the best shape by more than 3.5 standard errors (a dip, one segment after the other)
//!    is kept as it is. Other deviations either are noise alone, or have a common variance `t^2` by James
//!    and Stein's rule (one more parameter): a deviation is then known as `keep r` with variance `keep u^2`,
//!    `keep = t^2 / (t^2 + u^2)`.
//! 3. Curves are drawn from what is known, many times from a fixed seed; the median of their least over
//!    greatest is the value, the quantiles are the interval, which need not be even.
//!
//! Its coverage over flat, tilted, bowed, sagging and dipped curves is shown by trial in the tests.

mod shapes;

use self::shapes::{Bends, DOUBLE, LEVELLED, SINGLE, Shape, TERMS, bent, shapes};
use crate::error::{MeasureError, finite};
use crate::estimate::coverage_factor;
use tapewright_formats::definitions::SEGMENTS;

type Segments = [f64; SEGMENTS];

/// How often the noise is added again.
const TRIALS: usize = 400;
/// What choosing among shapes hides widens what is drawn (by trial, see the tests): of level and straight curves, and of others.
const STRAIGHT_HIDES: f64 = 1.05;
const BENT_HIDES: f64 = 1.25;

/// Result: the ratio, its interval, its standard uncertainty, and the curve that was taken for true.
pub(crate) struct Ends {
    pub(crate) value: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) u: f64,
    pub(crate) shrunk: Segments,
}

/// A small generator of normal numbers, from one seed (xorshift and the sum of twelve would do; this
/// takes the polar method for true tails).
pub(crate) struct Noise {
    state: u64,
    spare: Option<f64>,
}

impl Noise {
    pub(crate) const fn new(seed: u64) -> Self {
        Self { state: seed ^ 0x9E37_79B9_7F4A_7C15, spare: None }
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        // splitmix64
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = x * x + y * y;
            if s > 0.0 && s < 1.0 {
                let r = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(y * r);
                return x * r;
            }
        }
    }
}

/// Finer places of the best bends, of those that level off and of those that do not, step by step, until they are finer than any
/// error tells.
fn refine(models: &mut Vec<Model>, values: &Segments, weight: &Segments, dof: f64) {
    for (levelled, step, around) in [false, true].into_iter().flat_map(|l| [(l, 0.4, 3), (l, 0.1, 4), (l, 0.02, 5)]) {
        let such = models.iter().filter(|m| m.bends.is_some_and(|bends| levelled == (bends.level > 0.0)));
        let best = such.min_by(|a, b| a.score(dof).total_cmp(&b.score(dof)));
        let Some(Bends { entrance, exit, powers, level }) = best.and_then(|m| m.bends) else { return };
        let near = |knot: Option<f64>| -> Vec<Option<f64>> {
            knot.map_or_else(|| vec![None], |k| (-around..=around).map(|i| Some(k + step * f64::from(i))).collect())
        };
        // A finer place has the smaller share of the weight.
        let kin = if level > 0.0 {
            LEVELLED / (step * step)
        } else if entrance.is_some() && exit.is_some() {
            DOUBLE * (2.0 / step).powi(2)
        } else {
            SINGLE * 0.5 / step
        };
        let levels = near((level > 0.0).then_some(level));
        for a in near(entrance) {
            for b in near(exit) {
                for level in levels.iter().map(|level| level.unwrap_or(0.0).max(0.0)) {
                    if let Some(shape) = bent(Bends { entrance: a, exit: b, powers, level }, kin) {
                        models.push(Model::fit(&shape, values, weight));
                    }
                }
            }
        }
    }
}

/// A shape fitted: orthonormal columns under the weights, and what is known with them.
struct Model {
    columns: [Segments; TERMS],
    terms: usize,
    smooth: Segments,
    /// Sum of squared deviations in standard errors, and how many values.
    chi: f64,
    others: f64,
    kin: f64,
    bends: Option<Bends>,
}

impl Model {
    fn fit(shape: &Shape, values: &Segments, weight: &Segments) -> Self {
        let dot = |a: &Segments, b: &Segments| (0..SEGMENTS).map(|k| weight[k] * a[k] * b[k]).sum::<f64>();
        let mut columns = shape.columns;
        let mut smooth = [0.0; SEGMENTS];
        for p in 0..shape.terms {
            for q in 0..p {
                let c = dot(&columns[p], &columns[q]);
                let done = columns[q];
                for (v, d) in columns[p].iter_mut().zip(done) {
                    *v -= c * d;
                }
            }
            let norm = dot(&columns[p], &columns[p]).sqrt();
            // A column that the others explain (or that only dips had) says nothing.
            let scale = if norm > 1e-6 { 1.0 / norm } else { 0.0 };
            for v in &mut columns[p] {
                *v *= scale;
            }
            let c = dot(values, &columns[p]);
            for k in 0..SEGMENTS {
                smooth[k] += c * columns[p][k];
            }
        }
        let chi = (0..SEGMENTS).map(|k| weight[k] * (values[k] - smooth[k]).powi(2)).sum();
        let others = weight.iter().filter(|w| **w > 0.0).count() as f64;
        Self { columns, terms: shape.terms, smooth, chi, others, kin: shape.kin, bends: shape.bends }
    }

    /// What a sum of squared deviations counts, errors being known by so many degrees of freedom
    /// (the likelihood of Student's t).
    fn counts(&self, chi: f64, dof: f64) -> f64 {
        (dof + self.others) * (chi / dof).ln_1p()
    }

    /// Score where deviations are noise alone.
    fn score(&self, dof: f64) -> f64 {
        self.counts(self.chi, dof) + self.terms as f64 * f64::ln(SEGMENTS as f64) + 2.0 * self.kin.ln()
    }

    /// Share of a deviation that is kept, and the score, where deviations have a variance of their own.
    fn deviating(&self, dof: f64) -> (f64, f64) {
        let free = f64::max(self.others - self.terms as f64, 1.0);
        let inflation = f64::max(self.chi / free, 1.0);
        let keep = if self.chi > 0.0 { (1.0 - (free - 2.0) / self.chi).clamp(0.0, 1.0) } else { 0.0 };
        let terms = (self.terms + 1) as f64 * f64::ln(SEGMENTS as f64);
        (keep, self.others * inflation.ln() + self.counts(self.chi / inflation, dof) + terms + 2.0 * self.kin.ln())
    }
}

/// Every shape fitted without dips, and which segments are dips.
fn fit_all(values: &Segments, errors: &Segments, dof: f64) -> (Vec<Model>, [bool; SEGMENTS]) {
    let shapes = shapes();
    let mut weight = errors.map(|u| 1.0 / (u * u));
    let mut dips = [false; SEGMENTS];
    loop {
        let mut models: Vec<Model> = shapes.iter().map(|s| Model::fit(s, values, &weight)).collect();
        refine(&mut models, values, &weight, dof);
        let best = models.iter().fold(&models[0], |b, m| if m.score(dof) < b.score(dof) { m } else { b });
        let away = |k: usize| if dips[k] { 0.0 } else { (values[k] - best.smooth[k]).abs() / errors[k] };
        let worst = (0..SEGMENTS).fold(0, |w, k| if away(k) > away(w) { k } else { w });
        // More than a third are no dips but a shape: leave it to the deviations.
        if away(worst) <= 3.5 || dips.iter().filter(|d| **d).count() >= SEGMENTS / 3 {
            return (models, dips);
        }
        dips[worst] = true;
        weight[worst] = 0.0;
    }
}

fn ratio(curve: &Segments) -> f64 {
    let (low, high) = curve.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    if high > 0.0 { low / high } else { 0.0 }
}

/// Least over greatest of `values` whose standard errors are `errors`, independent of each other.
pub(crate) fn least_and_greatest(values: &Segments, errors: &Segments, dof: Option<f64>) -> Result<Ends, MeasureError> {
    finite("levels of a curve", values)?;
    finite("standard errors of a curve", errors)?;
    // An error of 0 would weigh without bound: floor at a millionth of the greatest level.
    let floor = values.iter().fold(0.0_f64, |m, v| m.max(v.abs())) * 1e-6 + f64::MIN_POSITIVE;
    let errors = errors.map(|u| u.abs().max(floor));
    let known_by = dof.unwrap_or(1e6).max(1.0);
    let (models, dips) = fit_all(values, &errors, known_by);
    // Each shape twice: deviations noise alone, deviations of their own.
    let scored: Vec<(&Model, f64, f64)> = models
        .iter()
        .flat_map(|m| {
            let (keep, score) = m.deviating(known_by);
            [(m, 0.0, m.score(known_by)), (m, keep, score)]
        })
        .collect();
    let best = scored.iter().fold(f64::MAX, |b, c| b.min(c.2));
    let total: f64 = scored.iter().map(|c| (-0.5 * (c.2 - best)).exp()).sum();
    let mut noise = Noise::new(0x7461_7065);
    let mut ratios = Vec::with_capacity(2 * TRIALS);
    let mut mean_curve = [0.0; SEGMENTS];
    let by_dof = coverage_factor(dof) / coverage_factor(None);
    // Shares of less than a trial are handed on, so that small weights add up.
    let mut due = 0.5;
    for (m, keep, score) in scored {
        let share = (-0.5 * (score - best)).exp() / total;
        let known: Segments =
            core::array::from_fn(|k| if dips[k] { values[k] } else { m.smooth[k] + keep * (values[k] - m.smooth[k]) });
        for k in 0..SEGMENTS {
            mean_curve[k] += share * known[k];
        }
        // Variances of what remains unknown: `keep` of a value's own, and `1 - keep` of the smooth part's (a normal prior of
        // the deviations, none of the shape).
        let (spread, of_smooth) = (keep.sqrt(), (1.0 - keep).sqrt());
        let wider = by_dof * if m.bends.is_some() || m.terms > 2 { BENT_HIDES } else { STRAIGHT_HIDES };
        due += share * TRIALS as f64;
        while due >= 1.0 {
            due -= 1.0;
            let mut drawn = known;
            for column in &m.columns[..m.terms] {
                let moved = noise.normal() * wider * of_smooth;
                for k in 0..SEGMENTS {
                    drawn[k] += if dips[k] { 0.0 } else { moved * column[k] };
                }
            }
            if keep > 0.0 || dips.contains(&true) {
                for k in 0..SEGMENTS {
                    drawn[k] += errors[k] * wider * noise.normal() * if dips[k] { 1.0 } else { spread };
                }
            }
            ratios.push(ratio(&drawn));
        }
    }
    // Numbers beyond any volt overflow the sums: nothing was drawn then.
    if ratios.len() < 2 || ratios.iter().any(|r| !r.is_finite()) {
        return Err(MeasureError::NotFinite { what: "fit of a level curve", place: 0 });
    }
    ratios.sort_unstable_by(f64::total_cmp);
    let at = |p: f64| ratios[(p * (ratios.len() - 1) as f64).round() as usize];
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    let u = (ratios.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (ratios.len() - 1) as f64).sqrt();
    Ok(Ends { value: at(0.5), low: at(0.025), high: at(0.975), u, shrunk: mean_curve })
}

#[cfg(test)]
mod tests {
    use super::*;

    type Course = fn(f64) -> f64;

    /// Coverage and bias over many trials, for curves of each kind and errors from small to large.
    #[test]
    fn the_interval_covers_and_the_bias_is_gone() {
        // A path that bends as a square from 0.65 on: what is left of it beyond the spare width is neither linear nor square.
        let bent_path: Course = |x| 1.0 - (0.69 * ((x - 0.65) / 0.35).max(0.0).powi(2) - 0.1).max(0.0);
        let onto_track: Course = |x| (0.92 + 0.35 * ((x - 0.6) / 0.4).max(0.0).powi(2)).min(1.0);
        // The same at both ends, as where two machines' guides stand against each other.
        let bent_twice: Course = |x| {
            let entrance = 0.53 * ((0.35 - x) / 0.35).max(0.0).powi(2) - 0.18;
            1.0 - (0.4 * ((x - 0.7) / 0.3).max(0.0).powi(2) - 0.2).max(entrance).max(0.0)
        };
        // A narrow head on a narrow track bends away within one segment by many times its error.
        let off_track: Course = |x| ((0.55 - 0.47 * ((x - 0.6) / 0.4).max(0.0).powi(2)) / 0.5).clamp(0.0, 1.0);
        let shapes: [(&str, Course); 11] = [
            ("flat", |_| 1.0),
            ("tilt", |x| 1.0 - 0.3 * x),
            ("steep sag", |x| if x > 0.69 { 1.0 - 1.2 * (x - 0.69) } else { 1.0 }),
            ("sag at the exit", |x| if x > 0.7 { 1.0 - 1.2 * (x - 0.7) } else { 1.0 }),
            ("bow", |x| 1.0 - 0.8 * (x - 0.5) * (x - 0.5)),
            ("dip", |x| if (0.55..0.62).contains(&x) { 0.7 } else { 1.0 }),
            ("knee at the entrance", |x| (0.7 + 2.0 * x).min(1.0)),
            ("bent path behind a spare width", bent_path),
            ("bent at both ends", bent_twice),
            ("off a narrow track at the exit", off_track),
            ("onto its track at the exit", onto_track),
        ];
        for (name, shape) in shapes {
            for error in [0.0015, 0.004, 0.012, 0.03] {
                // A segment's level is the mean over its width.
                let within =
                    |k: usize| (0..20).map(move |i| shape((k as f64 + (f64::from(i) + 0.5) / 20.0) / SEGMENTS as f64));
                let truth: Segments = core::array::from_fn(|k| within(k).sum::<f64>() / 20.0);
                let want = ratio(&truth);
                // Three deviations of so many trials below 0.95.
                let least = 0.917;
                let mut noise = Noise::new(11);
                let trials = 400;
                let (mut covered, mut bias, mut u) = (0, 0.0, 0.0);
                for _ in 0..trials {
                    let seen: Segments = core::array::from_fn(|k| truth[k] + error * noise.normal());
                    let e = least_and_greatest(&seen, &[error; SEGMENTS], None).unwrap();
                    let (low, high, value) = (e.low.clamp(0.0, 1.0), e.high.clamp(0.0, 1.0), e.value.clamp(0.0, 1.0));
                    covered += i32::from(low <= want && want <= high.max(value));
                    bias += (value - want) / f64::from(trials);
                    u += e.u / f64::from(trials);
                }
                let share = f64::from(covered) / f64::from(trials);
                let says = std::format!("{name}, error {error}: covered {share:.3}, bias {bias:.4}, mean u {u:.4}");
                assert!((least..=0.985).contains(&share), "{says}");
                assert!(bias.abs() < 0.85 * error && u < 1.4 * error, "{says}");
            }
        }
    }

    /// Guides of two machines that stand against each other by anything up to four tenths of a pitch, either way, at both ends; heads
    /// with anything up to a tenth of a pitch to spare.
    #[test]
    fn bends_of_any_size_at_both_ends_are_covered() {
        let fade = |share: f64| (1.0 - share / 0.4).max(0.0).powi(2);
        for error in [0.0015, 0.003, 0.006, 0.012] {
            let mut noise = Noise::new(5);
            let (trials, mut covered) = (600, 0);
            for _ in 0..trials {
                let (entrance, exit) = (0.8 * noise.uniform() - 0.4, 0.8 * noise.uniform() - 0.4);
                let spare = 0.1 * noise.uniform();
                let level = |x: f64| 1.0 - ((entrance * fade(x) + exit * fade(1.0 - x)).abs() - spare).max(0.0);
                let truth: Segments = core::array::from_fn(|k| {
                    let place = |i: i32| (k as f64 + (f64::from(i) + 0.5) / 20.0) / SEGMENTS as f64;
                    (0..20).map(|i| level(place(i))).sum::<f64>() / 20.0
                });
                let want = ratio(&truth);
                let seen: Segments = core::array::from_fn(|k| truth[k] + error * noise.normal());
                let e = least_and_greatest(&seen, &[error; SEGMENTS], None).unwrap();
                covered += i32::from(e.low <= want && want <= e.high.max(e.value).clamp(0.0, 1.0));
            }
            let share = f64::from(covered) / f64::from(trials);
            assert!((0.925..=0.985).contains(&share), "error {error}: covered {share:.3}");
        }
    }
}
