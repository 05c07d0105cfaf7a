//! How long the envelope of a full-rate record takes, and a scan of pairs.

use criterion::{Criterion, criterion_group, criterion_main};
use tapewright_formats::{LineStandard, format_named};
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::peaks::{PeakCorrection, PeakNoise, levels_by_peaks};
use tapewright_measure::picture::Picture;
use tapewright_measure::scan::{Head, scans_from_trigger};
use tapewright_measure::{HeadCurve, PairTrace, Trace, curve};

fn bench(c: &mut Criterion) {
    let Some(format) = format_named("vhs-525-sp") else { return };
    let carrier = Carrier::of(format);
    let rate = 2_000_000.0 / 0.0168;
    let wave = |i: u32| 0.5 * (core::f64::consts::TAU * 3.4e6 / rate * f64::from(i)).cos();
    let Ok(trace) = Trace::from_volts(0.0, 1.0 / rate, (0..2_000_000).map(|i| wave(i) as f32).collect()) else {
        return;
    };
    let scan = scans_from_trigger(LineStandard::L525, Head::A, 0.0, 0.0168)[0];
    let noise = CarrierNoise::none();
    c.bench_function("envelope of 2,000,000 samples", |b| {
        b.iter(|| levels_by_carrier(&trace, &scan, &carrier, &noise, &Picture::even()))
    });

    let dt = 0.0168 / 1250.0;
    let side = |s: f32| (0..1250_u16).map(|i| s * (0.5 + 0.001 * f32::from(i % 7))).collect::<Vec<f32>>();
    let Ok(pairs) = PairTrace::from_volts(0.5 * dt, dt, side(-1.0), side(1.0)) else { return };
    let Ok(quiet) = PairTrace::from_volts(0.5 * dt, dt, side(-0.05), side(0.05)) else { return };
    let Ok(noise) = PeakNoise::from_quiet(&quiet, 20e6) else { return };
    c.bench_function("correction of pairs, made once", |b| b.iter(|| PeakCorrection::new(noise, &carrier, dt)));
    let Ok(correction) = PeakCorrection::new(noise, &carrier, dt) else { return };
    c.bench_function("scan of 1,250 pairs", |b| {
        b.iter(|| levels_by_peaks(&pairs, &scan, &correction, &Picture::even()))
    });
    let Ok(levels) = levels_by_peaks(&pairs, &scan, &correction, &Picture::even()) else { return };
    let frames = vec![levels; 8];
    c.bench_function("flatness of 8 frames", |b| {
        b.iter(|| HeadCurve::over_frames(&frames).and_then(|h| curve::flatness(&h)));
    });
}

criterion_group!(benches, bench);
criterion_main!(benches);
