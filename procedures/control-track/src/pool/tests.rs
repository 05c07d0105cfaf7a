//! Tests of what is pooled over captures.

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
    let u =
        |values: &[f64]| over_captures(values, 0.1).iter().map(|c| c.standard_uncertainty.powi(2)).sum::<f64>().sqrt();
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
    let (same, other) = (rate(&[one(25.0), one(25.0)], 1e-5).unwrap(), rate(&[one(24.98), one(25.02)], 1e-5).unwrap());
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
