//! A machine with simple, exactly known signals, and a controller that steps the time by itself.

use sim_instrument::source::{Point, Slope, Source};
use sim_instrument::{BenchSetup, Deck, FrontEnd, PortSettings, Probe, SimBench, SimPort, Specs, TrackingKey};
use std::sync::{Arc, Mutex};
use tapewright_clock::Instant;
use tapewright_formats::{Mode, Signal, TapeKind};

/// Amplitude and frequency of the carrier at `rf`.
pub(crate) const CARRIER: (f64, f64) = (0.4, 1.0e6);
/// Frequency, low and high state of the square at `head-switch`.
pub(crate) const SWITCH: (f64, f64, f64) = (30.0, 0.0, 5.0);
/// Volts a second, and length in seconds, of the ramp at `supply`.
pub(crate) const RAMP: (f64, f64) = (2.0, 1.0);
/// Lines a second of the video.
pub(crate) const LINE_HZ: f64 = 15_750.0;
/// Steady volts at `reference`.
pub(crate) const STEADY_V: f64 = 1.25;

/// The exact volts at a point.
pub(crate) fn volts(point: Point, t_s: f64) -> f64 {
    match point {
        Point::Signal(Signal::Rf) => CARRIER.0 * (core::f64::consts::TAU * CARRIER.1 * t_s).sin(),
        Point::Signal(Signal::HeadSwitch) => {
            if (t_s * SWITCH.0).rem_euclid(1.0) < 0.5 {
                SWITCH.2
            } else {
                SWITCH.1
            }
        }
        Point::Signal(Signal::Supply) => RAMP.0 * t_s.rem_euclid(RAMP.1),
        Point::Signal(Signal::Reference) => STEADY_V,
        _ => 0.0,
    }
}

/// A bench whose scope answers at once and measures without errors, with `change`; and what talks to it.
pub(crate) fn exact(change: impl FnOnce(&mut BenchSetup)) -> (SimBench, Controller) {
    let (bench, _) = bench(|setup| {
        quick(&mut setup.scope_port);
        setup.specs = setup.specs.clone().without_errors();
        change(setup);
    });
    let controller = Controller::new(bench.scope_port());
    (bench, controller)
}

/// Such a bench with a scope of a family.
pub(crate) fn exact_of(front_end: FrontEnd) -> (SimBench, Controller) {
    exact(|setup| setup.front_end = front_end)
}

/// Messages and their replies, in order, on one scope of a family.
pub(crate) fn replies(front_end: FrontEnd, table: &[(&str, &str)]) {
    let (_, mut scope) = exact_of(front_end);
    for (message, reply) in table {
        assert_eq!(scope.ask(message), *reply, "{message}");
    }
}

/// What was done to the machine.
pub(crate) type Deeds = Arc<Mutex<Vec<String>>>;

/// The machine.
pub(crate) struct Plain {
    pub(crate) deeds: Deeds,
    tape: Option<String>,
    silent: bool,
}

impl Plain {
    fn did(&self, what: String) {
        self.deeds.lock().expect("no test panics while it holds this").push(what);
    }
}

impl Source for Plain {
    fn samples(&mut self, point: Point, t0_s: f64, dt_s: f64, _bandwidth_hz: f64, out: &mut [f64]) {
        for (i, value) in out.iter_mut().enumerate() {
            *value = if self.silent { 0.0 } else { volts(point, t0_s + i as f64 * dt_s) };
        }
    }

    fn extremes(
        &mut self,
        point: Point,
        t0_s: f64,
        dt_s: f64,
        underlying_s: f64,
        _bandwidth_hz: f64,
        out: &mut [(f64, f64)],
    ) {
        let count = (dt_s / underlying_s).round().max(1.0) as usize;
        for (i, pair) in out.iter_mut().enumerate() {
            let from_s = t0_s + i as f64 * dt_s;
            let values = (0..count).map(|k| volts(point, from_s + k as f64 * underlying_s));
            *pair = values.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
        }
    }

    fn next_crossing(&mut self, point: Point, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        if self.silent {
            return None;
        }
        let (frequency, phase) = match point {
            Point::Signal(Signal::HeadSwitch) if (SWITCH.1..SWITCH.2).contains(&level_v) => {
                (SWITCH.0, if slope == Slope::Rising { 0.0 } else { 0.5 })
            }
            Point::Signal(Signal::Supply) if slope == Slope::Rising && (0.0..RAMP.0 * RAMP.1).contains(&level_v) => {
                (1.0 / RAMP.1, level_v / (RAMP.0 * RAMP.1))
            }
            _ => return None,
        };
        let at_s = ((after_s * frequency - phase).floor() + 1.0 + phase) / frequency;
        (at_s < until_s).then_some(at_s)
    }

    fn next_video(
        &mut self,
        point: Point,
        field: Option<u8>,
        line: Option<u32>,
        after_s: f64,
        until_s: f64,
    ) -> Option<f64> {
        if point != Point::Signal(Signal::Video) {
            return None;
        }
        let frame_s = 525.0 / LINE_HZ;
        let (period_s, phase_s) = match (field, line) {
            (_, Some(line)) => (frame_s, f64::from(line - 1) / LINE_HZ),
            (Some(2), None) => (frame_s, 0.5 * frame_s),
            (Some(_), None) => (frame_s, 0.0),
            (None, None) => (0.5 * frame_s, 0.0),
        };
        let at_s = (((after_s - phase_s) / period_s).floor() + 1.0) * period_s + phase_s;
        (at_s < until_s).then_some(at_s)
    }
}

impl Deck for Plain {
    fn key(&mut self, mode: Mode, at_s: f64) {
        self.did(format!("{mode} at {at_s:.6}"));
    }

    fn tracking(&mut self, key: TrackingKey, at_s: f64) {
        self.did(format!("tracking {key:?} at {at_s:.6}"));
    }

    fn insert(&mut self, tape: Option<&str>, _at_s: f64) -> Result<(), String> {
        self.did(format!("tape {tape:?}"));
        self.tape = tape.map(str::to_owned);
        Ok(())
    }

    fn fault(&mut self, name: &str, value: &str, at_s: f64) -> Result<(), String> {
        if name != "silence" {
            return Err(format!("no fault is called `{name}`"));
        }
        self.silent = true;
        self.did(format!("{name} {value} at {at_s}"));
        Ok(())
    }

    fn clear(&mut self, name: &str, _at_s: f64) -> Result<(), String> {
        self.silent = false;
        self.did(format!("clear {name}"));
        Ok(())
    }

    fn truth(&mut self, what: &str, at_s: f64) -> Result<String, String> {
        if what == "time" { Ok(at_s.to_string()) } else { Err(format!("no truth about `{what}`")) }
    }

    fn tapes(&self) -> Vec<(String, TapeKind)> {
        vec![
            ("one".to_owned(), TapeKind::Other),
            ("two".to_owned(), TapeKind::Other),
            ("gauge".to_owned(), TapeKind::Alignment),
        ]
    }

    fn tape(&self) -> Option<String> {
        self.tape.clone()
    }
}

/// A bench with RF on CH1, the ramp on CH2 and the head switch on EXT.
pub(crate) fn bench(change: impl FnOnce(&mut BenchSetup)) -> (SimBench, Deeds) {
    let mut setup = BenchSetup::new(11, Specs::modest());
    setup.probes.channels[0] = Probe { point: Point::Signal(Signal::Rf), factor: 1.0, ..Probe::default() };
    setup.probes.channels[1] = Probe { point: Point::Signal(Signal::Supply), factor: 1.0, ..Probe::default() };
    setup.probes.external = Probe { point: Point::Signal(Signal::HeadSwitch), factor: 1.0, ..Probe::default() };
    change(&mut setup);
    let deeds = Deeds::default();
    let deck = Plain { deeds: Arc::clone(&deeds), tape: None, silent: false };
    (SimBench::new(setup, Box::new(deck)), deeds)
}

/// A quick port, so that tables of replies need no waiting.
pub(crate) fn quick(port: &mut PortSettings) {
    port.latency_s = 1e-6;
}

/// A controller with a timeline of its own.
pub(crate) struct Controller {
    pub(crate) port: SimPort,
    pub(crate) now: Instant,
}

impl Controller {
    pub(crate) fn new(port: SimPort) -> Self {
        Self { port, now: Instant::from_secs_f64(0.001) }
    }

    pub(crate) fn wait(&mut self, seconds: f64) {
        self.now = Instant::from_nanos(self.now.as_nanos() + (seconds * 1e9) as u64);
    }

    pub(crate) fn send(&mut self, text: &str) {
        self.port.write(self.now, text.as_bytes());
        self.port.write(self.now, b"\n");
    }

    /// Steps from output to output for at most `limit_s`; what came.
    pub(crate) fn listen(&mut self, limit_s: f64) -> Vec<u8> {
        let end = Instant::from_secs_f64(self.now.as_secs_f64() + limit_s);
        let mut got = self.port.read(self.now);
        while let Some(next) = self.port.next_output(self.now).filter(|next| *next <= end) {
            // A promise that is not kept must not hold the time.
            self.now = next.max(Instant::from_nanos(self.now.as_nanos() + 1));
            got.extend(self.port.read(self.now));
        }
        got
    }

    /// Sends a message and gives up to a second for its reply, without the NL.
    pub(crate) fn ask(&mut self, text: &str) -> String {
        self.send(text);
        let got = self.listen(1.0);
        String::from_utf8_lossy(&got).trim_end_matches('\n').to_owned()
    }

    /// Sends a query and takes the data of the block it answers.
    pub(crate) fn block(&mut self, text: &str) -> Vec<u8> {
        self.send(text);
        let got = self.listen(60.0);
        assert_eq!(got.get(..2), Some(b"#8".as_slice()), "{text}: {}", self.ask("SYST:ERR?"));
        let count: usize = String::from_utf8_lossy(&got[2..10]).parse().expect("eight digits");
        assert_eq!(got.len(), 10 + count + 1, "{text}");
        assert_eq!(got.last(), Some(&b'\n'), "{text}");
        got[10..10 + count].to_vec()
    }

    /// Asserts that no error is queued.
    pub(crate) fn no_error(&mut self) {
        assert_eq!(self.ask("SYST:ERR?"), "0,\"No error\"");
    }

    /// Polls until the scope says that it has stopped.
    pub(crate) fn until(&mut self, query: &str, wanted: &str, limit_s: f64) {
        let end = self.now.as_secs_f64() + limit_s;
        loop {
            let state = self.ask(query);
            if state == wanted {
                return;
            }
            assert!(self.now.as_secs_f64() < end, "{query} still says {state} after {limit_s} s");
            self.wait(1e-3);
        }
    }
}
