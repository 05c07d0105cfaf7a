//! Ripple of made-up rails.

use super::find::periodic;
use super::*;

fn rail(rate: f64, count: usize, mains_v: f64, switching_v: f64) -> Trace {
    let volts = (0..count).map(|i| {
        let t = i as f64 / rate;
        let wave = |hz: f64| {
            let x = core::f64::consts::TAU * hz * t;
            (x + 0.3).cos() + 0.3 * (2.0 * x).cos()
        };
        let noise = (((i * 7919) % 1009) as f64 / 1009.0 - 0.5) * 2e-3;
        (12.0 + 0.1 * t + mains_v * wave(120.3) + switching_v * wave(71_900.0) + noise) as f32
    });
    Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
}

#[test]
fn the_part_is_found_with_its_size_whatever_the_cycles() {
    let (first, second) = (rail(12_500.0, 2500, 0.05, 0.0), rail(10_700.0, 2300, 0.05, 0.0));
    let found = ripple(&first, &second, (30.0, 2000.0), 5e-5).unwrap();
    let part = found.parts.first().unwrap();
    assert!((part.hz.value - 120.3).abs() < 0.1, "{part:?}");
    let shape = |x: f64| (x + 0.3_f64).cos() + 0.3 * (2.0 * x).cos();
    let looks = (0..5000).map(|k| shape(core::f64::consts::TAU * f64::from(k) / 5000.0));
    let (low, high) = looks.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    assert!((part.peak_to_peak_v.value / (0.05 * (high - low)) - 1.0).abs() < 0.02, "{part:?}");
    assert!((part.rms_v.value / (0.05 * (0.5 * 1.09_f64).sqrt()) - 1.0).abs() < 0.02, "{part:?}");
    assert!((found.mean_v.value - 12.01).abs() < 2e-3, "{:?}", found.mean_v);
}

/// The second harmonic draws the frequency of a sine fitted alone to either side, by its phase.
#[test]
fn the_frequency_of_a_wave_with_harmonics_is_held() {
    let (rate, hz, noise_v) = (10e3, 60.0, 1e-3);
    let mut noise = crate::extremes::Noise::new(31);
    let mut record = |start: f64, count: u32| {
        let volts = (0..count).map(|i| {
            let x = core::f64::consts::TAU * hz * f64::from(i) / rate + start;
            (9.0 + 0.1 * x.cos() + 0.03 * (2.0 * x + 0.2).cos() + noise_v * noise.normal()) as f32
        });
        Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
    };
    let trials = 100;
    let covered = (0..trials)
        .filter(|k| {
            let start = core::f64::consts::TAU * f64::from(*k) / f64::from(trials);
            let hz_seen = periodic(&record(start, 2000), hz + 1.0).and_then(|(fit, error)| {
                let noise = Contribution::type_a("noise", error, fit.degrees_of_freedom);
                Estimate::combined(fit.tones[0].hz, vec![noise])
            });
            let hz_seen = hz_seen.unwrap();
            assert!(hz_seen.standard_uncertainty < 2e-3, "{hz_seen:?}");
            (hz_seen.interval.low..=hz_seen.interval.high).contains(&hz)
        })
        .count();
    assert!((90..=99).contains(&covered), "{covered} of {trials}");
}

#[test]
fn an_alias_of_the_switching_is_not_taken_for_mains() {
    let (first, second) = (rail(12_500.0, 2500, 0.0, 0.05), rail(10_700.0, 2300, 0.0, 0.05));
    let found = ripple(&first, &second, (30.0, 2000.0), 5e-5).unwrap();
    assert!(found.parts.is_empty(), "{found:?}");
    let (first, second) = (rail(2e6, 2500, 0.0, 0.05), rail(1.7e6, 2300, 0.0, 0.05));
    let fast = ripple(&first, &second, (5000.0, 500e3), 5e-5).unwrap().parts.remove(0);
    assert!((fast.hz.value - 71_900.0).abs() < 20.0, "{fast:?}");
    let (first, second) = (rail(12_500.0, 2500, 0.0, 0.0), rail(10_700.0, 2300, 0.0, 0.0));
    assert!(ripple(&first, &second, (30.0, 2000.0), 5e-5).unwrap().parts.is_empty());
    assert!(ripple(&first, &second, (30.0, 6000.0), 5e-5).is_err());
    assert!(ripple(&first, &second, (1.0, 2000.0), 5e-5).is_err());
}

/// Of each rail: sines of amplitude and frequency on noise, in records of 2,500 points over two spans.
fn sines(all: &[(f64, f64)], noise_v: f64, spans_s: [f64; 2], band: (f64, f64)) -> Ripple {
    recorded(all, noise_v, spans_s.map(|span_s| (span_s, 2500)), band)
}

/// The same in records of so many points.
fn recorded(all: &[(f64, f64)], noise_v: f64, plan: [(f64, u32); 2], band: (f64, f64)) -> Ripple {
    let mut noise = crate::extremes::Noise::new(5);
    let [first, second] = plan.map(|(span_s, points)| {
        let dt_s = span_s / f64::from(points);
        let volts = (0..points).map(|i| {
            let turn = core::f64::consts::TAU * (f64::from(i) * dt_s + 3.0 * span_s);
            let wave: f64 = all.iter().map(|(v, hz)| v * (turn * hz).cos()).sum();
            (12.0 + wave + noise_v * noise.normal()) as f32
        });
        Trace::from_volts(0.0, dt_s, volts.collect()).unwrap()
    });
    ripple(&first, &second, band, 5e-5).unwrap()
}

const SLOW: ([f64; 2], (f64, f64)) = ([0.2, 0.25], (24.0, 1500.0));

#[test]
fn a_line_outside_the_band_stands_beside() {
    // Above the band, below it, and beyond the rate.
    for hz in [3e3, 9.0, 803_210.0] {
        let found = sines(&[(0.5, hz)], 1e-3, SLOW.0, SLOW.1);
        assert!(found.parts.is_empty(), "{hz}: {found:?}");
        let beside_v = found.beside_v(&[], 0.0);
        assert!((0.97..1.2).contains(&beside_v), "{hz}: {beside_v}");
    }
    for seed_hz in [50.0, 60.0, 119.9] {
        let quiet = sines(&[(0.05, seed_hz), (0.015, 2.0 * seed_hz)], 1e-3, SLOW.0, SLOW.1);
        assert_eq!((quiet.parts.len(), quiet.beside_v(&[], 0.0)), (1, 0.0), "{quiet:?}");
    }
}

#[test]
fn an_alias_of_a_known_part_stands_beside_nothing_and_only_it() {
    let fast = sines(&[(0.05, 71.3e3), (0.006, 213.9e3)], 1e-3, [1e-3, 1.25e-3], (5e3, 500e3));
    assert_eq!(fast.parts.len(), 1, "{fast:?}");
    let slow = sines(&[(0.05, 71.3e3), (0.006, 213.9e3)], 1e-3, SLOW.0, SLOW.1);
    assert!(slow.beside_v(&[], 0.0) > 0.1, "{slow:?}");
    assert!(slow.beside_v(&fast.parts, 0.0) < 1e-3, "{slow:?}");
    let more = sines(&[(0.05, 71.3e3), (0.006, 213.9e3), (0.02, 3e3)], 1e-3, SLOW.0, SLOW.1);
    let beside_v = more.beside_v(&fast.parts, 0.0);
    assert!((0.038..0.043).contains(&beside_v), "{beside_v}");
    // At both rates 75.53 kHz lies at 530 Hz.
    let fast = sines(&[(0.05, 75.53e3)], 1e-3, [1e-3, 1.25e-3], (5e3, 500e3));
    let mut slow = sines(&[(0.05, 75.53e3), (0.03, 120.0)], 1e-3, [0.2, 0.5], SLOW.1);
    assert_eq!(slow.parts.len(), 2, "{slow:?}");
    assert_eq!(slow.without_aliases(&fast.parts), 0.0);
    assert!(slow.parts.len() == 1 && (slow.parts[0].hz.value - 120.0).abs() < 0.1, "{slow:?}");
    // A real line upon the alias: what stands there is neither, and may be as much as both.
    let mut both = sines(&[(0.05, 75.53e3), (0.04, 530.4)], 1e-3, [0.2, 0.5], SLOW.1);
    let (seen, hidden_v) = (both.parts.len(), both.without_aliases(&fast.parts));
    assert!(seen > 0 && both.parts.is_empty() && hidden_v > 0.08, "{seen}, {hidden_v}: {both:?}");
    // The alias may lie where a real line has its harmonic, too, and then is taken for that.
    let fast = sines(&[(0.3, 100_721.6)], 1e-3, [1e-3, 1.25e-3], (5e3, 500e3));
    let mut both = sines(&[(0.3, 100_721.6), (0.075, 120.26)], 1e-3, [0.2, 0.5], SLOW.1);
    let (seen, hidden_v) = (both.parts.clone(), both.without_aliases(&fast.parts));
    assert!(seen.iter().any(|part| part.peak_to_peak_v.value > 0.5), "{seen:?}");
    assert!(both.parts.is_empty() && hidden_v > 1.0, "{hidden_v}: {both:?}");
}

/// Two unrelated parts hold in their intervals what each is, with the other there.
#[test]
fn a_second_part_is_fitted_beside_the_first() {
    for (spans_s, band, [a, b]) in [(SLOW.0, SLOW.1, [120.0, 1050.0]), ([1e-3, 1.25e-3], (5e3, 500e3), [41e3, 71.3e3])]
    {
        let found = sines(&[(0.045, a), (0.025, b)], 1e-3, spans_s, band);
        assert_eq!(found.parts.len(), 2, "{found:?}");
        for (part, (v, hz)) in found.parts.iter().zip([(0.09, a), (0.05, b)]) {
            assert!((part.peak_to_peak_v.value - v).abs() < 3e-4, "{part:?}");
            assert!((part.hz.value / hz - 1.0).abs() < 1e-3, "{part:?}");
            assert!(part.peak_to_peak_v.standard_uncertainty < 2e-4, "{part:?}");
        }
        assert!(found.beside_v(&[], 0.0) < 1e-9, "{found:?}");
    }
}

/// The alias of a converter that at one rate lies upon a harmonic of the mains' ripple, or so near that a fit of the part would take it
/// in, is none of it; where the harmonic is there as well, the other record tells.
#[test]
fn an_alias_of_one_record_is_no_harmonic() {
    let plan = [(0.2, 2000), (0.246, 1000)];
    let mains = [(0.0622, 120.1), (0.0186, 240.2)];
    // Peak to peak of the two.
    let want_v = sines(&mains, 0.0, SLOW.0, SLOW.1).parts[0].peak_to_peak_v.value;
    for (alias_hz, amplitude) in [(717.96, 0.27), (715.0, 0.27), (470.0, 0.1), (590.0, 0.02), (139.0, 0.3)] {
        let all = [mains[0], mains[1], (amplitude, 100e3 + alias_hz), (amplitude / 9.0, 3.0 * (100e3 + alias_hz))];
        let found = recorded(&all, 1e-3, plan, SLOW.1);
        let [part] = found.parts.as_slice() else { panic!("{alias_hz}: {:?}", found.parts) };
        assert!((part.hz.value - 120.1).abs() < 0.02, "{alias_hz}: {part:?}");
        assert!((part.peak_to_peak_v.value - want_v).abs() < 1e-3, "{alias_hz}: {part:?}, expected {want_v}");
        // What was taken out stands beside it.
        let beside_v = found.beside_v(&[], 0.0);
        assert!((2.1..2.6).contains(&(beside_v / amplitude)), "{alias_hz}: {beside_v}");
    }
    for (alias_hz, amplitude) in [(240.9, 0.03), (119.0, 0.02), (121.0, 0.2), (238.0, 0.1), (604.0, 0.02)] {
        let all = [mains[0], mains[1], (amplitude, 100e3 + alias_hz)];
        let upon = recorded(&all, 1e-3, plan, SLOW.1);
        let of = |each: fn(&Part) -> f64| upon.parts.iter().map(each).sum::<f64>();
        let (seen_v, unlike_v) = (of(|part| part.peak_to_peak_v.value), of(|part| part.unlike_v));
        let beside_v = upon.beside_v(&[], 0.0);
        let holds = (seen_v - unlike_v..seen_v + unlike_v + beside_v).contains(&want_v);
        assert!(holds && unlike_v + beside_v > 1e-3, "{alias_hz}: {seen_v}, {unlike_v}, {beside_v}, {want_v}");
        let clear = recorded(&all, 1e-3, [plan[1], (0.22, 1543)], SLOW.1);
        let [part] = clear.parts.as_slice() else { panic!("{alias_hz}: {:?}", clear.parts) };
        assert!(part.unlike_v < 1e-9 && (part.peak_to_peak_v.value - want_v).abs() < 1e-3, "{alias_hz}: {part:?}");
    }
}
