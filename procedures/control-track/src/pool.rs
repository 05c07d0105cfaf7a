//! One number out of several captures.

use crate::take::Delay;
use tapewright_sdk::measure::Spread;
use tapewright_sdk::measure::between::{Edges, distance};
use tapewright_sdk::measure::pulses::{Pulses, counting_period, missing_share};
use tapewright_sdk::measure::statistics::{median, moments};
use tapewright_sdk::prelude::*;

/// The level over captures: their median, with their scatter besides what each of them carries.
pub(crate) fn level(captures: &[&Pulses]) -> Result<Estimate> {
    let values: Vec<f64> = captures.iter().map(|pulses| pulses.level.value).collect();
    let m = moments(&values)?;
    // What one capture carries (gain, conversion, noise) repeats in the others: it is not averaged.
    let mut shares = captures.first().map_or_else(Vec::new, |pulses| pulses.level.contributions.clone());
    if m.count > 1 {
        let count = m.count as f64;
        shares.push(Contribution::type_a(
            "scatter over captures",
            1.25 * m.standard_deviation / count.sqrt(),
            count - 1.0,
        ));
    }
    Ok(Estimate::combined(median(&values)?, shares)?.within(0.0, f64::MAX))
}

/// Period to count by, from the intervals of all captures: a tape at a wrong speed has another than the format. None where
/// no capture holds two pulses.
pub(crate) fn period(captures: &[&Pulses], expected_hz: f64) -> Option<f64> {
    let gaps: Vec<f64> = captures.iter().flat_map(|pulses| pulses.gaps()).collect();
    counting_period(&gaps, expected_hz).ok()
}

/// Captures one after the other, as if of one record that lacks a pulse between them: intervals between captures
/// then count as intervals that hold a missing pulse, and tell nothing. None without captures.
pub(crate) fn one_after_the_other(captures: &[&Pulses], period_s: f64) -> Option<Pulses> {
    let mut whole = (*captures.first()?).clone();
    for next in &captures[1..] {
        let (Some(&last), Some(&first)) = (whole.times_s.last(), next.times_s.first()) else { continue };
        let shift = last + 2.0 * period_s - first;
        whole.times_s.extend(next.times_s.iter().map(|time| time + shift));
        whole.duties.extend(&next.duties);
        whole.time_u_s = whole.time_u_s.max(next.time_u_s);
        whole.observed.1 = next.observed.1 + shift;
    }
    Some(whole)
}

/// The rate that one record shows.
pub(crate) struct Timed {
    pub(crate) rate: Estimate,
    /// From its first to its last pulse, in seconds.
    pub(crate) span_s: f64,
}

/// Mean rate over records; the time base is common to all. Pulses of all records are timed alike well, and jitter alike, so a rate is
/// as uncertain as its record is short, and weighs by the square of its span: a short record does not tell by itself how its
/// pulses jitter, and must not weigh by what it tells. Records that differ by more than their pulses' times explain show that the
/// tape's speed changes: how far the time between them was faster or slower is as uncertain as they scatter.
pub(crate) fn rate(records: &[Timed], timebase_u: f64) -> Result<Estimate> {
    let own = |rate: &Estimate| (rate.standard_uncertainty.powi(2) - (rate.value * timebase_u).powi(2)).max(0.0);
    let spans_s: f64 = records.iter().map(|of| of.span_s).sum();
    // Variance of a rate over a second of its span, told by the long ones above all.
    let of_a_second = records.iter().map(|of| of.span_s * own(&of.rate) * of.span_s.powi(2)).sum::<f64>()
        / spans_s.max(f64::MIN_POSITIVE);
    let weights: f64 = records.iter().map(|of| of.span_s.powi(2)).sum();
    let mean = records.iter().map(|of| of.span_s.powi(2) * of.rate.value).sum::<f64>() / weights;
    let timing_v = (of_a_second / weights).max((1e-9 * mean).powi(2));
    let mut shares = vec![
        Contribution::type_b("time of the pulses", timing_v.sqrt()),
        Contribution::type_b("time base", mean * timebase_u),
    ];
    let free = records.len() as f64 - 1.0;
    let scatter = records.iter().map(|of| of.span_s.powi(2) * (of.rate.value - mean).powi(2)).sum::<f64>();
    let beyond_v = scatter / free.max(1.0) / weights - timing_v;
    if beyond_v > 0.0 {
        shares.push(Contribution::type_a("scatter over records", beyond_v.sqrt(), free));
    }
    Ok(Estimate::combined(mean, shares)?.within(0.0, f64::MAX))
}

/// What the samples' places leave uncertain of a mean over captures, of which each is uncertain by `sampling_u` from them,
/// where edges do not lie between two samples or their distance changes from capture to capture.
///
/// A scope that samples as its own clock goes meets the pulses elsewhere in each capture: that scatter is seen, and
/// averages. What is not seen of it may be the same in all captures, as where the samples follow the trigger, and stays.
fn over_captures(values: &[f64], sampling_u: f64) -> Vec<Contribution> {
    let Ok(m) = moments(values) else { return Vec::new() };
    let count = m.count as f64;
    let (seen, spread) = if m.count > 1 { (m.standard_deviation, count - 1.0) } else { (0.0, 1.0) };
    let same = (sampling_u.powi(2) - seen.powi(2)).max(0.0).sqrt();
    let mut shares = vec![Contribution::type_b("sampling, the same in all captures", same).spread(Spread::Rectangular)];
    if m.count > 1 {
        shares.push(Contribution::type_a("scatter over captures", seen / count.sqrt(), spread));
    }
    shares
}

/// Mean delay to the head switch over captures, in seconds, on the circle of a frame.
pub(crate) fn delay(captures: &[&Delay], frame_s: f64) -> Result<Estimate> {
    let Some(first) = captures.first().map(|delay| delay.mean.value) else {
        return Err(Unable::new(UnableCode::TooShort, "no capture shows the delay to the head switch"));
    };
    let from_first = |value: f64| (value - first + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s;
    let within_s = captures.iter().map(|delay| delay.within_s).fold(f64::INFINITY, f64::min);
    let rounded = if within_s > 0.0 {
        // From the pulses to the trigger, which lies at time 0 within a point.
        let edges = captures.iter().map(|delay| Edges {
            first_s: delay.each_s.iter().map(|value| -from_first(*value)).collect(),
            second_s: vec![0.0],
        });
        distance(&edges.collect::<Vec<_>>(), 2.0 * within_s)?
    } else {
        None
    };
    let away = match rounded {
        Some(away) => away,
        None => {
            let means: Vec<f64> = captures.iter().map(|delay| from_first(delay.mean.value)).collect();
            let sampling = captures.iter().flat_map(|delay| &delay.mean.contributions);
            let sampling_u_s = sampling
                .filter(|share| share.name == "sampling")
                .map(|share| share.standard_uncertainty)
                .fold(0.0, f64::max);
            Estimate::combined(moments(&means)?.mean, over_captures(&means, sampling_u_s))?
        }
    };
    let timebase_u_s = captures.iter().map(|delay| delay.timebase_u_s).fold(0.0, f64::max);
    let away = away.also(Contribution::type_b("time base", timebase_u_s))?;
    // A delay about nothing may be one of nearly a frame: the interval goes with the value.
    let turn = first + away.value - (first + away.value).rem_euclid(frame_s);
    let of = |value: f64| first + value - turn;
    let (low, high) = (of(away.interval.low), of(away.interval.high));
    let (u, dof) = (away.standard_uncertainty, away.degrees_of_freedom);
    Ok(Estimate::with_interval(of(away.value), low, high, u, dof, away.contributions)?)
}

/// Duties further from their median than so many samples are no scatter of sampling: index marks.
const MARKED_SAMPLES: f64 = 3.0;

/// Duty over captures, in per cent, pulses coming `period_s` apart.
pub(crate) fn duty(captures: &[&Pulses], period_s: f64) -> Result<Estimate> {
    let all: Vec<f64> = captures.iter().flat_map(|pulses| pulses.duties.iter().copied()).collect();
    if all.is_empty() {
        return Err(Unable::new(UnableCode::TooShort, "no capture holds a whole period of square pulses"));
    }
    let middle = median(&all)?;
    let mut away: Vec<f64> = all.iter().map(|duty| (duty - middle).abs()).collect();
    away.sort_unstable_by(f64::total_cmp);
    // A time is uncertain by a sample over the root of 12; a scatter of the pulses themselves counts as well.
    let edge_u_s = captures.iter().map(|pulses| pulses.time_u_s).fold(0.0, f64::max);
    let sample_percent = 100.0 * edge_u_s * 12.0_f64.sqrt() / period_s;
    let reach = (MARKED_SAMPLES * sample_percent).max(6.0 * away[away.len() / 2]);
    let near = |duty: f64| (duty - middle).abs() <= reach;
    let within_s = captures.iter().map(|pulses| pulses.within_s).fold(f64::INFINITY, f64::min);
    if within_s > 0.0
        && let Some(high) =
            distance(&captures.iter().map(|pulses| highs(pulses, period_s, &near)).collect::<Vec<_>>(), 2.0 * within_s)?
    {
        return Ok(high.scaled(100.0 / period_s).within(0.0, 100.0));
    }
    let means: Vec<f64> = captures
        .iter()
        .filter_map(|pulses| {
            let near: Vec<f64> = pulses.duties.iter().copied().filter(|duty| near(*duty)).collect();
            moments(&near).ok().map(|m| m.mean)
        })
        .collect();
    let value = moments(&means)?.mean;
    // Two edges, rising and falling.
    let sampling_u = 100.0 * edge_u_s * core::f64::consts::SQRT_2 / period_s;
    Ok(Estimate::combined(value, over_captures(&means, sampling_u))?.within(0.0, 100.0))
}

/// Edges of the pulses of one capture with such a duty, folded upon each other by the period.
fn highs(pulses: &Pulses, period_s: f64, near: &dyn Fn(f64) -> bool) -> Edges {
    let start_s = pulses.highs_s.first().map_or(0.0, |(rise_s, _)| *rise_s);
    let of_such = pulses.highs_s.iter().zip(&pulses.duties).filter(|(_, duty)| near(**duty));
    let (first_s, second_s) = of_such
        .map(|((rise_s, fall_s), _)| {
            let folded_s = ((rise_s - start_s) / period_s).round() * period_s;
            (rise_s - folded_s, fall_s - folded_s)
        })
        .unzip();
    Edges { first_s, second_s }
}

/// Pulses that did not come, over records.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Count {
    pub(crate) missing: u64,
    pub(crate) expected: u64,
    pub(crate) observed_s: f64,
}

impl Count {
    pub(crate) fn add(&mut self, missing: u64, expected: u64, observed_s: f64) {
        self.missing += missing;
        self.expected += expected;
        self.observed_s += observed_s;
    }

    /// Share of the missing in per cent, with its exact binomial interval: none missing in 100 only
    /// bounds it at 3.6 %.
    pub(crate) fn share(&self) -> Result<Estimate> {
        Ok(missing_share(self.missing, self.expected)?.scaled(100.0))
    }
}

/// How far the delay wanders: greatest less least of the captures' mean delays, in seconds, on the circle of a
/// frame. Pulses that keep their place wander by their noise, others by up to a frame.
pub(crate) fn wander(means: &[Estimate], frame_s: f64) -> Result<Estimate> {
    let turn = core::f64::consts::TAU / frame_s;
    let (s, c) =
        means.iter().fold((0.0, 0.0), |(s, c), mean| (s + (mean.value * turn).sin(), c + (mean.value * turn).cos()));
    let centre = s.atan2(c) / turn;
    let away = means.iter().map(|mean| (mean.value - centre + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s);
    let (low, high) = away.fold((f64::MAX, f64::MIN), |(low, high), away| (low.min(away), high.max(away)));
    if means.len() < 2 {
        return Err(Unable::new(UnableCode::TooShort, "one capture shows no wander of the delay: two are needed"));
    }
    let u = means.iter().map(|mean| mean.standard_uncertainty).fold(0.0, f64::max);
    Ok(Estimate::combined(
        high - low,
        vec![Contribution::type_b("delay of two captures", core::f64::consts::SQRT_2 * u)],
    )?
    .within(0.0, frame_s))
}

#[cfg(test)]
mod tests;
