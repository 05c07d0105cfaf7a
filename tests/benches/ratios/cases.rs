//! The computations, and the files of samples that the outside library reads.

use crate::Case;
use crate::signals::{self, SLIP_HZ, scan};
use std::path::Path;
use tapewright_formats::{LineStandard, Signal, SignalForm, format_named};
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::dropouts::{Definition, Dropouts};
use tapewright_measure::edges::{edges, state_levels};
use tapewright_measure::flutter::SpeedError;
use tapewright_measure::picture::Picture;
use tapewright_measure::power::{PowerNoise, levels_by_power};
use tapewright_measure::pulses::pulses_in;
use tapewright_measure::record::LevelRecord;
use tapewright_measure::ripple::ripple;
use tapewright_measure::sine::fit_near;
use tapewright_measure::slip::{Course, course_of};
use tapewright_measure::spectrum::Spectrum;
use tapewright_measure::sync::separate;
use tapewright_measure::{Converter, PairTrace, Trace};

/// Converter of [`signals::rf`].
pub(crate) const CONVERTER: Converter = Converter {
    gain_v: 0.004,
    offset_v: 0.0,
    code_low: -128,
    code_high: 127,
    gain_uncertainty: 0.0,
    offset_uncertainty_v: 0.0,
};

/// Writes samples for the outside library, as 64-bit floats.
fn keep(folder: &Path, name: &str, dt_s: f64, values: impl Iterator<Item = f64>) {
    let bytes: Vec<u8> = core::iter::once(dt_s).chain(values).flat_map(f64::to_le_bytes).collect();
    std::fs::write(folder.join(format!("{name}.f64")), bytes).expect("the samples are written");
}

fn volts(trace: &Trace) -> impl Iterator<Item = f64> {
    trace.volts().iter().map(|v| f64::from(*v))
}

fn envelope(folder: &Path, name: &'static str, count: usize) -> Case {
    let carrier = Carrier::of(format_named("vhs-525-sp").expect("a row of the table"));
    let dt_s = scan().end_s / count as f64;
    let trace = Trace::from_codes(0.0, dt_s, &signals::rf(count), &CONVERTER).expect("a trace");
    keep(folder, name, dt_s, volts(&trace));
    let run = move || {
        let levels = levels_by_carrier(&trace, &scan(), &carrier, &CarrierNoise::none()).expect("levels");
        levels.level_v.to_vec()
    };
    Case { name, samples: count, run: Box::new(run), truth: Some(signals::rf_levels()) }
}

fn power(folder: &Path) -> Case {
    let name = "envelope by power, under-sampled";
    let dt_s = scan().end_s / 100_000.0;
    // Every twentieth sample of a fast record: what a scope shows at 6 MS/s.
    let codes: Vec<i16> = signals::rf(2_000_000).into_iter().step_by(20).collect();
    let trace = Trace::from_codes(0.0, dt_s, &codes, &CONVERTER).expect("a trace");
    keep(folder, name, dt_s, volts(&trace));
    let quiet = Trace::from_volts(0.0, dt_s, signals::quiet(10_000)).expect("a trace");
    let noise = PowerNoise::from_quiet(&quiet).expect("noise");
    let run = move || {
        levels_by_power(&trace, &scan(), &noise, &Picture::even()).map_or_else(|_| Vec::new(), |l| l.level_v.to_vec())
    };
    Case { name, samples: 100_000, run: Box::new(run), truth: None }
}

fn pulse_train(folder: &Path) -> [Case; 2] {
    let (dt_s, count) = (1e-5, 200_000);
    let trace = Trace::from_volts(0.0, dt_s, signals::played(Signal::ControlTrack, count, dt_s)).expect("a trace");
    let states = state_levels(&trace).expect("two states");
    let names = ["edge crossings, 2 s of control pulses", "pulses: rate and duty"];
    for name in names {
        keep(folder, name, dt_s, volts(&trace));
    }
    let same = trace.clone();
    let crossings = move || edges(&same, &states).expect("edges").iter().map(|edge| edge.time_s).collect();
    let pulses = move || {
        let pulses = pulses_in(&trace, SignalForm::Square).expect("pulses");
        let rate = pulses.rate(30_000.0 / 1001.0, 0.0).expect("a rate");
        vec![rate.value, pulses.duty().expect("a duty").value]
    };
    [
        Case { name: names[0], samples: count, run: Box::new(crossings), truth: None },
        Case { name: names[1], samples: count, run: Box::new(pulses), truth: None },
    ]
}

fn slip(folder: &Path) -> Case {
    let name = "slip: fit of a record of 10 s";
    let frame_rate_hz = LineStandard::L525.frame_rate_hz();
    let levels = signals::slip(frame_rate_hz);
    keep(folder, name, 1.0 / frame_rate_hz, levels.iter().copied());
    let samples = levels.len();
    let record = LevelRecord { t0_s: 0.0, dt_s: 1.0 / frame_rate_hz, level_v: levels, frame_rate_hz, bins_v: 0.0 };
    let run = move || match course_of(&record).expect("a course").course {
        Course::Slip { frequency, .. } => vec![frequency.value],
        _ => Vec::new(),
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![SLIP_HZ]) }
}

fn sync(folder: &Path) -> Case {
    let name = "sync separator, one field";
    let (dt_s, count) = (5e-8, 340_000);
    let trace = Trace::from_volts(0.0, dt_s, signals::played(Signal::Video, count, dt_s)).expect("a trace");
    keep(folder, name, dt_s, volts(&trace));
    let run = move || {
        let found = separate(&trace, LineStandard::L525).expect("sync pulses");
        vec![found.depth_v, found.pulses.len() as f64]
    };
    Case { name, samples: count, run: Box::new(run), truth: None }
}

/// Ten seconds of a tone of 3,150 Hz with wow, as a modest scope keeps them: the fit, the spectrum, the flutter.
fn tone(folder: &Path) -> [Case; 3] {
    let (dt_s, count) = (1e-4, 100_000);
    let volts = signals::tone(count, dt_s);
    let trace = Trace::from_volts(0.0, dt_s, volts).expect("a trace");
    let names = ["sine fit with its frequency, 0.1 s", "spectrum, 10 s of a tone", "weighted flutter, 10 s of a tone"];
    let short = Trace::from_volts(0.0, dt_s, trace.volts()[..1000].to_vec()).expect("a trace");
    keep(folder, names[0], dt_s, self::volts(&short));
    for name in &names[1..] {
        keep(folder, name, dt_s, self::volts(&trace));
    }
    let values: Vec<f64> = self::volts(&trace).collect();
    let fit = move || {
        let (fit, _) = fit_near(&short, 3149.0).expect("a fit");
        vec![fit.tones[0].hz, fit.tones[0].amplitude()]
    };
    let spectrum = move || vec![Spectrum::of(&values, dt_s).expect("a spectrum").peaks(100.0, 4900.0, 1)[0].hz];
    let flutter = move || {
        let record = SpeedError::of(&trace, signals::TONE_HZ).expect("a tone");
        vec![record.weighted().expect("flutter").value]
    };
    [
        Case { name: names[0], samples: 1000, run: Box::new(fit), truth: None },
        Case { name: names[1], samples: count, run: Box::new(spectrum), truth: None },
        Case { name: names[2], samples: count, run: Box::new(flutter), truth: None },
    ]
}

/// Falls of the level in 100,000 bins of 2 us.
fn dropouts(folder: &Path) -> Case {
    let name = "dropouts, 100,000 bins";
    let (dt_s, count) = (2e-6, 100_000);
    let levels = signals::falling(count);
    keep(folder, name, dt_s, levels.iter().map(|v| f64::from(*v)));
    let least = levels.iter().map(|v| -v).collect();
    let pairs = PairTrace::from_volts(0.0, dt_s, least, levels).expect("pairs");
    let what = Definition { fall_db: 16.0, length_s: 10e-6 };
    let run = move || {
        let mut seen = Dropouts::default();
        seen.look(&pairs, 0.005, &what).expect("bins");
        vec![seen.likely(&what).len() as f64]
    };
    Case { name, samples: count, run: Box::new(run), truth: Some(vec![signals::FALLS as f64]) }
}

/// Ripple in two records of unlike rate, as the procedure takes them; the outside library gets them one after the other.
fn supply(folder: &Path) -> Case {
    let name = "supply ripple, two records";
    let (count, steps_s) = (20_000, [1e-4, 1.3e-4]);
    let [first, second] =
        steps_s.map(|dt_s| Trace::from_volts(0.0, dt_s, signals::supply(count, dt_s)).expect("a trace"));
    keep(folder, name, steps_s[0], volts(&first).chain(volts(&second)));
    let run = move || {
        let found = ripple(&first, &second, (20.0, 3000.0), 5e-5).expect("records");
        found.parts.iter().take(1).map(|part| part.hz.value).collect::<Vec<f64>>()
    };
    Case { name, samples: 2 * count, run: Box::new(run), truth: Some(vec![signals::RIPPLE_HZ]) }
}

/// Every case; its samples lie in the folder.
pub(crate) fn all(folder: &Path) -> Vec<Case> {
    let mut cases = vec![
        envelope(folder, "envelope, 2,000,000 samples a scan", 2_000_000),
        envelope(folder, "envelope, 20 samples a microsecond", 333_666),
        power(folder),
    ];
    cases.extend(pulse_train(folder));
    cases.extend([slip(folder), sync(folder)]);
    cases.extend(tone(folder));
    cases.extend([dropouts(folder), supply(folder)]);
    cases
}
