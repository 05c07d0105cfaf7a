//! A bench for the tests, and one way to run an act on it.
#![allow(dead_code, reason = "each test program uses a part of it")]

use std::future::{pending, ready};
use std::sync::{Arc, LazyLock, Mutex};
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::{Mode, ProbePlace, Signal, SignalForm, TapeKind, TrackingPress, UnableCode};
use tapewright_host::{
    Abilities, Answer, Call, Cancel, Capture, CaptureStore, Engine, Failure, Head, Limits, Log, MemoryCaptures, Point,
    Procedure, Prompt, Refusal, Request, Run, RunError, Services, Setting, Subject, TraceData, TraceInfo, Value,
    Verdict,
};
use tapewright_test_guests::guest;

/// Codes a second of the test's scope: enough for a hundred pulses.
pub(crate) const CODES_A_SECOND: f64 = 20_000.0;

/// A bench of square control pulses.
#[derive(Debug, Clone)]
pub(crate) struct Bench {
    /// Volts peak to peak.
    pub(crate) level_v: f64,
    /// What happens to prompts: none hangs for ever.
    pub(crate) answer: Option<Result<String, Failure>>,
    /// What happens to hookup.
    pub(crate) hookup: Result<(), Failure>,
    /// Spoils each capture.
    pub(crate) spoil: fn(&mut Capture),
    /// What was shown as progress.
    pub(crate) shown: Arc<Mutex<Vec<f64>>>,
}

impl Default for Bench {
    fn default() -> Self {
        Self { level_v: 2.0, answer: None, hookup: Ok(()), spoil: |_| {}, shown: Arc::default() }
    }
}

impl Bench {
    fn capture(&self, request: &Request, place: u32) -> Capture {
        let count = (request.span_s * CODES_A_SECOND) as usize;
        // A frame is 1/30 s here; the place varies the phase, so that no two captures are equal.
        let high = |i: usize| (i as f64 / CODES_A_SECOND * 30.0 + f64::from(place) * 0.1).fract() < 0.5;
        let half = (self.level_v / 0.01 / 2.0) as i16;
        let codes: Vec<i16> = (0..count).map(|i| if high(i) { half } else { -half }).collect();
        let trace = |&signal: &Signal| TraceData {
            info: TraceInfo {
                signal,
                channel: "CH1".into(),
                t0_s: 0.0,
                dt_s: 1.0 / CODES_A_SECOND,
                pairs: false,
                gain_v: 0.01,
                offset_v: 0.0,
                code_low: -128,
                code_high: 127,
                gain_uncertainty: 0.01,
                offset_uncertainty_v: 0.001,
                bandwidth_hz: 1e8,
            },
            codes: codes.clone().into(),
        };
        let mut capture = Capture {
            trigger_s: 0.1 + 0.2 * f64::from(place),
            trigger_uncertainty_s: 1e-3,
            timebase_uncertainty: 5e-5,
            triggered: true,
            traces: request.signals.iter().map(trace).collect(),
        };
        (self.spoil)(&mut capture);
        capture
    }
}

fn done<'a, T: Send + 'a>(answer: Result<T, Refusal>) -> Answer<'a, T> {
    Box::pin(ready(answer))
}

impl Services for Bench {
    fn acquire(&mut self, request: Request) -> Answer<'_, Vec<Capture>> {
        let taken = (0..request.count).map(|place| self.capture(&request, place)).collect();
        done(Ok(taken))
    }

    fn hookup(&mut self) -> Answer<'_, Vec<Point>> {
        let point = Point {
            signal: Signal::ControlTrack,
            channel: "CH1".into(),
            trigger_only: false,
            place: ProbePlace::BeforeAgc,
            form: SignalForm::Square,
            head: Head::Both,
            high_is_a: true,
            expected_v: Some(2.0),
        };
        done(self.hookup.clone().map(|()| vec![point]).map_err(Refusal::Told))
    }

    fn abilities(&mut self) -> Answer<'_, Abilities> {
        done(Ok(Abilities {
            channels: 2,
            greatest_points: 2_500,
            greatest_rate_hz: 1e9,
            peak_pulse_s: None,
            video_trigger: true,
            seconds_a_point: 1e-3,
        }))
    }

    fn subject(&mut self) -> Answer<'_, Subject> {
        done(Ok(Subject {
            format: "vhs-525-sp".into(),
            tape: TapeKind::Own,
            tape_name: "scrap 3".into(),
            known_level_v: None,
            even_picture: true,
        }))
    }

    fn go(&mut self, _to: Mode) -> Answer<'_, f64> {
        // A number that a careless parser of its own text would not get back to the bit.
        done(Ok(0.1 + 0.2))
    }

    fn now(&mut self) -> Answer<'_, Mode> {
        done(Ok(Mode::Play))
    }

    fn track(&mut self, press: TrackingPress) -> Answer<'_, bool> {
        done(Ok(press == TrackingPress::Centre))
    }

    fn record_for(&mut self, _seconds: f64) -> Answer<'_, ()> {
        done(Err(Failure::new(UnableCode::WrongTape, "the tape is not declared scratch").into()))
    }

    fn ask(&mut self, _prompt: Prompt) -> Answer<'_, String> {
        match self.answer.clone() {
            Some(answer) => done(answer.map_err(Refusal::Told)),
            None => Box::pin(pending()),
        }
    }

    fn progress(&mut self, share: f64, _doing: &str) {
        self.shown.lock().expect("no test panics with it").push(share);
    }
}

/// What a run left behind.
pub(crate) struct Evidence {
    pub(crate) calls: Arc<Mutex<Vec<Call>>>,
    pub(crate) captures: MemoryCaptures,
}

impl Evidence {
    pub(crate) fn calls(&self) -> Vec<Call> {
        self.calls.lock().expect("no test panics with it").clone()
    }

    pub(crate) fn store(&self) -> Box<dyn CaptureStore> {
        Box::new(self.captures.clone())
    }
}

pub(crate) fn act(name: &str) -> Vec<Setting> {
    vec![Setting { name: "act".into(), value: Value::Text(name.into()), source: "this test".into() }]
}

pub(crate) fn virtual_clock() -> Clock {
    Clock::virtual_from(WallTime(0))
}

pub(crate) fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(work)
}

/// Compiled once: most of a test's time would go there. In a thread of its own, since whoever asks first
/// may be in a runtime already.
static READY: LazyLock<(Engine, Procedure)> = LazyLock::new(|| {
    let load = || {
        let engine = Engine::new().expect("the runtime starts");
        let procedure = block_on(engine.load(guest("acts").bytes)).expect("it is a procedure");
        (engine, procedure)
    };
    std::thread::spawn(load).join().expect("it loads")
});

pub(crate) fn engine() -> &'static Engine {
    &READY.0
}

pub(crate) fn acts() -> &'static Procedure {
    &READY.1
}

/// A run and what it leaves, for tests that turn more than one screw.
pub(crate) fn prepare(settings: Vec<Setting>, bench: Bench, limits: Limits) -> (Run, Evidence) {
    let evidence = Evidence { calls: Arc::default(), captures: MemoryCaptures::default() };
    let run = Run {
        settings,
        limits,
        services: Box::new(bench),
        log: Box::new(Arc::clone(&evidence.calls)) as Box<dyn Log>,
        captures: evidence.store(),
        clock: virtual_clock(),
        cancel: Cancel::default(),
    };
    (run, evidence)
}

/// Runs one act on a bench.
pub(crate) fn play(settings: Vec<Setting>, bench: Bench, limits: Limits) -> (Result<Verdict, RunError>, Evidence) {
    let (engine, procedure) = (engine(), acts());
    let (run, evidence) = prepare(settings, bench, limits);
    (block_on(engine.run(procedure, run)), evidence)
}
