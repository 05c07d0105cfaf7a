//! Pulses and edges on signals with known truth: presence, rate, level, jitter, duty, missing, delay.

mod synth;

use synth::{Coverage, Random};
use tapewright_formats::{LineStandard, SignalForm};
use tapewright_measure::edges::{Polarity, edges, state_levels};
use tapewright_measure::pulses::{Pulses, delays_to_switch, mean_delay, pulses_in, pulses_in_pairs};
use tapewright_measure::scan::cut_at_head_switch;
use tapewright_measure::{Converter, MeasureError, PairTrace, Trace};

const RATE_HZ: f64 = 30_000.0 / 1001.0;

struct Train {
    /// Rising edges or positive peaks.
    times: Vec<f64>,
    high_s: f64,
}

fn train(random: &mut Random, count: usize, jitter_s: f64, missing: &[usize]) -> Train {
    let start = random.uniform() / RATE_HZ;
    let times = (0..count)
        .filter(|n| !missing.contains(n))
        .map(|n| start + n as f64 / RATE_HZ + jitter_s * random.normal() / core::f64::consts::SQRT_2)
        .collect();
    Train { times, high_s: 0.6 / RATE_HZ }
}

/// 2,500 points, 8 bits.
fn square(t: &Train, span_s: f64, points: usize, noise_v: f64, random: &mut Random) -> Trace {
    let dt = span_s / points as f64;
    let step = 8.0 / 250.0;
    let codes: Vec<i16> = (0..points)
        .map(|i| {
            let now = i as f64 * dt;
            let high = t.times.iter().any(|e| now >= *e && now < e + t.high_s);
            ((if high { 4.6 } else { 0.2 } - 2.0 + noise_v * random.normal()) / step).round() as i16
        })
        .collect();
    let c = Converter {
        gain_v: step,
        offset_v: 2.0,
        code_low: -125,
        code_high: 125,
        gain_uncertainty: 0.01,
        offset_uncertainty_v: 0.0,
    };
    Trace::from_codes(0.0, dt, &codes, &c).unwrap()
}

fn spike(t: &Train, span_s: f64, points: usize, noise_v: f64, random: &mut Random) -> Trace {
    let dt = span_s / points as f64;
    let width = 0.4e-3;
    let volts = (0..points)
        .map(|i| {
            let now = i as f64 * dt;
            let shape = |at: f64| (-((now - at) / width).powi(2)).exp();
            let v: f64 = t.times.iter().map(|e| shape(*e) - 0.8 * shape(e + t.high_s)).sum();
            (0.01 * v + noise_v * random.normal()) as f32
        })
        .collect();
    Trace::from_volts(0.0, dt, volts).unwrap()
}

fn check_counts(p: &Pulses, expected: u64, missing: u64) {
    let m = p.missing(RATE_HZ).unwrap();
    assert_eq!((m.missing, m.expected), (missing, expected), "{m:?}");
    assert!(m.share.interval.low <= missing as f64 / expected as f64 && m.share.interval.high > 0.0);
}

/// A slow record: the median of single intervals is a whole number of samples, up to half a sample short of the period, and
/// a last interval of a period and a little is no missing pulse.
#[test]
fn no_pulse_is_missing_at_the_end_of_a_slow_record() {
    let dt_s = 2.5e-3;
    for tenths in 0..40_u32 {
        let start_s = f64::from(tenths) * 1e-3;
        let edges: Vec<f64> = (0..1600).map(|n| start_s + f64::from(n) / RATE_HZ).collect();
        let high = |t: f64| edges.iter().rev().find(|e| **e <= t).is_some_and(|e| t < e + 0.6 / RATE_HZ);
        let volts = (0..20_000).map(|i| if high(f64::from(i) * dt_s) { 5.0 } else { 0.0 }).collect();
        let trace = Trace::from_volts(0.0, dt_s, volts).unwrap();
        let missing = pulses_in(&trace, SignalForm::Square).unwrap().missing(RATE_HZ).unwrap();
        assert_eq!(missing.missing, 0, "the first edge {start_s} s after the record's start: {missing:?}");
    }
}

#[test]
fn rate_level_duty_and_missing_of_square_pulses() {
    let mut rate = Coverage::default();
    let mut duty = Coverage::default();
    for seed in 0..300 {
        let mut random = Random::new(seed);
        let gone: &[usize] = if seed % 3 == 0 { &[7] } else { &[] };
        let t = train(&mut random, 15, 0.0, gone);
        let p = pulses_in(
            &square(&t, (14.6 + 0.4 * random.uniform()) / RATE_HZ, 2500, 0.02, &mut random),
            SignalForm::Square,
        )
        .unwrap();
        rate.add(&p.rate(RATE_HZ, 0.0).unwrap(), RATE_HZ);
        duty.add(&p.duty().unwrap(), if gone.is_empty() { 60.0 } else { p.duty().unwrap().value });
        assert!((p.level.value - 4.4).abs() < 0.03, "{:?}", p.level);
        assert_eq!(p.missing(RATE_HZ).unwrap().missing, gone.len() as u64, "seed {seed}");
    }
    // A time that lies anywhere in a sample makes intervals that cover more than they say.
    rate.check("square, rate", 0.93, 1.0);
    duty.check("square, duty", 0.93, 1.0);
}

#[test]
fn period_jitter_of_square_pulses_covers() {
    let mut coverage = Coverage::default();
    for seed in 0..400 {
        let mut random = Random::new(900 + seed);
        let t = train(&mut random, 30, 0.4e-3, &[11]);
        let p = pulses_in(&square(&t, 30.0 / RATE_HZ, 10_000, 0.02, &mut random), SignalForm::Square).unwrap();
        // Each edge jitters by itself: an interval has twice the variance of an edge.
        coverage.add(&p.period_jitter(RATE_HZ).unwrap(), 0.4e-3);
    }
    coverage.check("square, jitter", 0.93, 0.985);
    // Without jitter the sampling's own part is taken off.
    let mut random = Random::new(5);
    let t = train(&mut random, 30, 0.0, &[]);
    let p = pulses_in(&square(&t, 30.0 / RATE_HZ, 2500, 0.02, &mut random), SignalForm::Square).unwrap();
    let j = p.period_jitter(RATE_HZ).unwrap();
    assert!(j.interval.low < 0.05e-3 && j.value < 0.12e-3, "{j:?}");
}

#[test]
fn spike_pairs_straight_off_the_head() {
    let mut rate = Coverage::default();
    for seed in 0..300 {
        let mut random = Random::new(40 + seed);
        let t = train(&mut random, 15, 0.0, &[4, 5]);
        let p = pulses_in(&spike(&t, 15.0 / RATE_HZ, 2500, 0.0005, &mut random), SignalForm::Spike).unwrap();
        // The tops are counted: a spike that the record's end cuts has none.
        let step_s = 15.0 / RATE_HZ / 2500.0;
        let inside = |at: &&f64| **at > step_s && **at < 15.0 / RATE_HZ - 2.0 * step_s;
        let (seen, want) = (p.times_s.iter().filter(inside).count(), t.times.iter().filter(inside).count());
        assert_eq!(seen, want, "{:?}", p.times_s);
        rate.add(&p.rate(RATE_HZ, 0.0).unwrap(), RATE_HZ);
        assert!((p.level.value / 0.018 - 1.0).abs() < 0.06, "{:?}", p.level);
        assert_eq!(p.missing(RATE_HZ).unwrap().missing, 2);
    }
    rate.check("spike, rate", 0.93, 1.0);
}

/// A small signal in coarse steps, with noise of about a step: noise is no spike, and where a spike lies is known.
#[test]
fn spikes_in_coarse_steps_are_told_from_noise() {
    let mut random = Random::new(77);
    for (steps_high, noise_steps) in [(20.0, 0.2), (20.0, 0.45), (30.0, 0.6), (30.0, 0.75), (40.0, 1.0), (60.0, 1.4)] {
        let (step, mut far, mut told) = (0.018 / steps_high, 0, 0);
        for _ in 0..60 {
            let t = train(&mut random, 3, 0.0, &[]);
            let bare = spike(&t, 1.3 / RATE_HZ, 2500, noise_steps * step, &mut random);
            let codes: Vec<i16> = bare.volts().iter().map(|v| (f64::from(*v) / step).round() as i16).collect();
            let converter = Converter {
                gain_v: step,
                offset_v: 0.0,
                code_low: -125,
                code_high: 125,
                gain_uncertainty: 0.01,
                offset_uncertainty_v: 0.0,
            };
            let trace = Trace::from_codes(0.0, bare.dt_s(), &codes, &converter).unwrap();
            // A spike that the record's end cuts may show or not.
            let edge_s = 2e-3;
            let whole = |at: f64| at > edge_s && at < 1.3 / RATE_HZ - edge_s;
            let want: Vec<f64> = t.times.iter().copied().filter(|at| whole(*at)).collect();
            let Ok(p) = pulses_in(&trace, SignalForm::Spike) else {
                // Without a spike of both signs there are none.
                continue;
            };
            told += 1;
            let seen: Vec<f64> = p.times_s.iter().copied().filter(|at| whole(*at)).collect();
            assert_eq!(seen.len(), want.len(), "{steps_high} steps, noise {noise_steps}: {seen:?} for {want:?}");
            assert!(p.time_u_s < 100e-6, "{steps_high} steps, noise {noise_steps}: {}", p.time_u_s);
            far += seen.iter().zip(&want).filter(|(seen, want)| (*seen - *want).abs() > 3.0 * p.time_u_s).count();
        }
        assert!(told >= 30, "{steps_high} steps, noise {noise_steps}: {told} of 60 records show pulses");
        assert!(far <= 3, "{steps_high} steps, noise {noise_steps}: {far} beyond three times their uncertainty");
    }
}

/// Spikes that hardly stand out of the noise of single samples, and noise alone.
#[test]
fn spikes_in_noise_are_found_by_their_width() {
    let mut random = Random::new(78);
    for share in [0.04, 0.06, 0.07, 0.08, 0.1, 0.15, 0.2] {
        let (mut levels, mut times) = (Coverage::default(), 0);
        for _ in 0..60 {
            let t = train(&mut random, 4, 0.0, &[]);
            let trace = spike(&t, 2.6 / RATE_HZ, 5000, 0.01 * share, &mut random);
            let p = pulses_in(&trace, SignalForm::Spike).unwrap();
            let whole = |at: &f64| *at > 2e-3 && *at < 2.6 / RATE_HZ - 2e-3;
            let want: Vec<f64> = t.times.iter().copied().filter(whole).collect();
            let seen: Vec<f64> = p.times_s.iter().copied().filter(whole).collect();
            assert_eq!(seen.len(), want.len(), "noise {share}: {seen:?} for {want:?}");
            times += seen.iter().zip(&want).filter(|(seen, want)| (*seen - *want).abs() > 3.0 * p.time_u_s).count();
            levels.add(&p.level, 0.018);
            assert!((p.level.value / 0.018 - 1.0).abs() < 0.12, "noise {share}: {:?}", p.level);
        }
        assert!(times <= 3, "noise {share}: {times} beyond three times their uncertainty");
        levels.check("level of spikes in noise", 0.9, 1.0);
        let none = spike(&Train { times: Vec::new(), high_s: 0.02 }, 2.6 / RATE_HZ, 5000, 0.01 * share, &mut random);
        assert!(matches!(pulses_in(&none, SignalForm::Spike), Err(MeasureError::InNoise { .. })));
    }
}

/// A frame at the rate that RF beside it needs: a million samples, as well timed as a few thousand.
#[test]
fn spikes_beside_rf_are_found_in_a_million_samples() {
    let mut random = Random::new(79);
    let t = Train { times: vec![0.0101], high_s: 0.6 / RATE_HZ };
    let p = pulses_in(&spike(&t, 1.1 / RATE_HZ, 1_000_000, 0.004, &mut random), SignalForm::Spike).unwrap();
    assert_eq!(p.times_s.len(), 1, "{:?}", p.times_s);
    assert!((p.times_s[0] - 0.0101).abs() < 3.0 * p.time_u_s && p.time_u_s < 10e-6, "{p:?}");
    assert!((p.level.value / 0.018 - 1.0).abs() < 0.03, "{:?}", p.level);
}

#[test]
fn pairs_keep_narrow_spikes_and_time_them_to_a_bin() {
    let mut random = Random::new(8);
    let t = train(&mut random, 30, 0.0, &[]);
    let fine = spike(&t, 30.0 / RATE_HZ, 60_000, 0.0005, &mut random);
    let bin = 60;
    let side = |pick: fn(f32, f32) -> f32| {
        fine.volts().chunks_exact(bin).map(|c| c.iter().copied().reduce(pick).unwrap()).collect()
    };
    let dt = fine.dt_s() * bin as f64;
    let pairs = PairTrace::from_volts(0.5 * dt, dt, side(f32::min), side(f32::max)).unwrap();
    let p = pulses_in_pairs(&pairs, SignalForm::Spike).unwrap();
    check_counts(&p, 30, 0);
    let rate = p.rate(RATE_HZ, 0.0).unwrap();
    assert!(rate.interval.low <= RATE_HZ && RATE_HZ <= rate.interval.high, "{rate:?}");
    let squares = square(&t, 30.0 / RATE_HZ, 60_000, 0.02, &mut random);
    let side = |pick: fn(f32, f32) -> f32| {
        squares.volts().chunks_exact(bin).map(|c| c.iter().copied().reduce(pick).unwrap()).collect()
    };
    let pairs = PairTrace::from_volts(0.5 * dt, dt, side(f32::min), side(f32::max)).unwrap();
    let p = pulses_in_pairs(&pairs, SignalForm::Square).unwrap();
    check_counts(&p, 30, 0);
    for (found, true_s) in p.times_s.iter().zip(&t.times) {
        assert!((found - true_s).abs() <= 0.5001 * dt, "{found} {true_s} {dt}");
    }
}

#[test]
fn noise_alone_is_never_a_pulse() {
    for seed in 0..200 {
        let mut random = Random::new(7000 + seed);
        let noise: Vec<f32> = (0..2500).map(|_| (0.01 * random.normal()) as f32).collect();
        let t = Trace::from_volts(0.0, 1e-4, noise).unwrap();
        for form in [SignalForm::Square, SignalForm::Spike] {
            let got = pulses_in(&t, form);
            assert!(matches!(got, Err(MeasureError::InNoise { .. })), "seed {seed}: {got:?}");
        }
    }
    // Hum is no square either.
    let hum = (0..2500).map(|i| (0.02 * (f64::from(i) * 0.031).sin()) as f32).collect();
    assert!(pulses_in(&Trace::from_volts(0.0, 1e-4, hum).unwrap(), SignalForm::Square).is_err());
    let still = Trace::from_volts(0.0, 1e-4, vec![1.0; 2500]).unwrap();
    assert!(pulses_in(&still, SignalForm::Square).is_err() && pulses_in(&still, SignalForm::Spike).is_err());
}

#[test]
fn delay_to_the_head_switch_covers_and_wraps() {
    let frame = 1.0 / RATE_HZ;
    for want in [2.1e-3, 0.02e-3] {
        let mut coverage = Coverage::default();
        for seed in 0..300 {
            let mut random = Random::new(300 + seed);
            let pulses: Vec<f64> = (0..12).map(|n| f64::from(n) * frame - want + 0.05e-3 * random.normal()).collect();
            let delays = delays_to_switch(&pulses, &[5.0 * frame], frame).unwrap();
            let e = mean_delay(&delays, frame, 0.0).unwrap();
            // Near 0 the delay wraps to a frame: compare modulo the frame.
            let mut away = e.clone();
            let turn = e.value - ((e.value - want + 0.5 * frame).rem_euclid(frame) - 0.5 * frame + want);
            for v in [&mut away.value, &mut away.interval.low, &mut away.interval.high] {
                *v -= turn;
            }
            coverage.add(&away, want);
        }
        coverage.check("delay", 0.925, 0.99);
    }
    let mut random = Random::new(2);
    let loose: Vec<f64> = (0..40).map(|_| random.uniform() * frame).collect();
    assert!(matches!(mean_delay(&loose, frame, 0.0), Err(MeasureError::NotSteady { .. })));
}

#[test]
fn head_switch_edges_cut_scans() {
    let mut random = Random::new(1);
    let field = 1.0 / LineStandard::L625.field_rate_hz();
    let volts = (0..10_000)
        .map(
            |i| if ((f64::from(i) * 1e-5 / field) as u32).is_multiple_of(2) { 5.0 } else { 0.0 } + (0.05 * random.normal()) as f32,
        )
        .collect();
    let t = Trace::from_volts(0.0, 1e-5, volts).unwrap();
    let states = state_levels(&t).unwrap();
    assert!((states.high_v - 5.0).abs() < 0.01 && states.low_v.abs() < 0.01, "{states:?}");
    let found = edges(&t, &states).unwrap();
    assert_eq!(
        found.iter().map(|e| e.polarity).collect::<Vec<_>>(),
        [Polarity::Falling, Polarity::Rising, Polarity::Falling, Polarity::Rising]
    );
    for (n, e) in found.iter().enumerate() {
        assert!((e.time_s - (n + 1) as f64 * field).abs() <= e.half_width_s + 1e-6, "{e:?}");
    }
    assert_eq!(cut_at_head_switch(&found, true, LineStandard::L625).len(), 3);
}

/// IEEE 181's definitions on a ramp that is sampled finely: the mid crossing is interpolated.
#[test]
fn a_sampled_transition_is_interpolated() {
    let volts = (0..1000).map(|i| ((f64::from(i) - 500.3) / 40.0).clamp(-0.5, 0.5) as f32).collect();
    let t = Trace::from_volts(0.0, 1.0, volts).unwrap();
    let found = edges(&t, &state_levels(&t).unwrap()).unwrap();
    assert_eq!(found.len(), 1);
    assert!((found[0].time_s - 500.3).abs() < 1e-3 && found[0].half_width_s == 0.0, "{found:?}");
}

/// Level of square pulses in pairs: the gain of the channel is off, and the interval says so.
#[test]
fn the_level_in_pairs_holds_the_gain() {
    let (gain_u, dt_s) = (0.02, 1e-3);
    let converter = Converter {
        gain_v: 0.04,
        offset_v: 0.0,
        code_low: -128,
        code_high: 127,
        gain_uncertainty: gain_u,
        offset_uncertainty_v: 0.0,
    };
    // 40 ms periods, high for 24 ms: 5 V are 125 codes.
    let codes: Vec<i16> = (0..400).flat_map(|n| if n % 40 < 24 { [125, 125] } else { [0, 0] }).collect();
    let pairs = PairTrace::from_codes(0.0, dt_s, &codes, &converter).unwrap();
    let level = pulses_in_pairs(&pairs, SignalForm::Square).unwrap().level;
    assert!((level.value - 5.0).abs() < 0.05, "{level:?}");
    assert!(level.standard_uncertainty >= 5.0 * gain_u * 0.99, "{level:?}");
    // A specification is never passed: 1.65 deviations hold 95 in 100, not 1.96.
    let half = 0.5 * (level.interval.high - level.interval.low) / level.standard_uncertainty;
    assert!((1.6..1.8).contains(&half), "{half}");
}

/// Pulses without any noise or jitter: the jitter may be nothing, but is not known to be.
#[test]
fn jitter_of_a_perfect_signal_is_a_bound() {
    // Transitions over five samples, a whole number of samples apart.
    let dt_s = 1e-4;
    let volts: Vec<f32> = (0..4000)
        .map(|n| {
            let at = n % 400;
            if at < 5 {
                at as f32
            } else if at < 240 {
                5.0
            } else if at < 245 {
                5.0 - (at - 240) as f32
            } else {
                0.0
            }
        })
        .collect();
    let trace = Trace::from_volts(0.0, dt_s, volts).unwrap();
    let pulses = pulses_in(&trace, SignalForm::Square).unwrap();
    let jitter = pulses.period_jitter(25.0).unwrap();
    assert!(jitter.value < 1e-6 && jitter.interval.low == 0.0, "{jitter:?}");
    assert!(jitter.interval.high > 0.05 * dt_s, "{jitter:?}");
}

/// Level of pulses of 4.4 V that stand on something slow, which the interval must hold and whose value lies within a share of it.
fn level_on(what: &str, beside: impl Fn(f64) -> f64) {
    let mut random = Random::new(11);
    let mut held = 0;
    for _ in 0..40 {
        let t = train(&mut random, 8, 5e-6, &[]);
        // Noise spreads over the steps of the converter, which the sum is no longer said to have.
        let bare = square(&t, 0.2, 2500, 0.04, &mut random);
        let volts = bare.volts().iter().enumerate().map(|(i, v)| v + beside(i as f64 * bare.dt_s()) as f32).collect();
        let trace = Trace::from_volts(0.0, bare.dt_s(), volts).unwrap();
        let level = pulses_in(&trace, SignalForm::Square).unwrap().level;
        assert!((level.value / 4.4 - 1.0).abs() < 0.02, "{what}: {level:?}");
        held += u32::from(level.interval.low <= 4.4 && 4.4 <= level.interval.high);
    }
    assert!(held >= 37, "{what}: {held} of 40");
}

#[test]
fn pulses_that_stand_on_hum_keep_their_level() {
    let hum = |hz: f64, pp_v: f64| move |t: f64| 0.5 * pp_v * (core::f64::consts::TAU * hz * t + 0.3).sin();
    level_on("nothing", |_| 0.0);
    for (hz, pp_v) in [(50.0, 0.2), (60.0, 0.5), (60.0, 1.0), (120.0, 0.3), (100.0, 0.3)] {
        level_on(&format!("{pp_v} V of {hz} Hz"), hum(hz, pp_v));
    }
    level_on("a base line that drifts", |t| 0.5 - 2.0 * t);
}
