//! Fits, spectrum, edge times and a line against those of numpy and scipy, on the same samples.
//!
//! The vectors are made by `tests/outside/make_fits.py`; `tests/outside/run.sh` makes them anew.

use serde_json::Value;
use std::path::Path;
use tapewright_measure::edges::{Polarity, edges, state_levels};
use tapewright_measure::linear::line;
use tapewright_measure::sine::fit_near;
use tapewright_measure::spectrum::Spectrum;
use tapewright_measure::{Converter, Trace};

fn about() -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors/fits.json");
    serde_json::from_str(&std::fs::read_to_string(path).expect("the vectors")).expect("JSON")
}

fn numbers(about: &Value, key: &str) -> Vec<f64> {
    let list = about[key].as_array().unwrap_or_else(|| panic!("`{key}` is no list in the vectors"));
    list.iter().filter_map(Value::as_f64).collect()
}

fn trace(about: &Value, name: &str, kind: &str) -> Trace {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("vectors/{name}.i8"));
    let codes: Vec<i16> = std::fs::read(path).expect("the codes").into_iter().map(|c| i16::from(c as i8)).collect();
    let number = |key: String| about[&key].as_f64().unwrap_or_else(|| panic!("`{key}` is no number"));
    let converter = Converter {
        gain_v: number(format!("{kind}_step_v")),
        offset_v: 0.0,
        code_low: -129,
        code_high: 128,
        gain_uncertainty: 0.0,
        offset_uncertainty_v: 0.0,
    };
    Trace::from_codes(0.0, 1.0 / number(format!("{kind}_rate_hz")), &codes, &converter).expect("a right trace")
}

/// Each value within `tolerance` of its size, or of `least` where it is smaller.
#[track_caller]
fn check(what: &str, ours: &[f64], theirs: &[f64], tolerance: f64, least: f64) {
    assert_eq!(ours.len(), theirs.len(), "{what}");
    for (place, (a, b)) in ours.iter().zip(theirs).enumerate() {
        assert!((a - b).abs() <= tolerance * b.abs().max(least), "{what}, number {place}: {a} and {b}");
    }
}

#[test]
fn a_tone_is_fitted_as_by_the_library() {
    let about = about();
    let (fit, hz_error) = fit_near(&trace(&about, "tone", "tone"), 3148.0).expect("a fit");
    let (tone, theirs) = (fit.tones[0], numbers(&about, "tone"));
    // Our volts are of single precision: seven digits.
    check("frequency", &[tone.hz], &theirs[..1], 1e-9, 0.0);
    check("parts", &[tone.cosine, tone.sine, fit.offset], &theirs[1..4], 2e-6, 0.01);
    // A degree of freedom of five thousand, for the frequency, is what they take off more.
    check("residual", &[fit.residual], &theirs[4..5], 2e-4, 0.0);
    // The other tone's residuals remember each other: we widen for that, they take them for noise.
    assert!(hz_error >= 0.99 * theirs[5], "{hz_error} and {}", theirs[5]);
}

#[test]
fn a_spectrum_is_that_of_the_library() {
    let about = about();
    let trace = trace(&about, "tone", "tone");
    let volts: Vec<f64> = trace.volts().iter().map(|v| f64::from(*v)).collect();
    let spectrum = Spectrum::of(&volts, trace.dt_s()).expect("a spectrum");
    let ours: Vec<f64> = numbers(&about, "places").iter().map(|k| spectrum.amplitude[*k as usize]).collect();
    check("amplitudes", &ours, &numbers(&about, "spectrum"), 1e-6, 1e-3);
}

#[test]
fn edges_lie_where_the_library_says() {
    let about = about();
    let trace = trace(&about, "pulses", "pulse");
    let states = state_levels(&trace).expect("two states");
    let found = edges(&trace, &states).expect("edges");
    let times: Vec<f64> = found.iter().map(|edge| edge.time_s).collect();
    let theirs = numbers(&about, "edges_s");
    assert_eq!(times.len(), theirs.len());
    // The states differ by less than a step of 40 mV, the edges rise by 4.8 V in 200 us: 1.7 us, a thirtieth of a sample.
    for (ours, theirs) in times.iter().zip(&theirs) {
        assert!((ours - theirs).abs() < 1.7e-6, "{ours} and {theirs}");
    }
}

#[test]
fn a_line_is_that_of_the_library() {
    let about = about();
    let times = numbers(&about, "edges_s");
    let trace = trace(&about, "pulses", "pulse");
    let found = edges(&trace, &state_levels(&trace).expect("two states")).expect("edges");
    let rising: Vec<f64> =
        times.iter().zip(&found).filter(|(_, e)| e.polarity == Polarity::Rising).map(|(t, _)| *t).collect();
    let numbered: Vec<f64> = (0..rising.len()).map(|n| n as f64).collect();
    let line = line(&numbered, &rising).expect("a line");
    let theirs = numbers(&about, "line");
    check("line", &[line.intercept, line.slope], &theirs[..2], 1e-10, 0.0);
    // Residuals of microseconds of times of seconds: ten of sixteen digits are gone.
    check("errors", &[line.intercept_error, line.slope_error], &theirs[2..4], 1e-6, 0.0);
    check("explained", &[line.explained], &theirs[4..], 1e-10, 0.0);
}

#[test]
fn a_result_that_is_a_little_wrong_is_seen() {
    let about = about();
    let mut theirs = numbers(&about, "tone");
    theirs[1] *= 1.001;
    let (fit, _) = fit_near(&trace(&about, "tone", "tone"), 3148.0).expect("a fit");
    let wrong = std::panic::catch_unwind(|| check("parts", &[fit.tones[0].cosine], &theirs[1..2], 2e-6, 0.01));
    assert!(wrong.is_err());
}
