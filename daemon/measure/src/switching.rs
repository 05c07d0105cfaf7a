//! The head-switching point: from each switching edge to the start of vertical sync that follows.

use crate::error::{MeasureError, at_least, finite};
use crate::estimate::{COVERAGE, Contribution, Estimate};
use crate::field::FieldSync;
use crate::statistics::{deviation_interval, effective_count, moments_of_finite};

/// The start of vertical sync that a switching edge at time 0 belongs to: the first that follows within the record,
/// else the last before it, at most `late_s` ago. Returned as the time to it, negative if it was before.
#[must_use]
pub fn point_of_edge(starts: &[FieldSync], late_s: f64) -> Option<(f64, f64)> {
    let after = starts.iter().find(|start| start.at_s >= 0.0);
    let before = starts.iter().rev().find(|start| start.at_s < 0.0 && start.at_s >= -late_s);
    after.or(before).map(|start| (start.at_s, start.at_u_s))
}

const OF_TRACKING: &str = "tracking within what is taken for its centre";
const OF_TIME_BASE: &str = "time base";
/// What moves the points of both heads alike.
const COMMON: [&str; 2] = [OF_TRACKING, OF_TIME_BASE];

/// Mean and scatter of one head's switching point, in seconds.
#[derive(Debug, Clone, PartialEq)]
pub struct SwitchPoint {
    /// Mean over edges.
    pub mean: Estimate,
    /// Standard deviation over edges, the sampling's part taken off.
    pub jitter: Estimate,
    /// How many edges.
    pub edges: usize,
}

/// From the points of single edges. `lead_u_s`: standard uncertainty of one from noise and sampling of the vertical sync's edge;
/// `trigger_half_s`: half width within which the trigger lies on the record's time axis; both may repeat from edge to
/// edge, so they are not averaged. `beside_half_s`: half width of what tracking off its centre moves both heads' points by.
/// `timebase_u`: relative standard uncertainty of the time base.
///
/// # Errors
/// [`MeasureError::TooShort`] below three edges, [`MeasureError::NotFinite`].
pub fn switch_point(
    points_s: &[f64],
    lead_u_s: f64,
    trigger_half_s: f64,
    beside_half_s: f64,
    timebase_u: f64,
) -> Result<SwitchPoint, MeasureError> {
    at_least("switching edges with a vertical sync", points_s.len(), 3)?;
    finite("points of switching edges", points_s)?;
    let m = moments_of_finite(points_s.iter().copied());
    let n = effective_count(points_s)?;
    let dof = (n - 1.0).max(1.0);
    let trigger = Contribution::rectangular("place of the trigger between samples", trigger_half_s);
    let one_u_s = lead_u_s.hypot(trigger.standard_uncertainty);
    let mean = Estimate::combined(
        m.mean,
        vec![
            Contribution::type_a("scatter over edges", m.standard_deviation / n.sqrt(), dof),
            Contribution::type_b("edge of vertical sync: noise and sampling", lead_u_s),
            trigger,
            Contribution::rectangular(OF_TRACKING, beside_half_s),
            Contribution::type_b(OF_TIME_BASE, (m.mean * timebase_u).abs()),
        ],
    )?;
    // Sampling may add scatter, or, where edge and samples keep step, hide some of it.
    let clean = |s: f64| (s * s - one_u_s * one_u_s).max(0.0).sqrt();
    let (low, high) = deviation_interval(m.standard_deviation, dof, COVERAGE);
    let u = m.standard_deviation / (2.0 * dof).sqrt();
    let jitter = Estimate::with_interval(
        clean(m.standard_deviation),
        clean(low),
        high.hypot(one_u_s),
        u.hypot(0.5 * one_u_s),
        Some(dof),
        vec![
            Contribution::type_a("number of edges", u, dof),
            Contribution::type_b("noise and sampling, taken off", 0.5 * one_u_s),
        ],
    )?;
    Ok(SwitchPoint { mean, jitter, edges: points_s.len() })
}

/// Point of head B less that of head A, in seconds. What tracking and time base do to both alike cancels; the place of the
/// trigger is counted once for each: it need not be the same for two edges.
///
/// # Errors
/// As [`Estimate::combined`].
pub fn difference(a: &SwitchPoint, b: &SwitchPoint) -> Result<Estimate, MeasureError> {
    let of = |point: &SwitchPoint, names: [&'static str; 2]| {
        let (mut of_a, mut of_b, mut dof) = (0.0_f64, 0.0_f64, 1.0_f64);
        for share in point.mean.contributions.iter().filter(|share| !COMMON.contains(&share.name)) {
            match share.degrees_of_freedom {
                Some(given) => (of_a, dof) = (share.standard_uncertainty, given),
                None => of_b = of_b.hypot(share.standard_uncertainty),
            }
        }
        [Contribution::type_a(names[0], of_a, dof), Contribution::type_b(names[1], of_b)]
    };
    let mut shares = of(a, ["scatter over edges to head A", "sampling, head A"]).to_vec();
    shares.extend(of(b, ["scatter over edges to head B", "sampling, head B"]));
    Estimate::combined(b.mean.value - a.mean.value, shares)
}
