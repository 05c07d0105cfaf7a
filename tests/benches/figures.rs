//! Figures of speed that are reported, not judged: envelope, blocks, components, and a serial capture.
//!
//! `cargo bench -p tapewright-tests`. The envelope of 2,000,000 samples alone, with its parts, stands in
//! `cargo bench -p tapewright-measure`.

mod wire;

use core::hint::black_box;
use criterion::{Criterion, Throughput, criterion_group};
use std::time::Duration;
use tapewright_formats::{LineStandard, format_named};
use tapewright_host::Engine;
use tapewright_instrument::scpi::frame;
use tapewright_measure::Trace;
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::picture::Picture;
use tapewright_measure::scan::{Head, scans_from_trigger};

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime")
}

fn envelope(c: &mut Criterion) {
    let format = format_named("vhs-525-sp").expect("a row of the table");
    let carrier = Carrier::of(format);
    let rate_hz = 2_000_000.0 / 0.0168;
    let wave = |i: u32| (0.5 * (core::f64::consts::TAU * 3.4e6 / rate_hz * f64::from(i)).cos()) as f32;
    let trace = Trace::from_volts(0.0, 1.0 / rate_hz, (0..2_000_000).map(wave).collect()).expect("a trace");
    let scan = scans_from_trigger(LineStandard::L525, Head::A, 0.0, 0.0168)[0];
    let mut group = c.benchmark_group("envelope");
    group.sample_size(10).throughput(Throughput::Elements(2_000_000));
    group.bench_function("2,000,000 samples, native", |b| {
        b.iter(|| levels_by_carrier(black_box(&trace), &scan, &carrier, &CarrierNoise::none(), &Picture::even()));
    });
    group.finish();
}

fn blocks(c: &mut Criterion) {
    let data: Vec<u8> = (0..2_000_000_u32).map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()[0]).collect();
    let mut message = frame::print_block(&data);
    message.push(b'\n');
    let mut group = c.benchmark_group("block");
    group.throughput(Throughput::Bytes(data.len() as u64));
    group.bench_function("2,000,000 bytes, read and copied", |b| {
        b.iter(|| {
            let (used, read) = frame::block(black_box(&message), data.len(), false).expect("a whole block");
            (used, read.to_vec())
        });
    });
    group.finish();
}

fn components(c: &mut Criterion) {
    let runtime = runtime();
    let engine = Engine::new().expect("an engine");
    let bytes = tapewright_shipped::procedure("envelope").expect("it is shipped").bytes;
    let mut group = c.benchmark_group("component");
    group.sample_size(10);
    group.bench_function("compile, instantiate and describe `envelope`", |b| {
        b.iter(|| runtime.block_on(engine.load(black_box(bytes))).expect("it loads"));
    });
    group.finish();
}

criterion_group! {
    name = benches;
    config = Criterion::default().warm_up_time(Duration::from_secs(1)).measurement_time(Duration::from_secs(4));
    targets = envelope, blocks, components
}

fn main() {
    benches();
    Criterion::default().configure_from_args().final_summary();
    wire::serial_captures();
}
