//! Numbers of the field for steps and for converters: IEEE 181's mid crossings and histogram, and the error of an ideal
//! converter by the sine fit of IEEE 1057 and 1241. The fit's own vectors and the bound of its frequency are in `sine`.

mod synth;

use synth::Random;
use tapewright_measure::edges::{Polarity, States, edges, state_levels};
use tapewright_measure::sine::{ToneFit, fit_near};
use tapewright_measure::special::normal_cdf;
use tapewright_measure::{Converter, Trace};

#[track_caller]
fn near(what: &str, got: f64, want: f64, within: f64) {
    assert!((got - want).abs() <= within, "{what}: {got}, expected {want} within {within}");
}

fn trace(dt_s: f64, count: u32, v: impl Fn(f64) -> f64) -> Trace {
    Trace::from_volts(0.0, dt_s, (0..count).map(|i| v(f64::from(i) * dt_s) as f32).collect()).unwrap()
}

/// Where a step from 0 to 1 first crosses a level: mid crossing of two states evenly about it.
fn crossing(step: &Trace, level: f64) -> f64 {
    let half = 0.9 * level.min(1.0 - level);
    let about = States { low_v: level - half, high_v: level + half, difference_u_v: 0.0, noise_v: 0.0 };
    let found = edges(step, &about).unwrap();
    assert_eq!(found.iter().map(|e| e.polarity).collect::<Vec<_>>(), [Polarity::Rising], "{level}");
    assert!(found[0].half_width_s == 0.0, "samples lie on the step");
    found[0].time_s
}

/// Steps whose times are known: default reference levels are 10, 50 and 90 %, crossings are interpolated between samples
/// (read in the documentation of a numeric package's pulse functions; times computed).
#[test]
fn crossings_of_known_steps() {
    let at = 20.3;
    let ramp = trace(0.11, 400, |t| ((t - at) / 5.0).clamp(0.0, 1.0));
    let pole = trace(0.02, 2000, |t| if t < at { 0.0 } else { 1.0 - (at - t).exp() });
    let gauss = trace(0.02, 2000, |t| normal_cdf(t - at));
    for (what, step, unit, middle, ten_ninety) in [
        ("linear ramp", &ramp, 5.0, 0.5, 0.8),
        ("single pole", &pole, 1.0, core::f64::consts::LN_2, 2.197_22),
        ("Gaussian step", &gauss, 1.0, 0.0, 2.563_10),
    ] {
        let time = crossing(step, 0.9) - crossing(step, 0.1);
        near(what, time, ten_ninety * unit, 2e-4);
        near(what, crossing(step, 0.5) - at, middle * unit, 2e-4);
        // And with the states that the histogram finds.
        let found = edges(step, &state_levels(step).unwrap()).unwrap();
        assert_eq!(found.len(), 1, "{what}: {found:?}");
        near(what, found[0].time_s - at, middle * unit, 0.01);
    }
    for (what, step, unit, twenty_eighty) in [("linear ramp", &ramp, 5.0, 0.6), ("single pole", &pole, 1.0, 1.386_29)] {
        near(what, crossing(step, 0.8) - crossing(step, 0.2), twenty_eighty * unit, 2e-4);
    }
    let bandwidth = 1.0 / core::f64::consts::TAU;
    near("time and bandwidth", (crossing(&pole, 0.9) - crossing(&pole, 0.1)) * bandwidth, 0.349_699, 5e-5);
}

/// Width, separation and period of pulses go from mid crossing to mid crossing, whatever the slopes.
#[test]
fn width_separation_and_period_are_between_mid_crossings() {
    let (rise, fall) = (7.0, 13.0);
    let pulse = |t: f64, mid_up: f64, mid_down: f64| {
        let up = ((t - mid_up) / rise + 0.5).clamp(0.0, 1.0);
        up * ((mid_down - t) / fall + 0.5).clamp(0.0, 1.0)
    };
    let train = trace(1.0, 400, |t| -2.0 + 5.0 * (pulse(t, 60.3, 120.8) + pulse(t, 210.7, 271.2)));
    let found = edges(&train, &state_levels(&train).unwrap()).unwrap();
    let t: Vec<f64> = found.iter().map(|e| e.time_s).collect();
    assert_eq!(t.len(), 4, "{found:?}");
    for (what, got, want) in
        [("width", t[1] - t[0], 60.5), ("separation", t[2] - t[1], 89.9), ("period", t[2] - t[0], 150.4)]
    {
        near(what, got, want, 0.01);
    }
}

/// The fullest bin's middle lies up to half a bin, `(max - min) / (2 N)` with 100 bins, beside the state (computed). States
/// that lie at a bin's border meet all of it: they are found a hundred times better.
#[test]
fn the_bias_of_half_a_bin_is_taken_off() {
    let (bins, least, greatest) = (100.0, -1.0, 4.0);
    let half_a_bin = (greatest - least) / (2.0 * bins);
    // Overshoot to both sides moves the states so many bins inward; without it they lie at the ends.
    for inward_bins in [0.0, 8.0, 8.1, 8.25, 8.5, 8.75, 8.9] {
        let inward = inward_bins * 2.0 * half_a_bin;
        let (low, high) = (least + inward, greatest - inward);
        let step = trace(1.0, 400, |t| match t as u32 {
            0..199 => low,
            199 => least,
            200 => greatest,
            _ => high,
        });
        let states = state_levels(&step).unwrap();
        near("low", states.low_v, low, 0.01 * half_a_bin);
        near("high", states.high_v, high, 0.01 * half_a_bin);
    }
}

/// Full scale of 8 bits, in steps of the converter.
const FULL: f64 = 128.0;

/// Cycles a sample: the golden ratio meets every part of a step alike.
const HZ: f64 = 0.618_033_988_75 / 50.0;

/// A sine with noise in an ideal converter of 8 bits, through the four-parameter fit, all in steps.
fn converted(amplitude: f64, noise: f64) -> ToneFit {
    let mut random = Random::new(1241);
    let codes: Vec<i16> = (0..20_000)
        .map(|i| {
            let v = amplitude * (core::f64::consts::TAU * HZ * f64::from(i) + 0.3).cos() + noise * random.normal();
            v.floor().clamp(-FULL, FULL - 1.0) as i16
        })
        .collect();
    let ideal = Converter {
        gain_v: 1.0,
        offset_v: 0.5,
        code_low: -128,
        code_high: 127,
        gain_uncertainty: 0.0,
        offset_uncertainty_v: 0.0,
    };
    fit_near(&Trace::from_codes(0.0, 1.0, &codes, &ideal).unwrap(), HZ + 5e-6).unwrap().0
}

/// Signal to noise of an ideal 8-bit converter on a full-scale sine is 49.926 dB, `6.0206 * 8 + 1.7609` (computed), and
/// effective bits are `N - log2(rms error / ideal rms error)` with a step over the root of 12 as the ideal (from memory).
#[test]
fn an_ideal_converter_has_its_bits() {
    let effective = |residual: f64| 8.0 - (residual * 12.0_f64.sqrt()).log2();
    // A sine lingers at its peaks, where the error depends on how far into a step they reach (0.1 dB): over a step it is even.
    let fits: Vec<ToneFit> = [0.125, 0.375, 0.625, 0.875].map(|less| converted(FULL - less, 0.0)).into();
    let residual = (fits.iter().map(|fit| fit.residual.powi(2)).sum::<f64>() / 4.0).sqrt();
    near("signal to noise", 20.0 * (FULL / core::f64::consts::SQRT_2 / residual).log10(), 49.926, 0.02);
    near("effective bits", effective(residual), 8.0, 0.005);
    for fit in &fits {
        near("effective bits of one", effective(fit.residual), 8.0, 0.03);
        near("frequency", fit.tones[0].hz, HZ, 1e-8);
        near("offset", fit.offset, 0.0, 0.02);
    }
    near("amplitude", fits.iter().map(|fit| fit.tones[0].amplitude()).sum::<f64>() / 4.0, FULL - 0.5, 0.01);
    // Noise of the root of 3 times the ideal error doubles the error: one bit less.
    near("effective bits in noise", effective(converted(FULL - 1.5, 0.5).residual), 7.0, 0.02);
}
