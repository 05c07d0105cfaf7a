//! The same envelope in a component (fuel and vector instructions on) and as a native call, and what memory it takes.

use crate::cases::CONVERTER;
use crate::{best_s, signals};
use std::fmt::Write;
use std::future::ready;
use std::sync::{Arc, Mutex};
use tapewright_clock::Clock;
use tapewright_formats::{Mode, ProbePlace, Signal, SignalForm, TapeKind, TrackingPress, UnableCode, format_named};
use tapewright_host::{
    Abilities, Answer, Call, Cancel, Capture, Engine, Failure, Head, Limits, Log, MemoryCaptures, Point, Procedure,
    Prompt, Refusal, Request, Run, Services, Setting, Subject, TraceData, TraceInfo, Value, Verdict,
};
use tapewright_measure::Trace;
use tapewright_measure::carrier::{Carrier, CarrierNoise, levels_by_carrier};
use tapewright_measure::picture::Picture;

/// How often the levels are measured in the longer run.
const TIMES: u32 = 10;

/// A bench that answers each request with the same codes.
#[derive(Clone)]
struct Replayed {
    codes: Arc<[i16]>,
}

fn done<'a, T: Send + 'a>(answer: Result<T, Refusal>) -> Answer<'a, T> {
    Box::pin(ready(answer))
}

impl Services for Replayed {
    fn acquire(&mut self, _: Request) -> Answer<'_, Vec<Capture>> {
        let info = TraceInfo {
            signal: Signal::Rf,
            channel: "CH1".into(),
            t0_s: 0.0,
            dt_s: signals::scan().end_s / self.codes.len() as f64,
            pairs: false,
            gain_v: CONVERTER.gain_v,
            offset_v: 0.0,
            code_low: CONVERTER.code_low,
            code_high: CONVERTER.code_high,
            gain_uncertainty: 0.0,
            offset_uncertainty_v: 0.0,
            bandwidth_hz: 1e8,
        };
        done(Ok(vec![Capture {
            trigger_s: 0.0,
            trigger_uncertainty_s: 0.0,
            timebase_uncertainty: 0.0,
            triggered: true,
            traces: vec![TraceData { info, codes: Arc::clone(&self.codes) }],
        }]))
    }

    fn hookup(&mut self) -> Answer<'_, Vec<Point>> {
        done(Ok(vec![Point {
            signal: Signal::Rf,
            channel: "CH1".into(),
            trigger_only: false,
            place: ProbePlace::BeforeAgc,
            form: SignalForm::Raw,
            head: Head::Both,
            high_is_a: true,
            expected_v: Some(0.4),
        }]))
    }

    fn abilities(&mut self) -> Answer<'_, Abilities> {
        done(Ok(Abilities {
            channels: 2,
            greatest_points: 2_000_000,
            greatest_rate_hz: 1e9,
            peak_pulse_s: None,
            video_trigger: true,
            seconds_a_point: 1e-6,
        }))
    }

    fn subject(&mut self) -> Answer<'_, Subject> {
        done(Ok(Subject {
            format: "vhs-525-sp".into(),
            tape: TapeKind::Alignment,
            tape_name: "in".into(),
            known_level_v: None,
            even_picture: true,
        }))
    }

    fn go(&mut self, _: Mode) -> Answer<'_, f64> {
        done(Ok(0.0))
    }

    fn now(&mut self) -> Answer<'_, Mode> {
        done(Ok(Mode::Play))
    }

    fn track(&mut self, _: TrackingPress) -> Answer<'_, bool> {
        done(Ok(false))
    }

    fn record_for(&mut self, _: f64) -> Answer<'_, ()> {
        done(Err(Failure::new(UnableCode::WrongTape, "the tape is not declared scratch").into()))
    }

    fn ask(&mut self, _: Prompt) -> Answer<'_, String> {
        done(Err(Failure::new(UnableCode::Unattended, "nobody is here").into()))
    }

    fn progress(&mut self, _: f64, _: &str) {}
}

fn play(engine: &Engine, procedure: &Procedure, bench: &Replayed, times: u32) -> Verdict {
    let settings =
        vec![Setting { name: "times".into(), value: Value::Number(f64::from(times)), source: "this benchmark".into() }];
    let calls: Arc<Mutex<Vec<Call>>> = Arc::default();
    let run = Run {
        settings,
        limits: Limits::default(),
        services: Box::new(bench.clone()),
        log: Box::new(calls) as Box<dyn Log>,
        captures: Box::new(MemoryCaptures::default()),
        clock: Clock::real(),
        cancel: Cancel::default(),
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(engine.run(procedure, run)).expect("a verdict")
}

/// A line of `/proc/self/status`, in megabytes; none where there is no such file.
fn resident_mb(line: &str) -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let kb = text.lines().find_map(|l| l.strip_prefix(line))?;
    kb.trim_matches([':', ' ', '\t', 'k', 'B']).parse::<f64>().ok().map(|kb| kb / 1024.0)
}

/// The rows, as text.
pub(crate) fn compare() -> String {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let engine = Engine::new().expect("an engine");
    let bytes = tapewright_test_guests::guest("weighs").bytes;
    let procedure = runtime.block_on(engine.load(bytes)).expect("it is a procedure");
    let carrier = Carrier::of(format_named("vhs-525-sp").expect("a row of the table"));
    let mut text = format!(
        "\n{:<46} {:>9} {:>11} {:>11} {:>8}  a whole run with it; memory\n",
        "component against native", "samples", "component", "native", "times"
    );
    for count in [20_000, 333_666, 2_000_000] {
        let codes: Arc<[i16]> = signals::rf(count).into();
        let trace = Trace::from_codes(0.0, signals::scan().end_s / count as f64, &codes, &CONVERTER).expect("a trace");
        let bench = Replayed { codes };
        let (before, peak_before) = (resident_mb("VmRSS"), resident_mb("VmHWM"));
        let verdict = play(&engine, &procedure, &bench, 1);
        let after = resident_mb("VmHWM");
        let notes = verdict.notes.join("; ");
        // The slow scope's record is too slow for this way: there the component says so, and nothing is compared.
        let native = levels_by_carrier(&trace, &signals::scan(), &carrier, &CarrierNoise::none(), &Picture::even());
        if native.is_err() {
            continue;
        }
        let native_s = best_s(5, || {
            levels_by_carrier(
                core::hint::black_box(&trace),
                &signals::scan(),
                &carrier,
                &CarrierNoise::none(),
                &Picture::even(),
            )
        });
        let none_s = best_s(3, || play(&engine, &procedure, &bench, 0));
        let many_s = best_s(3, || play(&engine, &procedure, &bench, TIMES));
        let once_s = best_s(3, || play(&engine, &procedure, &bench, 1));
        let each_s = (many_s - none_s) / f64::from(TIMES);
        let fuel = verdict.fuel as f64 / 1e6;
        let grew = match (before, peak_before, after) {
            (Some(before), Some(_), Some(after)) => {
                format!("process at most {:.0} MB over the {before:.0} MB before", (after - before).max(0.0))
            }
            _ => "process not told".to_owned(),
        };
        let _ = writeln!(
            text,
            "{:<46} {count:>9} {:>11} {:>11} {:>8.2}  {:.1} ms, {fuel:.0} million fuel; {notes}; {grew}",
            "levels of a scan by the carrier",
            format!("{:.3} ms", 1e3 * each_s),
            format!("{:.3} ms", 1e3 * native_s),
            each_s / native_s,
            1e3 * once_s
        );
    }
    text
}
