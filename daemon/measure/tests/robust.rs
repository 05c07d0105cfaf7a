//! No input panics, and what is not finite never becomes a number.

use proptest::prelude::*;
use tapewright_formats::{LineStandard, SignalForm, format_named};
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::colour::ColourPart;
use tapewright_measure::edges::{edges, edges_of_pairs, state_levels};
use tapewright_measure::peaks::{PeakCorrection, PeakNoise, levels_by_peaks};
use tapewright_measure::picture::Picture;
use tapewright_measure::power::{PowerNoise, levels_by_power};
use tapewright_measure::pulses::{Pulses, delays_to_switch, mean_delay, pulses_in, pulses_in_pairs};
use tapewright_measure::record::{LevelRecord, level_from_pairs, level_from_samples, level_from_scans};
use tapewright_measure::scan::{Head, Scan, cut_at_head_switch, scans_from_trigger};
use tapewright_measure::slip::course_of;
use tapewright_measure::steadiness::frame_to_frame_change;
use tapewright_measure::{
    Contribution, Estimate, HeadCurve, MeasureError, PairTrace, ScanLevels, Shared, Spread, Trace, curve, statistics,
};

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -10.0..10.0_f64,
        1 => prop_oneof![Just(0.0), Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY), Just(1e300), Just(-1e300), Just(5e-324)],
    ]
}

/// As scopes sample, and anything else.
fn any_interval() -> impl Strategy<Value = f64> {
    prop_oneof![2 => (-9.0..-2.0_f64).prop_map(|e| 10.0_f64.powf(e)), 1 => any_number()]
}

fn any_volts() -> impl Strategy<Value = Vec<f32>> {
    prop_oneof![
        3 => prop::collection::vec(-2.0..2.0_f32, 0..3000),
        1 => prop::collection::vec(prop_oneof![Just(0.0_f32), Just(1.0), Just(f32::MAX), Just(f32::MIN), Just(f32::NAN)], 0..200),
    ]
}

fn sound(e: &Result<Estimate, MeasureError>) -> Result<(), TestCaseError> {
    if let Ok(e) = e {
        prop_assert!(e.value.is_finite() && e.interval.low.is_finite() && e.interval.high.is_finite(), "{e:?}");
        prop_assert!(e.interval.low <= e.value && e.value <= e.interval.high, "{e:?}");
    }
    Ok(())
}

fn all_of(p: &Pulses, hz: f64) -> Result<(), TestCaseError> {
    sound(&p.rate(hz, 0.0))?;
    sound(&p.period_jitter(hz))?;
    sound(&p.duty())?;
    sound(&p.missing(hz).map(|m| m.share))
}

fn all_of_curve(frames: &[ScanLevels]) -> Result<(), TestCaseError> {
    let Ok(c) = HeadCurve::over_frames(frames) else { return Ok(()) };
    for e in [
        curve::flatness(&c),
        curve::entrance(&c),
        curve::exit(&c),
        curve::middle_level(&c),
        curve::mean_level(&c),
        curve::balance(&c, &c),
        curve::modulation(frames),
        frame_to_frame_change(frames).map(|s| s.change),
    ] {
        sound(&e)?;
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn traces(t0 in any_number(), dt in any_interval(), volts in any_volts(), start in any_number(), end in any_number(), lines in any_number(), hz in any_number()) {
        let carrier = Carrier::of(format_named("vhs-525-sp").unwrap());
        let scan = Scan { head: Head::A, start_s: start, end_s: end, lines: lines * 30.0 };
        let _ = scans_from_trigger(LineStandard::L525, Head::B, t0, t0 + dt);
        if let Ok(t) = Trace::from_volts(t0, dt, volts.clone()) {
            if let Ok(states) = state_levels(&t) {
                let found = edges(&t, &states).unwrap();
                let _ = cut_at_head_switch(&found, true, LineStandard::L625);
            }
            for form in [SignalForm::Square, SignalForm::Spike, SignalForm::Raw] {
                if let Ok(p) = pulses_in(&t, form) {
                    all_of(&p, hz)?;
                }
            }
            if let Ok(noise) = PowerNoise::from_quiet(&t) {
                if let Ok(l) = levels_by_power(&t, &scan, &noise, &Picture::unknown()) {
                    all_of_curve(&[l.clone(), l])?;
                }
                let _ = level_from_samples(&t, &noise, hz).and_then(|r| course_of(&r));
            }
            if let Ok(noise) = CarrierNoise::from_quiet(&t, &carrier) {
                let _ = levels_by_carrier(&t, &scan, &carrier, &noise, &Picture::unknown());
            }
        }
        if let Ok(p) = PairTrace::from_volts(t0, dt, volts.iter().map(|v| -v).collect(), volts) {
            for form in [SignalForm::Square, SignalForm::Spike] {
                if let Ok(p) = pulses_in_pairs(&p, form) {
                    all_of(&p, hz)?;
                }
            }
            let states = tapewright_measure::edges::States { low_v: t0, high_v: hz, difference_u_v: 0.0, noise_v: 0.0 };
            let _ = edges_of_pairs(&p, &states);
            if let Ok(noise) = PeakNoise::from_quiet(&p, 20e6) {
                let _ = level_from_pairs(&p, &noise, &carrier, hz).and_then(|r| course_of(&r));
                if let Ok(c) = PeakCorrection::new(noise, &carrier, dt) {
                    let _ = levels_by_peaks(&p, &scan, &c, &Picture::unknown());
                }
            }
        }
    }

    /// Scopes' own figures: a scan in 1,250 pairs or 2,500 samples, whatever the volts.
    #[test]
    fn a_scan_of_anything(volts in prop::collection::vec(-0.5..0.5_f32, 2500), scale in 0.0..2.0_f32, noisy in 0.0..0.2_f32) {
        let carrier = Carrier::of(format_named("vhs-625-sp").unwrap());
        let scan = scans_from_trigger(LineStandard::L625, Head::A, 0.0, 0.0201)[0];
        let rf: Vec<f32> = volts.iter().map(|v| v * scale).collect();
        let quiet: Vec<f32> = volts.iter().map(|v| v * noisy).collect();
        let t = Trace::from_volts(0.0, 8.04e-6, rf.clone()).unwrap();
        let noise = PowerNoise::from_quiet(&Trace::from_volts(0.0, 8.04e-6, quiet.clone()).unwrap()).unwrap();
        all_of_curve(&[levels_by_power(&t, &scan, &noise, &Picture::even()).unwrap()])?;
        let side = |v: &[f32], s: f32| v[..1250].iter().map(|v| v.abs() * s).collect::<Vec<f32>>();
        let pairs = PairTrace::from_volts(8e-6, 16.08e-6, side(&rf, -1.0), side(&rf, 1.0)).unwrap();
        let quiet = PairTrace::from_volts(8e-6, 16.08e-6, side(&quiet, -1.0), side(&quiet, 1.0)).unwrap();
        let c = PeakCorrection::new(PeakNoise::from_quiet(&quiet, 20e6).unwrap(), &carrier, 16.08e-6).unwrap();
        let l = levels_by_peaks(&pairs, &scan, &c, &Picture::unknown()).unwrap();
        all_of_curve(&[l.clone(), l.clone(), l])?;
    }

    #[test]
    fn numbers(values in prop::collection::vec(any_number(), 0..60), a in any_number(), b in any_number()) {
        let ok = values.iter().all(|v| v.is_finite()) && !values.is_empty();
        prop_assert_eq!(statistics::median(&values).is_ok(), ok);
        prop_assert_eq!(statistics::moments(&values).is_ok(), ok);
        if let Ok(d) = delays_to_switch(&values, &[a], b) {
            sound(&mean_delay(&d, b, 0.0))?;
        }
        sound(&mean_delay(&values, a, b))?;
        let _ = level_from_scans(a, b, &values).and_then(|r| course_of(&r));
        let _ = course_of(&LevelRecord { t0_s: 0.0, dt_s: a, level_v: values.clone(), frame_rate_hz: b, bins_v: 0.0 });
        let frame = |f: f64| ScanLevels {
            level_v: core::array::from_fn(|k| values.get(k).copied().unwrap_or(f)),
            random_v: core::array::from_fn(|k| values.get(k + 20).copied().unwrap_or(f)),
            shared: vec![Shared { name: "of one sign", spread: Spread::Rectangular, by_v: [b; 20], own: false }],
            common: vec![Contribution::type_b("gain", a)],
            of_head: Vec::new(),
            shape_u: b,
            colour: ColourPart::beside_amplitude(0.316),
            noise_v: f,
            frame_u: 0.0,
        };
        all_of_curve(&[frame(0.1), frame(0.2), frame(a)])?;
    }
}
