//! Times of composite video: line period, its jitter, and the time-base error of the lines of a record. Levels:
//! [`crate::video`].

use crate::error::{MeasureError, at_least};
use crate::estimate::{COVERAGE, Contribution, Estimate};
use crate::statistics::{deviation_interval, effective_count, moments_of_finite};
use crate::sync::{PulseKind, Syncs};

/// Single line periods of a record: distances of leading edges of neighbouring lines.
#[must_use]
pub fn line_periods(syncs: &Syncs) -> Vec<f64> {
    leads(syncs).windows(2).map(|w| w[1] - w[0]).filter(|period| is_line(syncs, *period)).collect()
}

fn leads(syncs: &Syncs) -> Vec<f64> {
    syncs.pulses.iter().filter(|p| p.kind == PulseKind::Line).map(|p| p.lead_s).collect()
}

fn is_line(syncs: &Syncs, period_s: f64) -> bool {
    (period_s / syncs.line_s - 1.0).abs() < 0.1
}

/// Mean of single line periods, in seconds, in the order that they were taken in: those that a wobble of the lines makes alike, since
/// they keep step with it, count as fewer.
///
/// # Errors
/// [`MeasureError::TooShort`] below three periods.
pub fn line_period(periods_s: &[f64], lead_u_s: f64, timebase_u: f64) -> Result<Estimate, MeasureError> {
    at_least("line periods", periods_s.len(), 3)?;
    let m = moments_of_finite(periods_s.iter().copied());
    let n = effective_count(periods_s)?;
    Estimate::combined(
        m.mean,
        vec![
            Contribution::type_a("scatter of the periods", m.standard_deviation / n.sqrt(), n - 1.0),
            Contribution::type_b("noise and sampling", lead_u_s * core::f64::consts::SQRT_2 / n.sqrt()),
            Contribution::type_b("time base", m.mean * timebase_u),
        ],
    )
}

/// How values in time were sampled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampling {
    /// Standard uncertainty of one value from noise and sampling, in seconds.
    pub one_u_s: f64,
    /// Lines and samples keep step: every edge lies at about the same place between two samples.
    pub in_step: bool,
}

/// In step, what sampling adds or hides is known only where values scatter over more than this many of `one_u_s`, nearly half the
/// time between samples (drawn edges, 0.175 us and 0.25 us long, sampled every 0.4 us and 0.5 us).
const SPREAD: f64 = 2.8;
/// So many of `one_u_s` it hides then at most, but for a few of a thousand records (the same draws).
const HIDDEN: f64 = 1.25;

/// Standard deviation of values in time without what noise and sampling add. `worth`: of how many independent values.
///
/// # Errors
/// [`MeasureError::TooShort`] below four values.
pub fn scatter_of_times(values_s: &[f64], worth: f64, sampling: Sampling) -> Result<Estimate, MeasureError> {
    at_least("times of lines", values_s.len(), 4)?;
    let m = moments_of_finite(values_s.iter().copied());
    let dof = worth - 1.0;
    let (low, high) = deviation_interval(m.standard_deviation, dof, COVERAGE);
    let u = sampling.one_u_s;
    // Noise and sampling are known to a third: they may be all of it, or hide a part.
    let clean = |s: f64, share: f64| (s * s - share * u * u).max(0.0).sqrt();
    // Edges that all lie between the same two samples are seen at one place: sampling hides what they scatter. Those that a sample
    // parts are seen a whole step apart, whose square is a quarter of a step's: three times that of `u`.
    let hidden = sampling.in_step && m.standard_deviation < SPREAD * u;
    // Values that scatter less than sampling alone would make them were not sampled anywhere either.
    let most = match clean(high, 0.4) {
        _ if hidden => high.hypot(HIDDEN * u),
        cleaned if cleaned > 0.5 * high => cleaned,
        _ => high.hypot(u),
    };
    let of_lines = m.standard_deviation / (2.0 * dof).sqrt();
    Estimate::with_interval(
        clean(m.standard_deviation, 1.0),
        clean(low, if hidden { 3.0 } else { 1.8 }),
        most,
        of_lines.hypot(0.4 * u),
        Some(dof),
        vec![
            Contribution::type_a("number of lines", of_lines, dof),
            Contribution::type_b("noise and sampling, taken off", 0.4 * u),
        ],
    )
}

/// Leading edges of the lines of a record about evenly spaced ones.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeBase {
    /// By how much each comes late, in seconds.
    pub errors_s: Vec<f64>,
    /// How they were sampled.
    pub sampling: Sampling,
}

/// Even lines keep step with the samples where their places between two samples have a mean vector longer than this: those of nine
/// places and more, as of 525 lines at 0.5 us, have none.
const STEP: f64 = 0.2;

/// Time-base errors of a record's lines that have a neighbour: what looks like a line's sync and has none is something else. Lines
/// without their pulse are stepped over.
#[must_use]
pub fn time_base_errors(syncs: &Syncs) -> TimeBase {
    let all = leads(syncs);
    let beside = |lead: &&f64| all.iter().any(|other| is_line(syncs, (other - **lead).abs()));
    let leads: Vec<f64> = all.iter().filter(beside).copied().collect();
    let mut numbers: Vec<f64> = Vec::with_capacity(leads.len());
    for (i, lead) in leads.iter().enumerate() {
        let after = |before: usize| numbers[before] + 0.5 * ((lead - leads[before]) / (0.5 * syncs.line_s)).round();
        let number = i.checked_sub(1).map_or(0.0, after);
        numbers.push(number);
    }
    let n = leads.len() as f64;
    let (mx, my) = (numbers.iter().sum::<f64>() / n, leads.iter().sum::<f64>() / n);
    let sxx: f64 = numbers.iter().map(|x| (x - mx).powi(2)).sum();
    let sxy: f64 = numbers.iter().zip(&leads).map(|(x, l)| (x - mx) * (l - my)).sum();
    let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
    let turn = core::f64::consts::TAU * slope / syncs.dt_s;
    let (s, c) = numbers.iter().map(|x| (turn * x).sin_cos()).fold((0.0, 0.0), |(s, c), one| (s + one.0, c + one.1));
    TimeBase {
        errors_s: numbers.iter().zip(&leads).map(|(x, l)| l - my - slope * (x - mx)).collect(),
        sampling: Sampling { one_u_s: syncs.lead_u_s, in_step: f64::hypot(s, c) > STEP * n },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scatter_takes_off_what_sampling_adds_and_covers() {
        let even: Vec<f64> = (0..40).map(|i| if i % 2 == 0 { 3e-8 } else { -3e-8 }).collect();
        let scatter = |values: &[f64], one_u_s: f64| {
            scatter_of_times(values, values.len() as f64, Sampling { one_u_s, in_step: false })
        };
        let all = scatter(&even, 0.0).unwrap();
        assert!((all.value - 3e-8).abs() < 1e-9 && all.interval.low < 3e-8 && all.interval.high > 3e-8);
        assert!(scatter(&even, 3e-8).unwrap().interval.low == 0.0);
        assert!(scatter(&even[..3], 0.0).is_err());
        // Lines in step with the samples: all edges seem to lie at one place, wherever between two samples they are.
        assert!(scatter(&[1e-9, -1e-9, 1e-9, -1e-9, 0.0], 1e-7).unwrap().interval.high >= 1e-7);
    }
}
