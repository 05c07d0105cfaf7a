//! No measurement allocates for each sample: the same signal in four times as many samples takes about as many
//! allocations, a few more where a list doubles its room.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use tapewright_formats::pilots::pilots_hz;
use tapewright_formats::{LineStandard, SignalForm, format_named};
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::course::course_by_power;
use tapewright_measure::dropouts::{Definition, Dropouts};
use tapewright_measure::edges::{edges, state_levels};
use tapewright_measure::flutter::SpeedError;
use tapewright_measure::fm_sound::carrier_in;
use tapewright_measure::peaks::{PeakCorrection, PeakNoise, levels_by_peaks};
use tapewright_measure::picture::Picture;
use tapewright_measure::pilots::look;
use tapewright_measure::power::{PowerNoise, levels_by_power, levels_of_carriers};
use tapewright_measure::pulses::pulses_in;
use tapewright_measure::ripple::ripple;
use tapewright_measure::scan::{Head, Scan};
use tapewright_measure::sine::{fit_near, fit_tones, strongest_tone};
use tapewright_measure::spectrum::Spectrum;
use tapewright_measure::sync::separate;
use tapewright_measure::video::line_levels;
use tapewright_measure::{PairTrace, Trace};

/// Lists that double their room ask a few times more for four times as much.
const MORE: usize = 12;

/// The system's allocator, counted by thread.
struct Counting;

thread_local! {
    static ASKED: Cell<usize> = const { Cell::new(0) };
}

#[expect(unsafe_code, reason = "an allocator is an unsafe trait; this one only counts and hands on")]
// SAFETY: every call goes to the system's allocator with what it was given.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        // No count while the thread's own storage is being torn down.
        let _ = ASKED.try_with(|asked| asked.set(asked.get() + 1));
        // SAFETY: as the caller promised.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        // SAFETY: as the caller promised.
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

fn asked(work: impl FnOnce()) -> usize {
    let before = ASKED.get();
    work();
    ASKED.get() - before
}

/// Measures the same signal in few and in four times as many samples.
#[track_caller]
fn check(what: &str, few: usize, signal: impl Fn(f64) -> f64, span_s: f64, work: impl Fn(&Trace)) {
    let count = |samples: usize| {
        let dt_s = span_s / samples as f64;
        let volts = (0..samples).map(|i| signal(i as f64 * dt_s) as f32).collect();
        let trace = Trace::from_volts(0.0, dt_s, volts).expect("a trace");
        asked(|| work(&trace))
    };
    let (one, four) = (count(few), count(4 * few));
    // Some measurements keep a list for each of a scan's segments.
    assert!(four <= one + one / 4 + MORE, "{what}: {one} allocations for {few} samples, {four} for four times as many");
    assert!(one < few / 10, "{what}: {one} allocations for {few} samples");
}

const SCAN_S: f64 = 1001.0 / 60_000.0;

fn scan() -> Scan {
    Scan { head: Head::A, start_s: 0.0, end_s: SCAN_S, lines: 262.5 }
}

fn carrier_v(t: f64) -> f64 {
    0.2 * (core::f64::consts::TAU * 3.4e6 * t).cos()
}

fn control_v(t: f64) -> f64 {
    if (t * 29.97).fract() < 0.6 { 5.0 } else { 0.0 }
}

/// Sync of 4.7 us each line, and no picture.
fn sync_v(t: f64) -> f64 {
    if (t * LineStandard::L525.line_rate_hz()).fract() < 4.7 / 63.556 { -0.286 } else { 0.0 }
}

#[test]
fn the_counter_counts() {
    assert_eq!(asked(|| drop(std::hint::black_box(vec![1_u8; 100]))), 1);
}

#[test]
fn levels_by_the_carrier() {
    let carrier = Carrier::of(format_named("vhs-525-sp").expect("a row of the table"));
    check("carrier", 400_000, carrier_v, 1.001 * SCAN_S, |trace| {
        levels_by_carrier(trace, &scan(), &carrier, &CarrierNoise::none(), &Picture::even()).expect("levels");
    });
}

#[test]
fn levels_by_power_of_samples() {
    let quiet = Trace::from_volts(0.0, 1e-6, (0..100_u8).map(|i| f32::from(i % 3) * 1e-4).collect()).expect("a trace");
    let noise = PowerNoise::from_quiet(&quiet).expect("noise");
    check("power", 40_000, carrier_v, 1.001 * SCAN_S, |trace| {
        levels_by_power(trace, &scan(), &noise, &Picture::even()).expect("levels");
    });
    check("power of carriers", 40_000, carrier_v, 1.001 * SCAN_S, |trace| {
        levels_of_carriers(trace, &scan(), &noise).expect("levels");
    });
}

#[test]
fn edges_and_pulses() {
    check("edges", 20_000, control_v, 1.0, |trace| {
        let states = state_levels(trace).expect("two states");
        assert!(edges(trace, &states).expect("edges").len() > 50);
    });
    check("pulses", 20_000, control_v, 1.0, |trace| {
        let pulses = pulses_in(trace, SignalForm::Square).expect("pulses");
        pulses.rate(29.97, 0.0).expect("a rate");
    });
}

#[test]
fn sync_pulses_and_levels_of_lines() {
    check("sync", 40_000, sync_v, 4e-3, |trace| {
        let syncs = separate(trace, LineStandard::L525).expect("sync pulses");
        assert!(syncs.pulses.len() > 50);
        assert!(line_levels(trace, &syncs, LineStandard::L525).len() > 50);
    });
}

/// Bins that hold the carrier, and of each millisecond 30 us without it: so many bins more hold as many falls.
fn falling(trace: &Trace) -> PairTrace {
    let level = |i: usize| if (1e3 * trace.time_s(i)).fract() < 0.03 { 0.01 } else { 0.2 };
    let above: Vec<f32> = (0..trace.volts().len()).map(level).collect();
    let below = above.iter().map(|v| -v).collect();
    PairTrace::from_volts(0.0, trace.dt_s(), below, above).expect("pairs")
}

#[test]
fn dropouts_in_bins() {
    let what = Definition { fall_db: 16.0, length_s: 1e-5 };
    check("dropouts", 40_000, carrier_v, 0.1, |trace| {
        let mut seen = Dropouts::default();
        seen.look(&falling(trace), 0.005, &what).expect("bins");
        assert_eq!(seen.likely(&what).len(), 99);
    });
}

#[test]
fn levels_by_pairs_and_the_course_of_a_scan() {
    let quiet = |count: usize| PairTrace::from_volts(0.0, 1e-6, vec![-1e-3; count], vec![1e-3; count]).expect("pairs");
    let carrier = Carrier::of(format_named("vhs-525-sp").expect("a row of the table"));
    let noise = PeakNoise::from_quiet(&quiet(100), 60e6).expect("noise");
    check("peaks", 4_000, carrier_v, 1.001 * SCAN_S, |trace| {
        let level = vec![0.2; trace.volts().len()];
        let below = level.iter().map(|v| -v).collect();
        let pairs = PairTrace::from_volts(0.0, trace.dt_s(), below, level).expect("pairs");
        let correction = PeakCorrection::new(noise, &carrier, trace.dt_s()).expect("bins");
        levels_by_peaks(&pairs, &scan(), &correction, &Picture::even()).expect("levels");
    });
    let quiet = Trace::from_volts(0.0, 1e-6, (0..100_u8).map(|i| f32::from(i % 3) * 1e-4).collect()).expect("a trace");
    let noise = PowerNoise::from_quiet(&quiet).expect("noise");
    check("course", 40_000, carrier_v, 1.001 * SCAN_S, |trace| {
        course_by_power(trace, &scan(), &noise).expect("a course");
    });
}

/// A tone of so many hertz.
fn tone(hz: f64) -> impl Fn(f64) -> f64 {
    move |t| 0.3 * (core::f64::consts::TAU * hz * t).sin()
}

#[test]
fn tones_and_what_is_told_of_them() {
    check("a fit", 4_000, tone(3150.0), 0.1, |trace| {
        fit_near(trace, 3149.0).expect("a fit");
        fit_tones(trace, &[3150.0], true).expect("a fit");
        strongest_tone(trace, 3000.0, 3300.0, 3.0).expect("a tone");
    });
    check("a spectrum", 40_000, tone(3150.0), 4.0, |trace| {
        let values: Vec<f64> = trace.volts().iter().map(|v| f64::from(*v)).collect();
        assert!(!Spectrum::of(&values, trace.dt_s()).expect("a spectrum").peaks(100.0, 4900.0, 3).is_empty());
    });
    check("flutter", 60_000, tone(3150.0), 6.0, |trace| {
        SpeedError::of(trace, 3150.0).expect("a tone").weighted().expect("flutter");
    });
    check("ripple", 10_000, tone(120.0), 1.0, |trace| {
        ripple(trace, trace, (20.0, 3000.0), 5e-5).expect("records");
    });
    check("FM sound", 4_000, tone(1.3e6), 4e-4, |trace| {
        carrier_in(trace, 1.3e6, 1.7e6).expect("a carrier");
    });
}

#[test]
fn pilots_of_a_track() {
    let hz = pilots_hz(LineStandard::L525);
    let of_three = move |t: f64| tone(hz[0])(t) + 0.2 * tone(hz[1])(t) + 0.2 * tone(hz[3])(t);
    check("pilots", 4_000, of_three, 3e-4, |trace| {
        look(trace, &hz).expect("pilots").expect("a track");
    });
}
