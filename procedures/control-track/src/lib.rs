//! The procedure control-track: looks at the control pulses: presence, level, rate, jitter, duty, missing pulses, delay to the head switch.
//!
//! First step: it looks at the signals that it needs and says what they span. It judges nothing yet, and
//! so its verdict is `unable`.

use tapewright_sdk::prelude::*;

struct ControlTrack;

/// A tenth of a second holds several frames of every format.
const SPAN_S: f64 = 0.1;

impl Procedure for ControlTrack {
    fn describe() -> Description {
        Description {
            name: "control-track",
            version: env!("CARGO_PKG_VERSION"),
            purpose: "Looks at the control pulses: presence, level, rate, jitter, duty, missing pulses, delay to the head switch.",
            needs: &[Signal::ControlTrack],
            uses: &[Signal::HeadSwitch],
            modes: &[Mode::Play],
            parameters: &[],
            cautions: &[Caution::Mains, Caution::MovingDrum],
            cover_off: true,
            tells: "Which volts the signals span.",
            when_it_fails: "Look whether the probe is on its point.",
            duration_s: 10.0,
        }
    }

    fn run(_settings: &Settings, report: &mut Report) -> Result<()> {
        for point in hookup()?.into_iter().filter(|point| !point.trigger_only) {
            let signal = point.signal;
            let codes = Acquire::of(&[signal]).span_s(SPAN_S).take_one().on(signal.as_str())?.trace(signal)?;
            let (low, high) =
                codes.codes.iter().fold((i16::MAX, i16::MIN), |(low, high), &code| (low.min(code), high.max(code)));
            let span_v = (f64::from(high) - f64::from(low)) * codes.info.gain_v.abs();
            report.note(&format!("{signal} spans {span_v:.3} V"));
        }
        Ok(())
    }
}

tapewright_sdk::export!(ControlTrack);
