//! Slip, hunting and steadiness on level records with known truth.

mod synth;

use synth::{Coverage, Random};
use tapewright_measure::colour::ColourPart;
use tapewright_measure::record::{LevelRecord, level_from_pairs};
use tapewright_measure::slip::{Course, course_of};
use tapewright_measure::steadiness::{demand_steady, frame_to_frame_change};
use tapewright_measure::{MeasureError, PairTrace, ScanLevels};

const FRAME_HZ: f64 = 30_000.0 / 1001.0;

/// Overlap of a head a quarter wider than its track, against its place in frames of tape: floor at the
/// wrong azimuth.
fn overlap(place: f64) -> f64 {
    let away = (place - place.round()).abs() * 2.0;
    (1.125 - away).clamp(0.06, 1.0)
}

fn record(seconds: f64, noise: f64, random: &mut Random, mut place: impl FnMut(f64) -> f64) -> LevelRecord {
    let points = (seconds * FRAME_HZ) as usize;
    let level_v = (0..points).map(|n| 0.4 * overlap(place(n as f64 / FRAME_HZ)) + noise * random.normal()).collect();
    LevelRecord { t0_s: 0.0, dt_s: 1.0 / FRAME_HZ, level_v, frame_rate_hz: FRAME_HZ, bins_v: 0.0 }
}

#[test]
fn frequency_of_steady_slip_covers() {
    let mut coverage = Coverage::default();
    for seed in 0..300 {
        let mut random = Random::new(seed);
        let hz = 0.15 + 0.5 * random.uniform();
        let start = random.uniform();
        let r = record(25.0, 0.02, &mut random, |t| start + hz * t);
        match course_of(&r).unwrap().course {
            Course::Slip { frequency, speed_error, .. } => {
                assert!((speed_error.value - 100.0 * frequency.value / FRAME_HZ).abs() < 1e-9);
                let mut e = frequency.clone();
                for v in [&mut e.value, &mut e.interval.low, &mut e.interval.high] {
                    *v -= hz;
                }
                coverage.add(&e, 0.0);
            }
            other => panic!("seed {seed}, {hz} Hz: {other:?}"),
        }
    }
    coverage.check("slip frequency", 0.93, 1.0);
}

/// The speed wanders about its mean: the quantity is the mean over the record.
#[test]
fn frequency_of_wandering_slip_covers() {
    let mut coverage = Coverage::default();
    let mut slips = 0;
    for seed in 0..200 {
        let mut random = Random::new(5000 + seed);
        let hz = 0.3 + 0.3 * random.uniform();
        let (start, wobble) = (random.uniform(), random.uniform());
        let place = |t: f64| start + hz * t + 0.06 * (core::f64::consts::TAU * (0.07 * t + wobble)).sin();
        let truth = (place(25.0) - place(0.0)) / 25.0;
        let r = record(25.0, 0.02, &mut random, place);
        if let Course::Slip { frequency, .. } = course_of(&r).unwrap().course {
            slips += 1;
            let mut e = frequency.clone();
            for v in [&mut e.value, &mut e.interval.low, &mut e.interval.high] {
                *v -= truth;
            }
            coverage.add(&e, 0.0);
        }
    }
    assert!(slips > 150, "{slips}");
    coverage.check("wandering slip frequency", 0.90, 1.0);
}

#[test]
fn what_is_no_slip_is_not_called_so() {
    for seed in 0..40 {
        let mut random = Random::new(80 + seed);
        let still = course_of(&record(25.0, 0.02, &mut random, |_| 0.05)).unwrap();
        assert_eq!(still.course, Course::Steady, "{still:?}");
        let slow = course_of(&record(25.0, 0.02, &mut random, |t| 0.1 + 0.03 * t)).unwrap();
        match slow.course {
            Course::Slow { at_most_hz, .. } => assert!((0.03..=0.081).contains(&at_most_hz)),
            other => panic!("seed {seed}: {other:?}"),
        }
        // Hunting: a walk that turns about at random.
        let (mut place, mut speed) = (0.0, 0.0);
        let mut steps = Random::new(seed);
        let hunts = course_of(&record(40.0, 0.02, &mut random, |_| {
            speed = 0.98 * speed + 0.006 * steps.normal();
            place += speed;
            place
        }))
        .unwrap();
        assert!(!matches!(hunts.course, Course::Slip { .. }) || hunts.regularity < 0.9, "seed {seed}: {hunts:?}");
    }
}

/// A slow record of pairs, bins of 7 ms: both heads by turns, head B weaker; the slip comes through.
#[test]
fn slip_from_a_slow_record_of_pairs() {
    let mut random = Random::new(3);
    let (bin, hz) = (7e-3, 0.37);
    let n = 2500;
    let (mut least, mut greatest) = (Vec::new(), Vec::new());
    for i in 0..n {
        let t = (f64::from(i) + 0.5) * bin;
        let head = if ((t * 2.0 * FRAME_HZ) as u64).is_multiple_of(2) { 1.0 } else { 0.7 };
        let level = 0.4 * head * overlap(hz * t);
        let noise = || 0.03 + 0.004;
        greatest.push((level + noise() + 0.003 * random.normal()) as f32);
        least.push((-level - noise() + 0.003 * random.normal()) as f32);
    }
    let pairs = PairTrace::from_volts(0.5 * bin, bin, least, greatest).unwrap();
    let quiet: Vec<f32> = (0..400).map(|_| (0.038 + 0.003 * random.normal()) as f32).collect();
    let quiet = PairTrace::from_volts(0.0, bin, quiet.iter().map(|v| -v).collect(), quiet).unwrap();
    let noise = tapewright_measure::peaks::PeakNoise::from_quiet(&quiet, 20e6).unwrap();
    let r = level_from_pairs(&pairs, &noise, &synth::CARRIER, FRAME_HZ).unwrap();
    let report = course_of(&r).unwrap();
    match report.course {
        Course::Slip { frequency, .. } => assert!((frequency.value - hz).abs() < 0.003, "{frequency:?}"),
        other => panic!("{other:?}"),
    }
    assert!(report.regularity > 0.9 && report.swing > 0.8);
}

fn frames(random: &mut Random, count: usize, change: f64, noise: f64) -> Vec<ScanLevels> {
    (0..count)
        .map(|_| {
            let common = 1.0 + change * random.normal();
            ScanLevels {
                level_v: core::array::from_fn(|_| 0.5 * common + noise * random.normal()),
                random_v: [noise; 20],
                shared: Vec::new(),
                common: Vec::new(),
                of_head: Vec::new(),
                shape_u: 0.0,
                colour: ColourPart::None,
                noise_v: 0.01,
                frame_u: 0.0,
            }
        })
        .collect()
}

#[test]
fn change_from_frame_to_frame_covers_and_modulation_too() {
    let (mut change, mut modulation) = (Coverage::default(), Coverage::default());
    for seed in 0..400 {
        let mut random = Random::new(seed);
        let f = frames(&mut random, 8, 0.05, 0.01);
        change.add(&frame_to_frame_change(&f).unwrap().change, 0.05);
        modulation.add(&tapewright_measure::curve::modulation(&f).unwrap(), 0.05);
    }
    change.check("change", 0.93, 0.985);
    modulation.check("modulation", 0.93, 0.985);
    let mut random = Random::new(1);
    let steady = demand_steady(&frames(&mut random, 8, 0.0, 0.01), 0.1).unwrap();
    assert!(steady.change.value < 0.01 && steady.by_noise_alone > 1e-3, "{steady:?}");
    let walking = demand_steady(&frames(&mut random, 8, 0.4, 0.01), 0.1);
    assert!(matches!(walking, Err(MeasureError::NotSteady { .. })), "{walking:?}");
}
