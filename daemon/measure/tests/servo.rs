//! Phase records and tracking curves made here from formulas.

mod synth;

use synth::Random;
use tapewright_measure::servo::{Look, Manner, Nominal, PhaseRecord, Turns};
use tapewright_measure::tracking::{Step, tracking_centre};
use tapewright_measure::{Estimate, MeasureError};

const TURN_S: f64 = 0.04;
const TURNS: Turns = Turns { period_s: TURN_S, nominal: Nominal::Drum, train_triggers: false };

/// Looks at even-ish times at a phase that is known, folded to the nearest edge of a train that walks with this slope.
fn looks(
    (course, slope): (impl Fn(f64) -> f64, f64),
    jitter_s: f64,
    gap_s: f64,
    count: usize,
    random: &mut Random,
) -> Vec<Look> {
    (0..count)
        .map(|i| {
            // A look begins at a turn of the drum.
            let at_s = ((i as f64 * gap_s + 0.3 * gap_s * random.uniform()) / TURN_S).round() * TURN_S;
            let period_s = TURN_S * (1.0 - slope);
            let phase = course(at_s) + jitter_s * random.normal();
            Look {
                at_s,
                at_u_s: 2e-3,
                phase_s: (phase + period_s / 2.0).rem_euclid(period_s) - period_s / 2.0,
                phase_u_s: 1e-6,
            }
        })
        .collect()
}

fn covers(e: &Estimate, truth: f64) -> bool {
    (e.interval.low..=e.interval.high).contains(&truth)
}

/// A swing of a twentieth of a sample about the border of two samples is seen as one of a whole step: it may be next to nothing.
#[test]
fn steps_of_sampling_are_no_sure_swing() {
    let step_s = 5e-6;
    let swing_s = 0.05 * step_s;
    let course = |t: f64| 5e-3 + 0.5 * step_s + swing_s * (core::f64::consts::TAU * t / 7.0).sin();
    let mut seen = looks((course, 0.0), 0.0, 0.3, 80, &mut Random::new(5));
    for look in &mut seen {
        look.phase_s = (look.phase_s / step_s).round() * step_s;
        look.phase_u_s = step_s / 12.0_f64.sqrt();
    }
    let record = PhaseRecord::new(&seen, TURNS).unwrap();
    let swing = record.swing().unwrap();
    assert!(record.is_slow() && covers(&swing, swing_s), "{swing:?}");
}

#[test]
fn walking_hunting_and_jitter_are_told_apart_at_any_pace_of_looks() {
    let mut random = Random::new(1);
    type Case = (&'static str, (fn(f64) -> f64, f64), f64, Manner);
    let cases: [Case; 5] = [
        ("stands", (|_| 5e-3, 0.0), 5e-6, Manner::Stands),
        ("jitters", (|_| 5e-3, 0.0), 8e-4, Manner::Stands),
        ("walks", (|t| 5e-3 + 0.007 * t, 0.007), 5e-6, Manner::Walks),
        ("walks backwards with jitter", (|t| -0.012 * t, -0.012), 2e-4, Manner::Walks),
        ("hunts", (|t| 5e-3 + 4e-3 * (core::f64::consts::TAU * t / 5.0).sin(), 0.0), 1e-4, Manner::Hunts),
    ];
    for (name, course, jitter_s, manner) in cases {
        for (gap_s, count) in [(0.08, 300), (0.3, 80), (1.1, 60)] {
            // A sine of 5 s at looks of more than a second is aliased: it is not asked for.
            if manner == Manner::Hunts && gap_s > 1.0 {
                continue;
            }
            let record = PhaseRecord::new(&looks(course, jitter_s, gap_s, count, &mut random), TURNS)
                .unwrap_or_else(|error| panic!("{name} at {gap_s} s: {error}"));
            assert_eq!(record.manner(8e-4).unwrap(), manner, "{name} at {gap_s} s: {:?}", record.line);
        }
    }
}

#[test]
fn slopes_jitter_and_swing_are_covered() {
    const TRIALS: usize = 100;
    let mut random = Random::new(2);
    let (mut slope, mut jitter, mut swing) = (0, 0, 0);
    for _ in 0..TRIALS {
        let (s, sigma) = (0.02 * (random.uniform() - 0.5), 1e-4 * random.uniform());
        let record = PhaseRecord::new(&looks((|t: f64| 0.004 + s * t, s), sigma, 0.3, 60, &mut random), TURNS).unwrap();
        slope += usize::from(covers(&record.drift().unwrap(), s));
        jitter += usize::from(covers(&record.jitter().unwrap(), sigma));
        let amplitude = 1e-3 + 4e-3 * random.uniform();
        let course = |t: f64| 0.01 + amplitude * (core::f64::consts::TAU * t / 4.0).sin();
        let record = PhaseRecord::new(&looks((course, 0.0), 2e-5, 0.15, 160, &mut random), TURNS).unwrap();
        swing += usize::from(covers(&record.swing().unwrap(), amplitude));
    }
    for (what, count) in [("slope", slope), ("jitter", jitter), ("swing", swing)] {
        // All but a thousandth of binomial counts of 95 in 100 lie at 87 or more.
        assert!(count >= 87, "{what}: {count} of {TRIALS}");
    }
}

#[test]
fn the_time_to_lock_lies_between_two_looks_or_before_the_first() {
    let mut random = Random::new(4);
    // From the first look on: when the phase came to stand; `took_s` before it the key was pressed.
    for (locked_s, took_s, jitter_s) in [(6.2, 1.5, 1e-5), (9.1, 0.4, 1e-4), (-1.0, 1.7, 1e-5)] {
        let course = |t: f64| if t < locked_s { 9e-3 } else { 5e-3 };
        let seen = looks((course, 0.0), jitter_s, 0.3, 120, &mut random);
        let time = PhaseRecord::new(&seen, TURNS).unwrap().lock_time(&seen, took_s).unwrap();
        let truth = (took_s + locked_s - seen[0].at_s).max(0.0);
        assert!(covers(&time, truth), "{truth}: {time:?}");
        let (low, high) = (time.interval.low, time.interval.high);
        assert!((time.value - 0.5 * (low + high)).abs() < 1e-9, "{time:?}");
        // One gap of the looks and its unevenness, or all from the key on.
        assert!(high - low < if locked_s > 0.0 { 0.5 } else { took_s + 1e-9 }, "{time:?}");
    }
}

#[test]
fn looks_that_cannot_tell_how_often_the_phase_went_round_are_refused() {
    let mut random = Random::new(3);
    // Evenly every 25 turns: a slope of a 25th of a turn a turn looks like none.
    let even: Vec<Look> = (0..40)
        .map(|i| Look { at_s: f64::from(i), at_u_s: 1e-3, phase_s: 1e-3 + 1e-6 * random.normal(), phase_u_s: 1e-6 })
        .collect();
    assert!(matches!(PhaseRecord::new(&even, TURNS), Err(MeasureError::NotSteady { .. })));
    assert!(PhaseRecord::new(&even[..5], TURNS).is_err());
    let noise: Vec<Look> = (0..40)
        .map(|i| Look {
            at_s: 1.37 * f64::from(i),
            at_u_s: 1e-3,
            phase_s: TURN_S * (random.uniform() - 0.5),
            phase_u_s: 1e-6,
        })
        .collect();
    assert!(matches!(PhaseRecord::new(&noise, TURNS), Err(MeasureError::NotSteady { .. })));
}

/// Overlap of a head and its track: level `1 - |d| / P` beyond the spare width (a first-order model; -2.50 dB at a
/// quarter of a pitch, -6.02 dB at half).
#[test]
fn the_centre_of_an_ideal_overlap_is_found_and_covered() {
    let level = |pitches: f64, spare: f64| 1.0 - (pitches.abs() - spare).max(0.0);
    assert!(
        (20.0 * level(0.25, 0.0).log10() + 2.50).abs() < 0.01 && (20.0 * level(0.5, 0.0).log10() + 6.02).abs() < 0.01
    );
    let mut random = Random::new(4);
    let field_s = 1.001 / 60.0;
    let (mut centre, mut even) = (0, 0);
    for _ in 0..200 {
        let (c, spare) = (0.4 * (random.uniform() - 0.5), 0.2 * random.uniform());
        let noise = 0.01 * random.uniform();
        let steps: Vec<Step> = (0..9)
            .map(|i| {
                let at = -0.7 + 1.4 * f64::from(i) / 8.0 + 0.05 * (random.uniform() - 0.5);
                Step {
                    delay_s: at * field_s,
                    delay_u_s: 2e-5,
                    level_v: level(at - c, spare) + noise * random.normal(),
                    level_u_v: noise,
                }
            })
            .collect();
        let fit = tracking_centre(&steps).unwrap();
        centre += usize::from(covers(&fit.centre, c * field_s));
        even += fit.evenness.as_ref().map_or(1, |e| usize::from(covers(e, 1.0)));
        assert!((fit.centre.value - c * field_s).abs() < 0.05 * field_s, "{c}: {fit:?}");
    }
    assert!(centre >= 179, "{centre} of 200 intervals hold the centre");
    assert!(even >= 179, "{even} of 200 intervals hold evenness");
    // Unlike sides are seen.
    let bent: Vec<Step> = (0..9)
        .map(|i| {
            let at = -0.6 + 1.2 * f64::from(i) / 8.0;
            let fall = if at > 0.0 { 1.0 } else { 0.3 };
            Step { delay_s: at * field_s, delay_u_s: 1e-6, level_v: 1.0 - fall * at.abs(), level_u_v: 1e-3 }
        })
        .collect();
    let fit = tracking_centre(&bent).unwrap();
    assert!(fit.evenness.unwrap().value > 1.8);
    // A level that only rises has no centre.
    let rising: Vec<Step> = (0..9)
        .map(|i| Step { delay_s: f64::from(i), delay_u_s: 0.0, level_v: 1.0 + f64::from(i), level_u_v: 0.0 })
        .collect();
    assert!(matches!(tracking_centre(&rising), Err(MeasureError::NotSteady { .. })));
}
