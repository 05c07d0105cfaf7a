//! Tracking centre: level against the delay from control pulse to head switch, fitted.
//!
//! A head over its track loses level with the distance from it, evenly on both sides; one wider than the track has
//! a flat top: `L(d) = T - s max(0, |d - c| - a)`, by least squares: `c` and `a` searched, `T` and `s` linear. What the
//! fit leaves says how well `c` is known; how far the centre moves when it is taken from the two delays of one level instead
//! counts too, since no machine follows the formula exactly.

use crate::error::{MeasureError, at_least, finite, positive};
use crate::estimate::{Contribution, Estimate};

/// Level at one delay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Delay from control pulse to head switch, in seconds.
    pub delay_s: f64,
    /// Standard uncertainty of it.
    pub delay_u_s: f64,
    /// Mean level of both heads, in volts.
    pub level_v: f64,
    /// Standard uncertainty of it, without what is common to all steps.
    pub level_u_v: f64,
}

/// What the steps show.
#[derive(Debug, Clone, PartialEq)]
pub struct Tracking {
    /// Delay about which the level falls evenly, in seconds.
    pub centre: Estimate,
    /// Slope on the side of longer delays over that of shorter ones, unit 1; none: a side has too few steps.
    pub evenness: Option<Estimate>,
    /// Level at the top, in volts.
    pub top_v: f64,
    /// Half width of the flat top, in seconds.
    pub flat_s: f64,
    /// Slope of the sides, in volts a second.
    pub slope_v_s: f64,
    /// Standard deviation of the levels about the fit, in volts.
    pub scatter_v: f64,
    /// Steps that were used.
    pub steps: usize,
}

/// Levels under this share of the greatest belong to other tracks or the noise, and are left out.
const LEAST_SHARE: f64 = 0.25;
/// The level must fall by at least this share on both sides.
const LEAST_FALL: f64 = 0.08;

/// `T`, `s` and the sum of squares for a centre and a flat top.
fn linear(steps: &[Step], c: f64, a: f64) -> (f64, f64, f64) {
    let n = steps.len() as f64;
    let x = |step: &Step| ((step.delay_s - c).abs() - a).max(0.0);
    let (mx, my) = steps.iter().fold((0.0, 0.0), |(p, q), s| (p + x(s) / n, q + s.level_v / n));
    let (sxx, sxy) =
        steps.iter().fold((0.0, 0.0), |(p, q), s| (p + (x(s) - mx).powi(2), q + (x(s) - mx) * (s.level_v - my)));
    let slope = if sxx > 0.0 { (-sxy / sxx).max(0.0) } else { 0.0 };
    let top = my + slope * mx;
    let rest = steps.iter().map(|s| (s.level_v - top + slope * x(s)).powi(2)).sum();
    (top, slope, rest)
}

/// Best flat top for a centre, and its sum of squares.
fn best_flat(steps: &[Step], c: f64, widest: f64) -> (f64, f64) {
    const GRID: usize = 40;
    let rest = |a: f64| linear(steps, c, a).2;
    let (mut low, mut high) = (0.0, widest);
    let mut best = (0.0, rest(0.0));
    for _ in 0..3 {
        let step = (high - low) / GRID as f64;
        for i in 0..=GRID {
            let a = low + i as f64 * step;
            let r = rest(a);
            if r < best.1 {
                best = (a, r);
            }
        }
        (low, high) = ((best.0 - step).max(0.0), best.0 + step);
    }
    best
}

/// Middle of the two delays at which straight lines between steps pass a level.
fn middle_of_level(sorted: &[Step], level: f64) -> Option<f64> {
    let at = |a: &Step, b: &Step| {
        ((a.level_v - level) * (b.level_v - level) <= 0.0 && a.level_v != b.level_v)
            .then(|| a.delay_s + (level - a.level_v) / (b.level_v - a.level_v) * (b.delay_s - a.delay_s))
    };
    let up = sorted.windows(2).find_map(|w| at(&w[0], &w[1]))?;
    let down = sorted.windows(2).rev().find_map(|w| at(&w[0], &w[1]))?;
    (down > up).then_some(0.5 * (up + down))
}

/// Fits the tracking centre.
///
/// # Errors
/// [`MeasureError::TooShort`] below five usable steps, [`MeasureError::NotSteady`] where the level does not fall on both
/// sides, [`MeasureError::NotFinite`].
pub fn tracking_centre(steps: &[Step]) -> Result<Tracking, MeasureError> {
    finite(
        "steps of tracking",
        &steps.iter().flat_map(|s| [s.delay_s, s.delay_u_s, s.level_v, s.level_u_v]).collect::<Vec<_>>(),
    )?;
    let greatest = steps.iter().map(|s| s.level_v).fold(0.0, f64::max);
    positive("greatest level", greatest)?;
    let mut used: Vec<Step> = steps.iter().copied().filter(|s| s.level_v > LEAST_SHARE * greatest).collect();
    at_least("steps of tracking with a level", used.len(), 5)?;
    used.sort_by(|a, b| a.delay_s.total_cmp(&b.delay_s));
    let (first, last) = (used[0], used[used.len() - 1]);
    let range = positive("range of the delay", last.delay_s - first.delay_s)?;
    let fallen = |end: &Step| end.level_v < (1.0 - LEAST_FALL) * greatest;
    if !(fallen(&first) && fallen(&last)) {
        return Err(MeasureError::NotSteady {
            what: "tracking centre",
            detail: format!(
                "the level does not fall on both sides of its greatest ({:.4} V at the one end, {:.4} V at the other, {greatest:.4} V at most): turn the control farther, or with automatic tracking off",
                first.level_v, last.level_v
            ),
        });
    }
    let rest = |c: f64| best_flat(&used, c, 0.45 * range).1;
    let (mut low, mut high) = (first.delay_s, last.delay_s);
    let mut centre = (first.delay_s, f64::MAX);
    for _ in 0..4 {
        let step = (high - low) / 60.0;
        for i in 0..=60 {
            let c = low + f64::from(i) * step;
            let r = rest(c);
            if r < centre.1 {
                centre = (c, r);
            }
        }
        (low, high) = (centre.0 - step, centre.0 + step);
    }
    let (c, squares) = centre;
    let (flat_s, _) = best_flat(&used, c, 0.45 * range);
    let (top_v, slope_v_s, _) = linear(&used, c, flat_s);
    let dof = (used.len() as f64 - if flat_s > 1e-3 * range { 4.0 } else { 3.0 }).max(1.0);
    let scatter_v = (squares / dof).sqrt();
    // Only steps on the sides tell the centre: each by its level's uncertainty over the slope.
    let sides = used.iter().filter(|s| (s.delay_s - c).abs() > flat_s).count().max(1) as f64;
    let level_u = used.iter().map(|s| s.level_u_v * s.level_u_v).sum::<f64>().sqrt() / (used.len() as f64).sqrt();
    let delay_u = used.iter().map(|s| s.delay_u_s).fold(0.0, f64::max);
    let per_v = 1.0 / slope_v_s.max(f64::MIN_POSITIVE);
    let by_levels: Vec<f64> =
        [0.9, 0.8, 0.7].iter().filter_map(|share| middle_of_level(&used, share * top_v)).collect();
    let away = by_levels.iter().map(|other| (other - c).abs()).fold(0.0, f64::max);
    let shares = vec![
        Contribution::type_a("levels about the fit", scatter_v * per_v / sides.sqrt(), dof),
        Contribution::type_b("noise of the levels", level_u * per_v / sides.sqrt()),
        Contribution::type_b("delay from pulse to head switch", delay_u),
        Contribution::rectangular("shape of the sides", away),
    ];
    Ok(Tracking {
        centre: Estimate::combined(c, shares)?,
        evenness: evenness(&used, c, flat_s, scatter_v.max(level_u))?,
        top_v,
        flat_s,
        slope_v_s,
        scatter_v,
        steps: used.len(),
    })
}

/// How far head B's track lies beside it more than head A's, as a delay: the centre of head A's level less that of head B's. Both
/// were taken at the same delays, whose own errors cancel.
///
/// # Errors
/// [`MeasureError::NotFinite`].
pub fn centres_apart(a: &Tracking, b: &Tracking) -> Result<Estimate, MeasureError> {
    let share = |name: &'static str, of: &Tracking| {
        Contribution::type_a(name, of.centre.standard_uncertainty, (of.steps as f64 - 4.0).max(1.0))
    };
    let shares = vec![share("centre of head A's level", a), share("centre of head B's level", b)];
    Estimate::combined(a.centre.value - b.centre.value, shares)
}

/// Slopes of both sides apart; none where a side has fewer than two steps.
fn evenness(steps: &[Step], c: f64, flat: f64, level_u: f64) -> Result<Option<Estimate>, MeasureError> {
    // A straight line through each side's steps: slope and its uncertainty.
    let side = |sign: f64| -> Option<(f64, f64)> {
        let of: Vec<(f64, f64)> =
            steps.iter().map(|s| (sign * (s.delay_s - c), s.level_v)).filter(|(x, _)| *x > flat).collect();
        let n = of.len() as f64;
        let (mx, my) = of.iter().fold((0.0, 0.0), |(p, q), (x, y)| (p + x / n, q + y / n));
        let sxx: f64 = of.iter().map(|(x, _)| (x - mx).powi(2)).sum();
        let sxy: f64 = of.iter().map(|(x, y)| (x - mx) * (y - my)).sum();
        (of.len() >= 2 && sxx > 0.0).then(|| (-sxy / sxx, level_u / sxx.sqrt()))
    };
    match (side(1.0), side(-1.0)) {
        (Some((longer, u_longer)), Some((shorter, u_shorter))) if longer > 0.0 && shorter > 0.0 => {
            let ratio = longer / shorter;
            let dof = (steps.len() as f64 - 4.0).max(1.0);
            Estimate::combined(
                ratio,
                vec![
                    Contribution::type_a("levels on the side of longer delays", ratio * u_longer / longer, dof),
                    Contribution::type_a("levels on the side of shorter delays", ratio * u_shorter / shorter, dof),
                ],
            )
            .map(|e| Some(e.within(0.0, f64::MAX)))
        }
        _ => Ok(None),
    }
}
