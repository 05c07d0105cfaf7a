//! Levels by the carrier's way against those of scipy's analytic signal, on the same samples.
//!
//! The vectors are made by `tests/outside/make_vectors.py`; `tests/outside/run.sh` makes them anew.

use serde_json::Value;
use std::path::Path;
use tapewright_formats::definitions::SEGMENTS;
use tapewright_formats::format_named;
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::picture::Picture;
use tapewright_measure::scan::{Head, Scan};
use tapewright_measure::{Converter, Trace};

/// Largest relative difference of a level.
///
/// Both ways look at the sync tips: one with a band of 4.8 MHz over 3 us of each, one with a window of
/// 1.3 us at the stretch with the lowest frequency. The noise of 2 mV and a step of 4 mV enter with
/// their power, at most `((2 mV)^2 + (4 mV)^2 / 12) / (0.145 V)^2 / 2`, that is 0.013 % of a level; their random
/// part over the 12 tips of a segment is about `2.3 mV / 0.2 V / sqrt(12 * 3)`, that is 0.2 %. Ringing
/// at the tip's edges, where the frequency steps and the output with it, is what is left. 0.7 % is
/// three times the random part and a little for the ringing.
const TOLERANCE: f64 = 0.007;

/// Rows of the format table with the vector's line standard and frequencies.
const FORMAT: &str = "vhs-525-sp";

fn number(about: &Value, key: &str) -> f64 {
    about[key].as_f64().unwrap_or_else(|| panic!("`{key}` is no number in the vector"))
}

fn vector() -> (Vec<i8>, Value) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("vectors");
    let codes = std::fs::read(folder.join("rf-scan.i8")).expect("the codes");
    let about = std::fs::read_to_string(folder.join("rf-scan.json")).expect("what they are");
    (codes.into_iter().map(|code| code as i8).collect(), serde_json::from_str(&about).expect("JSON"))
}

/// Our levels of the vector, with the codes seen through `change`.
fn ours(codes: &[i8], about: &Value, change: impl Fn(usize, i8) -> i16) -> Vec<f64> {
    let codes: Vec<i16> = codes.iter().enumerate().map(|(i, &code)| change(i, code)).collect();
    assert_eq!(codes.len(), number(about, "samples") as usize);
    let converter = Converter {
        gain_v: number(about, "step_v"),
        offset_v: 0.0,
        code_low: -128,
        code_high: 127,
        gain_uncertainty: 0.0,
        offset_uncertainty_v: 0.0,
    };
    let dt_s = 1.0 / number(about, "rate_hz");
    let trace = Trace::from_codes(0.0, dt_s, &codes, &converter).expect("a right trace");
    let format = format_named(FORMAT).expect("a known format");
    let lines = format.lines.lines_a_scan();
    let scan = Scan { head: Head::A, start_s: 0.0, end_s: codes.len() as f64 * dt_s, lines };
    let levels = levels_by_carrier(&trace, &scan, &Carrier::of(format), &CarrierNoise::none(), &Picture::even());
    levels.expect("levels").level_v.to_vec()
}

/// The greatest relative difference between our levels and theirs.
fn worst(ours: &[f64], about: &Value) -> f64 {
    let theirs: Vec<f64> = about["levels_v"].as_array().expect("levels").iter().filter_map(Value::as_f64).collect();
    assert_eq!((ours.len(), theirs.len()), (SEGMENTS, SEGMENTS));
    ours.iter().zip(theirs).map(|(a, b)| (a / b - 1.0).abs()).fold(0.0, f64::max)
}

#[test]
fn levels_agree_with_the_analytic_signal() {
    let (codes, about) = vector();
    let ours = ours(&codes, &about, |_, code| i16::from(code));
    let worst = worst(&ours, &about);
    assert!(worst < TOLERANCE, "the levels differ by {:.3} %: {ours:?}", 100.0 * worst);
}

#[test]
fn a_level_that_is_wrong_by_three_per_cent_is_seen() {
    let (codes, about) = vector();
    // The last quarter three per cent smaller.
    let from = codes.len() * 3 / 4;
    let changed =
        ours(
            &codes,
            &about,
            |i, code| {
                if i < from { i16::from(code) } else { (0.97 * f64::from(code)).round() as i16 }
            },
        );
    assert!(worst(&changed, &about) > TOLERANCE);
}
