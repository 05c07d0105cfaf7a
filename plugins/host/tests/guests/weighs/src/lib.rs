//! A component that measures the levels of the same RF scan as often as it is told: how fast arithmetic in a
//! component is, and how much linear memory it takes.

use tapewright_sdk::measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_sdk::measure::picture::Picture;
use tapewright_sdk::measure::scan::{Head as ScanHead, Scan};
use tapewright_sdk::prelude::*;

const TIMES: Number = Number {
    name: "times",
    meaning: "How often the levels are measured.",
    unit: Unit::One,
    default: 1.0,
    least: 0.0,
    greatest: 1000.0,
    source: "this benchmark",
};

struct Weighs;

impl Procedure for Weighs {
    fn describe() -> Description {
        Description {
            name: "weighs",
            version: env!("CARGO_PKG_VERSION"),
            purpose: "Measures the levels of one RF scan over and over.",
            needs: &[Signal::Rf],
            uses: &[],
            modes: &[],
            parameters: &[Parameter::Number(TIMES)],
            cautions: &[],
            cover_off: false,
            tells: "How fast a component computes.",
            when_it_fails: "Look at the host's switches.",
            duration_s: 1.0,
        }
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let subject = subject()?;
        let capture = Acquire::of(&[Signal::Rf]).span_s(0.0167).take_one()?;
        let trace = capture.trace(Signal::Rf)?.samples()?;
        let carrier = Carrier::of(subject.format);
        let (start_s, lines) = (trace.t0_s(), subject.format.lines.lines_a_scan());
        let scan = Scan { head: ScanHead::A, start_s, end_s: start_s + trace.span_s(), lines };
        let mut middle_v = 0.0;
        for _ in 0..settings.count(&TIMES) {
            let levels = levels_by_carrier(
                core::hint::black_box(&trace),
                &scan,
                &carrier,
                &CarrierNoise::none(),
                &Picture::even(),
            )?;
            middle_v = levels.level_v[levels.level_v.len() / 2];
        }
        #[cfg(target_arch = "wasm32")]
        report.note(&format!("linear memory: {} bytes", core::arch::wasm32::memory_size(0) * 65_536));
        let level = Estimate::combined(middle_v, vec![Contribution::type_b("none stated", 0.01)])?;
        let limit = Limit { at_least: Some(-1.0), at_most: None };
        let limits = Limits { good: limit, reject: limit, source: "this benchmark".to_owned() };
        report.measured(Measured::new("middle-level", Unit::Volt, &level).judged(limits));
        Ok(())
    }
}

tapewright_sdk::export!(Weighs);
