//! A machine whose volts are formulas: cheap to ask ten thousand times, and never the same twice.

use sim_instrument::Deck;
use sim_instrument::source::{Point, Slope, Source};
use tapewright_formats::{Mode, Signal, TapeKind};

/// Fields a second of the 525-line standard (ITU-R BT.1700: 60/1.001).
const FIELDS_HZ: f64 = 60.0 / 1.001;
/// Frequency of the control track's stand-in: a sine, so that its crossings are formulas.
const CONTROL_HZ: f64 = 480.0;
const CONTROL_V: f64 = 2.2;

/// Formulas on every point that the storm hooks up.
#[derive(Debug)]
pub struct FormulaDeck;

fn volts(point: Point, t_s: f64) -> f64 {
    let turn = |hertz: f64| (core::f64::consts::TAU * hertz * t_s).sin();
    match point {
        Point::Signal(Signal::Rf) => 0.85 * (0.6 + 0.4 * turn(37.3)) * turn(31_250.0),
        Point::Signal(Signal::ControlTrack) => CONTROL_V * turn(CONTROL_HZ),
        Point::Signal(Signal::HeadSwitch) => 2.5 + 2.5 * turn(FIELDS_HZ / 2.0).signum(),
        Point::Signal(Signal::Video) => 0.35 * turn(15_734.26) + 0.1 * turn(211.0),
        _ => 0.0,
    }
}

/// The first of the instants `offset_s + k * period_s` after `after_s`.
fn next_of(offset_s: f64, period_s: f64, after_s: f64) -> f64 {
    let next = ((after_s - offset_s) / period_s).floor() + 1.0;
    let at_s = offset_s + next * period_s;
    if at_s > after_s { at_s } else { at_s + period_s }
}

impl Source for FormulaDeck {
    fn samples(&mut self, point: Point, t0_s: f64, dt_s: f64, _bandwidth_hz: f64, out: &mut [f64]) {
        for (i, value) in out.iter_mut().enumerate() {
            *value = volts(point, t0_s + i as f64 * dt_s);
        }
    }

    fn extremes(
        &mut self,
        point: Point,
        t0_s: f64,
        dt_s: f64,
        _underlying_s: f64,
        _bandwidth_hz: f64,
        out: &mut [(f64, f64)],
    ) {
        for (i, pair) in out.iter_mut().enumerate() {
            let inside = (0..8).map(|k| volts(point, t0_s + (i as f64 + f64::from(k) / 8.0) * dt_s));
            *pair = inside.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        }
    }

    fn next_crossing(&mut self, point: Point, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        let (offset_s, period_s) = match point {
            Point::Signal(Signal::HeadSwitch) if (0.0..5.0).contains(&level_v) => {
                let period_s = 2.0 / FIELDS_HZ;
                (if slope == Slope::Rising { 0.0 } else { period_s / 2.0 }, period_s)
            }
            Point::Signal(Signal::ControlTrack) if level_v.abs() < CONTROL_V => {
                let rising = (level_v / CONTROL_V).asin() / core::f64::consts::TAU;
                (if slope == Slope::Rising { rising } else { 0.5 - rising } / CONTROL_HZ, 1.0 / CONTROL_HZ)
            }
            _ => return None,
        };
        Some(next_of(offset_s, period_s, after_s)).filter(|at_s| *at_s < until_s)
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
        let frame_s = 2.0 / FIELDS_HZ;
        let at_s = match (field, line) {
            (_, Some(line)) => next_of(f64::from(line - 1) / 525.0 * frame_s, frame_s, after_s),
            (Some(2), None) => next_of(frame_s / 2.0, frame_s, after_s),
            (Some(_), None) => next_of(0.0, frame_s, after_s),
            (None, None) => next_of(0.0, frame_s / 2.0, after_s),
        };
        Some(at_s).filter(|at_s| *at_s < until_s)
    }
}

impl Deck for FormulaDeck {
    fn key(&mut self, _mode: Mode, _at_s: f64) {}

    fn insert(&mut self, _tape: Option<&str>, _at_s: f64) -> Result<(), String> {
        Err("it takes no tape".into())
    }

    fn fault(&mut self, _name: &str, _value: &str, _at_s: f64) -> Result<(), String> {
        Err("it has no faults".into())
    }

    fn clear(&mut self, _name: &str, _at_s: f64) -> Result<(), String> {
        Err("it has no faults".into())
    }

    fn truth(&mut self, _what: &str, _at_s: f64) -> Result<String, String> {
        Err("its truth is its formulas".into())
    }

    fn tapes(&self) -> Vec<(String, TapeKind)> {
        Vec::new()
    }

    fn tape(&self) -> Option<String> {
        None
    }
}
