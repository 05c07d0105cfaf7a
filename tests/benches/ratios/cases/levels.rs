//! Levels of heads: envelope, dropouts, search.

use super::{CONVERTER, digitised, keep, samples_of, volts, volts_of};
use crate::Case;
use crate::signals::{self, scan, tape};
use std::path::Path;
use tapewright_formats::format_named;
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::course::course_by_power;
use tapewright_measure::dropouts::{Definition, Dropouts, pairs_of_samples};
use tapewright_measure::peaks::{PeakCorrection, PeakNoise, levels_by_peaks};
use tapewright_measure::picture::Picture;
use tapewright_measure::power::{PowerNoise, levels_by_power};
use tapewright_measure::search::{ScanCourse, count_bars};
use tapewright_measure::{PairTrace, Trace};

fn envelope(folder: &Path, name: &'static str, count: usize) -> Case {
    let carrier = Carrier::of(format_named("vhs-525-sp").expect("a row of the table"));
    let dt_s = scan().end_s / count as f64;
    let trace = Trace::from_codes(0.0, dt_s, &signals::rf(count), &CONVERTER).expect("a trace");
    keep(folder, name, dt_s, volts(&trace));
    let run = move || {
        let levels =
            levels_by_carrier(&trace, &scan(), &carrier, &CarrierNoise::none(), &Picture::even()).expect("levels");
        levels.level_v.to_vec()
    };
    Case { name, samples: count, run: Box::new(run), truth: Some(signals::rf_levels()) }
}

/// The levels over their mean: what a curve is judged by. What picture and colour do to all of them neither pairs nor power tell.
fn shape(levels: &[f64]) -> Vec<f64> {
    let mean = levels.iter().sum::<f64>() / levels.len() as f64;
    levels.iter().map(|v| v / mean).collect()
}

fn power(folder: &Path) -> Case {
    let name = "envelope by power, under-sampled: its shape";
    let dt_s = scan().end_s / 100_000.0;
    // Every twentieth sample of a fast record: what a scope shows at 6 MS/s.
    let codes: Vec<i16> = signals::rf(2_000_000).into_iter().step_by(20).collect();
    let trace = Trace::from_codes(0.0, dt_s, &codes, &CONVERTER).expect("a trace");
    keep(folder, name, dt_s, volts(&trace));
    let quiet = Trace::from_volts(0.0, dt_s, signals::quiet(10_000)).expect("a trace");
    let noise = PowerNoise::from_quiet(&quiet).expect("noise");
    let run = move || shape(&levels_by_power(&trace, &scan(), &noise, &Picture::even()).expect("levels").level_v);
    Case { name, samples: 100_000, run: Box::new(run), truth: Some(shape(&signals::rf_levels())) }
}

/// Falls of the level in 100,000 bins of 2 us.
fn dropouts(folder: &Path) -> Case {
    let name = "dropouts, 100,000 bins";
    let (dt_s, count) = (2e-6, 100_000);
    let levels = tape::falling(count);
    keep(folder, name, dt_s, levels.iter().map(|v| f64::from(*v)));
    let least = levels.iter().map(|v| -v).collect();
    let pairs = PairTrace::from_volts(0.0, dt_s, least, levels).expect("pairs");
    let what = Definition { fall_db: 16.0, length_s: 10e-6 };
    let run = move || {
        let mut seen = Dropouts::default();
        seen.look(&pairs, 0.005, &what).expect("bins");
        vec![seen.likely(&what).len() as f64]
    };
    Case { name, samples: count, run: Box::new(run), truth: Some(vec![tape::FALLS as f64]) }
}

/// Falls in samples of the RF, as a scope without peak detection keeps them: how many, and their median length.
fn dropouts_of_samples(folder: &Path) -> Case {
    let name = "dropouts, one scan of 200,000 samples";
    let count = 200_000;
    let dt_s = scan().end_s / count as f64;
    let trace = digitised((0.0, dt_s), (-0.3, 0.3), &tape::dropping(count));
    keep(folder, name, dt_s, volts(&trace));
    let what = Definition { fall_db: 16.0, length_s: 15e-6 };
    let run = move || {
        let pairs = pairs_of_samples(&trace, 4.4e6, 0.5 * what.length_s).expect("pairs");
        let mut seen = Dropouts::default();
        seen.look(&pairs, 0.005, &what).expect("bins");
        let length = seen.length_us(&what).expect("lengths").map_or(0.0, |length| length.value);
        vec![seen.likely(&what).len() as f64, length]
    };
    let truth = vec![tape::DROPPED_US.len() as f64, tape::DROPPED_MEDIAN_US];
    Case { name, samples: count, run: Box::new(run), truth: Some(truth) }
}

/// Least and greatest of 2,500 bins, as peak detection keeps them.
fn pairs(folder: &Path) -> Case {
    let name = "envelope by pairs: its shape";
    let (count, each) = (2_000_000, 800);
    let dt_s = scan().end_s / count as f64 * f64::from(each);
    let volts: Vec<f64> = signals::rf(count).iter().map(|code| CONVERTER.gain_v * f64::from(*code)).collect();
    let (least, greatest) = tape::extremes(&volts, each as usize);
    let both = least.iter().zip(&greatest).flat_map(|(l, g)| [f64::from(*l), f64::from(*g)]);
    keep(folder, name, dt_s, both);
    let quiet: Vec<f64> = signals::quiet(count / 4).iter().map(|v| f64::from(*v)).collect();
    let (low, high) = tape::extremes(&quiet, each as usize);
    let of = |low, high| PairTrace::from_volts(0.5 * dt_s, dt_s, low, high).expect("pairs");
    let noise = PeakNoise::from_quiet(&of(low, high), 60e6).expect("noise");
    let pairs = of(least, greatest);
    let carrier = Carrier::of(format_named("vhs-525-sp").expect("a row of the table"));
    let samples = 2 * pairs.len();
    // Made once a run, whatever it takes.
    let correction = PeakCorrection::new(noise, &carrier, dt_s).expect("bins");
    let run = move || {
        let levels = levels_by_peaks(&pairs, &scan(), &correction, &Picture::even()).expect("levels");
        shape(&levels.level_v)
    };
    Case { name, samples, run: Box::new(run), truth: Some(shape(&signals::rf_levels())) }
}

/// Four scans in search, under-sampled.
fn search(folder: &Path) -> Case {
    let name = "search: noise bars in four scans";
    let (count, step) = (333_666, 133);
    let dt_s = scan().end_s / f64::from(count) * f64::from(step);
    let of = |n: u32| {
        let volts = tape::searching(n, count as usize, step as usize);
        digitised((0.0, dt_s), (-0.3, 0.3), &volts)
    };
    let traces: Vec<Trace> = (0..4).map(of).collect();
    keep(folder, name, dt_s, volts_of(&traces));
    let quiet = Trace::from_volts(0.0, dt_s, signals::quiet(10_000)).expect("a trace");
    let noise = PowerNoise::from_quiet(&quiet).expect("noise");
    let samples = samples_of(&traces);
    let run = move || {
        let course = |trace: &Trace| course_by_power(trace, &scan(), &noise).expect("a scan").scan;
        let courses: Vec<ScanCourse> = traces.iter().map(course).collect();
        vec![count_bars(&courses, 0.45, 13.0).expect("bars").count.value]
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![tape::BARS]) }
}

/// The cases of this room.
pub(super) fn all(folder: &Path) -> Vec<Case> {
    vec![
        envelope(folder, "envelope, 2,000,000 samples a scan", 2_000_000),
        envelope(folder, "envelope, 20 samples a microsecond", 333_666),
        power(folder),
        pairs(folder),
        dropouts(folder),
        dropouts_of_samples(folder),
        search(folder),
    ]
}
