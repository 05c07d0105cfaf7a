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
mod tests {
    use super::*;

    const FRAME_S: f64 = 0.04;

    fn pulses(first_s: f64, count: usize) -> Pulses {
        let times_s: Vec<f64> = (0..count).map(|n| first_s + n as f64 * FRAME_S).collect();
        let level = Estimate::combined(5.0, vec![Contribution::type_b("gain", 0.05)]).unwrap();
        Pulses {
            time_u_s: 1e-5,
            within_s: 0.0,
            level,
            duties: vec![60.0; count - 1],
            highs_s: times_s.windows(2).map(|w| (w[0], 0.4 * w[0] + 0.6 * w[1])).collect(),
            observed: (0.0, first_s + count as f64 * FRAME_S),
            times_s,
        }
    }

    #[test]
    fn joints_between_captures_are_no_jitter() {
        let (a, b) = (pulses(0.003, 5), pulses(0.031, 5));
        let jitter = |of: &[&Pulses]| {
            let period_s = period(of, 25.0).unwrap();
            let whole = one_after_the_other(of, period_s).unwrap();
            let jitter_s = whole.jitter_about(period_s).unwrap().value;
            (whole, jitter_s)
        };
        let (whole, jitter_s) = jitter(&[&a, &b]);
        assert_eq!((whole.times_s.len(), whole.duties.len()), (10, 8));
        assert!(jitter_s < 1e-9);
        // A tape faster or slower than its recording; at little more than half its speed two frames are no two periods, and
        // nearly one.
        for times in [0.5, 1.9, 2.0] {
            let other = |pulses: &Pulses| Pulses {
                times_s: pulses.times_s.iter().map(|time| times * time).collect(),
                ..pulses.clone()
            };
            let (whole, jitter_s) = jitter(&[&other(&a), &other(&b)]);
            let joint_s = whole.times_s[5] - whole.times_s[4];
            assert!((joint_s - 2.0 * times * FRAME_S).abs() < 1e-9, "{times}: {joint_s}");
            assert!(jitter_s < 1e-9, "{times}: {jitter_s}");
        }
        assert!(one_after_the_other(&[], FRAME_S).is_none() && period(&[], 25.0).is_none());
    }

    #[test]
    fn missing_pulses_are_no_jitter_and_no_index_marks() {
        // Captures of six frames in which most pulses are missing: between those left lie one, two, three frames.
        let of = |left: &[usize]| {
            let all = pulses(0.003, 6);
            let times_s: Vec<f64> = left.iter().map(|n| all.times_s[*n]).collect();
            // As a record shows them that holds no single period: each high for as long as ever.
            let highs_s: Vec<(f64, f64)> = times_s.windows(2).map(|w| (w[0], w[0] + 0.6 * FRAME_S)).collect();
            let duties = times_s.windows(2).map(|w| 60.0 * FRAME_S / (w[1] - w[0])).collect();
            Pulses { times_s, highs_s, duties, ..all }
        };
        let all: Vec<Pulses> = [&[0, 1, 3][..], &[0, 2, 4], &[1, 3], &[2, 3, 5], &[0, 3, 5], &[4, 5], &[1, 2]]
            .iter()
            .map(|left| of(left))
            .collect();
        let captures: Vec<&Pulses> = all.iter().collect();
        let period_s = period(&captures, 25.0).unwrap();
        assert!((period_s - FRAME_S).abs() < 1e-9, "{period_s}");
        let whole = one_after_the_other(&captures, period_s).unwrap();
        let jitter = whole.jitter_about(period_s).unwrap();
        assert!(jitter.value < 1e-9 && jitter.interval.high < 1e-4, "{jitter:?}");
        let single: Vec<f64> = all.iter().flat_map(|pulses| pulses.of_period(period_s).duties).collect();
        assert!(single.len() == 4 && single.iter().all(|duty| (duty - 60.0).abs() < 1e-6), "{single:?}");
    }

    #[test]
    fn missing_pulses_have_exact_intervals() {
        for (missing, expected, low, high) in [(0, 100, 0.0, 3.6217), (2, 50, 0.4881, 13.7138)] {
            let mut count = Count::default();
            count.add(missing, expected - 10, 1.0);
            count.add(0, 10, 1.0);
            let share = count.share().unwrap();
            assert!(
                (share.interval.low - low).abs() < 1e-3 && (share.interval.high - high).abs() < 1e-3,
                "{missing} of {expected}: {share:?}"
            );
        }
        assert!(Count::default().share().is_err());
    }

    #[test]
    fn the_delay_wanders_on_a_circle() {
        let at = |ms: f64| Estimate::combined(ms * 1e-3, vec![Contribution::type_b("sampling", 1e-5)]).unwrap();
        for (what, means, expected_ms) in [
            ("steady", vec![at(5.0), at(5.02), at(5.01)], 0.02),
            ("steady at the frame's end", vec![at(39.9), at(0.1), at(0.0)], 0.2),
            ("walking", vec![at(5.0), at(11.0), at(17.0)], 12.0),
        ] {
            assert!((wander(&means, FRAME_S).unwrap().value * 1e3 - expected_ms).abs() < 1e-6, "{what}");
        }
        assert!(wander(&[at(5.0)], FRAME_S).is_err());
    }

    #[test]
    fn sampling_averages_where_captures_show_it_to_change() {
        // Six captures that meet the pulses elsewhere, and six that meet them at the same place.
        let of = |step: f64| -> Vec<f64> { (0..6).map(|n| 60.0 + step * (f64::from(n) - 2.5)).collect() };
        let u = |values: &[f64]| {
            over_captures(values, 0.1).iter().map(|c| c.standard_uncertainty.powi(2)).sum::<f64>().sqrt()
        };
        assert!(u(&of(0.06)) < 0.06, "{}", u(&of(0.06)));
        assert!((u(&of(0.0)) - 0.1).abs() < 1e-9);
        // One capture shows nothing.
        assert!((u(&[60.0]) - 0.1).abs() < 1e-9);
    }

    #[test]
    fn index_marks_leave_the_duty_alone() {
        let mut marked = pulses(0.003, 8);
        marked.duties = vec![60.0, 60.1, 27.5, 60.1, 60.0, 27.5, 60.0];
        let duty = duty(&[&marked, &pulses(0.011, 8)], FRAME_S).unwrap();
        assert!((duty.value - 60.02).abs() < 1e-6, "{duty:?}");
    }

    #[test]
    fn the_mean_delay_lies_on_a_circle() {
        for within_s in [0.0, 4e-5] {
            let at = |ms: f64| Delay {
                mean: Estimate::combined(ms * 1e-3, vec![Contribution::type_b("sampling", 1e-5)]).unwrap(),
                each_s: vec![ms * 1e-3; 5],
                within_s,
                timebase_u_s: 2e-6,
            };
            let captures = [at(39.98), at(0.02), at(0.0), at(0.0)];
            let mean = delay(&captures.each_ref(), FRAME_S).unwrap();
            let about_0 = (mean.value + 0.5 * FRAME_S).rem_euclid(FRAME_S) - 0.5 * FRAME_S;
            let half = 0.5 * (mean.interval.high - mean.interval.low);
            assert!(about_0.abs() < 1e-8 && (0.0..FRAME_S).contains(&mean.value) && half < 1e-4, "{mean:?}");
            assert!((mean.interval.low..=mean.interval.high).contains(&mean.value) && half > 1e-5, "{mean:?}");
        }
        assert!(delay(&[], FRAME_S).is_err());
    }

    #[test]
    fn records_that_differ_say_that_the_speed_changes() {
        let one = |hz: f64| {
            let rate = Estimate::combined(hz, vec![Contribution::type_b("timing", 0.001)]).unwrap();
            Timed { rate, span_s: 2.0 }
        };
        let (same, other) =
            (rate(&[one(25.0), one(25.0)], 1e-5).unwrap(), rate(&[one(24.98), one(25.02)], 1e-5).unwrap());
        assert!(same.standard_uncertainty < 0.001 && other.standard_uncertainty > 0.01, "{same:?} {other:?}");
    }

    /// Records of unlike lengths, of which the short ones hold too few pulses to tell how they jitter.
    #[test]
    fn short_records_do_not_outweigh_long_ones() {
        let mut state = 5_u64;
        let mut normal = || {
            // Twelve uniform numbers (xorshift64) less six.
            (0..12).fold(-6.0, |sum, _| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                sum + (state >> 11) as f64 / (1_u64 << 53) as f64
            })
        };
        let (mut within, mut far) = (0, 0.0_f64);
        for _ in 0..300 {
            let records: Vec<Timed> = [5, 5, 3, 12, 12, 12, 25, 50]
                .iter()
                .map(|&count| {
                    let mut p = pulses(0.0, count);
                    p.times_s.iter_mut().for_each(|time_s| *time_s += 0.3e-3 * normal());
                    let span_s = p.times_s[count - 1] - p.times_s[0];
                    Timed { rate: p.rate(25.0, 0.0).unwrap(), span_s }
                })
                .collect();
            let rate = rate(&records, 0.0).unwrap();
            within += i32::from((rate.interval.low..=rate.interval.high).contains(&25.0));
            far = far.max((rate.value / 25.0 - 1.0).abs());
        }
        assert!(within >= 273 && far < 1e-3, "{within} of 300, at the most {far} off");
    }

    #[test]
    fn many_records_share_their_time_base() {
        let one = || {
            let shares = vec![Contribution::type_b("timing", 0.004), Contribution::type_b("time base", 0.0025)];
            Timed { rate: Estimate::combined(25.0, shares).unwrap(), span_s: 2.0 }
        };
        let four = rate(&[one(), one(), one(), one()], 1e-4).unwrap();
        assert!((four.standard_uncertainty - 0.002_f64.hypot(0.0025)).abs() < 1e-9, "{four:?}");
    }
}
