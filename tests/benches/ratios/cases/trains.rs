//! Pulse trains: edges, rate, and servos.

use super::{digitised, keep, volts};
use crate::Case;
use crate::signals;
use crate::signals::trains::{self, FRAME_S, Servo};
use std::path::Path;
use tapewright_formats::{Signal, SignalForm};
use tapewright_measure::Trace;
use tapewright_measure::edges::{edges, state_levels};
use tapewright_measure::pulses::{delays_to_switch, mean_delay, pulses_in};
use tapewright_measure::servo::{Look, Nominal, PhaseRecord, Turns};

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

/// Control pulses beside the head switch, which comes with each whole frame: delay, period jitter, how many did not come.
fn control(folder: &Path) -> Case {
    let name = "control pulses: delay, jitter, missing";
    let dt_s = 1e-5;
    let trace = digitised((0.0, dt_s), (-1.0, 6.0), &trains::control(dt_s));
    keep(folder, name, dt_s, volts(&trace));
    let samples = trace.volts().len();
    let run = move || {
        let pulses = pulses_in(&trace, SignalForm::Square).expect("pulses");
        let delays = delays_to_switch(&pulses.times_s, &[0.0], FRAME_S).expect("delays");
        let delay = mean_delay(&delays, FRAME_S, pulses.time_u_s).expect("a delay");
        let jitter = pulses.period_jitter(FRAME_S.recip()).expect("periods");
        let missing = pulses.missing(FRAME_S.recip()).expect("a count").missing;
        vec![delay.value, jitter.value, missing as f64]
    };
    Case { name, samples, run: Box::new(run), truth: Some(trains::control_truth()) }
}

/// Looks of 2,500 points about triggers so many frames apart; the outside library gets of each the trigger's time, the
/// time of the first sample from it, then the samples.
struct Looks {
    nominal: Nominal,
    traces: Vec<(f64, Trace)>,
    phases: Vec<(f64, f64)>,
}

const POINTS: usize = 2_500;

impl Looks {
    fn of(nominal: Nominal, servo: &Servo, count: u32, frames_apart: f64, span_s: f64) -> Self {
        let phases = trains::phases(servo, count, frames_apart);
        let dt_s = span_s / POINTS as f64;
        let time = (-0.5 * span_s, dt_s);
        // Where the drum keeps its rate, the train gains its slope's share in each turn.
        let period_s = if nominal == Nominal::Drum { FRAME_S * (1.0 - servo.slope) } else { FRAME_S };
        let look = |(&(at_s, phase_s), seed): (&(f64, f64), u64)| {
            (at_s, digitised(time, (-1.0, 6.0), &trains::look(time, POINTS, phase_s, period_s, seed)))
        };
        Self { traces: phases.iter().zip(0..).map(look).collect(), phases, nominal }
    }

    fn keep(&self, folder: &Path, name: &str) {
        let of =
            |(at_s, trace): &(f64, Trace)| [*at_s, trace.t0_s()].into_iter().chain(volts(trace)).collect::<Vec<_>>();
        keep(folder, name, self.traces[0].1.dt_s(), self.traces.iter().flat_map(of));
    }

    fn samples(&self) -> usize {
        self.traces.iter().map(|(_, trace)| trace.volts().len()).sum()
    }

    /// The looks as the procedures take them, and the record of phase.
    fn record(&self) -> PhaseRecord {
        let look = |(at_s, trace): &(f64, Trace)| {
            let pulses = pulses_in(trace, SignalForm::Square).expect("pulses");
            let nearest = pulses.times_s.iter().copied().min_by(|a, b| a.abs().total_cmp(&b.abs()));
            let phase_u_s = pulses.time_u_s.hypot(trace.dt_s() / 12.0_f64.sqrt());
            Look { at_s: *at_s, at_u_s: 1e-6, phase_s: -nearest.expect("an edge"), phase_u_s }
        };
        let looks: Vec<Look> = self.traces.iter().map(look).collect();
        let turns = Turns { period_s: FRAME_S, nominal: self.nominal, train_triggers: false };
        PhaseRecord::new(&looks, turns).expect("a record")
    }
}

/// A tape that walks: phases go round, and the rate is what is asked for.
fn walking(folder: &Path) -> Case {
    let name = "capstan: rate error, 60 looks";
    let servo = Servo { phase_s: 4.2e-3, slope: 0.0015, jitter_s: 30e-6, swing: (0.0, 0.0) };
    let looks = Looks::of(Nominal::Drum, &servo, 60, 12.0, 1.15 * FRAME_S);
    looks.keep(folder, name);
    let samples = looks.samples();
    let run = move || vec![looks.record().ratio_error().expect("a rate").value];
    Case { name, samples, run: Box::new(run), truth: Some(vec![servo.slope / (1.0 - servo.slope)]) }
}

/// A tape in lock: its phase, and its jitter.
fn locked(folder: &Path) -> Case {
    let name = "capstan: phase and jitter, 240 looks";
    let servo = Servo { phase_s: 1.3e-3, slope: 0.0, jitter_s: 40e-6, swing: (0.0, 0.0) };
    let looks = Looks::of(Nominal::Drum, &servo, 240, 3.0, 6e-3);
    looks.keep(folder, name);
    let samples = looks.samples();
    let [phase_s, jitter_s] = trains::drawn(&servo, &looks.phases);
    let run = move || {
        let record = looks.record();
        vec![record.phase().expect("a phase").value, record.jitter().expect("jitter").value]
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![phase_s, jitter_s]) }
}

/// A drum that runs faster than its reference.
fn off_rate(folder: &Path) -> Case {
    let name = "drum: rate error, 48 looks";
    let servo = Servo { phase_s: 2.1e-3, slope: -0.0008, jitter_s: 6e-6, swing: (0.0, 0.0) };
    let looks = Looks::of(Nominal::Train, &servo, 48, 12.5, 1.15 * FRAME_S);
    looks.keep(folder, name);
    let samples = looks.samples();
    let run = move || vec![-looks.record().drift().expect("a drift").value];
    Case { name, samples, run: Box::new(run), truth: Some(vec![-servo.slope]) }
}

/// A drum that hunts about its reference: phase, jitter, and how far it swings.
fn hunting(folder: &Path) -> Case {
    let name = "drum: phase, jitter and swing, 240 looks";
    let servo = Servo { phase_s: 0.9e-3, slope: 0.0, jitter_s: 6e-6, swing: (60e-6, 0.25) };
    let looks = Looks::of(Nominal::Train, &servo, 240, 3.0, 4e-3);
    looks.keep(folder, name);
    let samples = looks.samples();
    let [phase_s, jitter_s] = trains::drawn(&servo, &looks.phases);
    let run = move || {
        let record = looks.record();
        let (phase, jitter) = (record.phase().expect("a phase"), record.jitter().expect("jitter"));
        vec![phase.value, jitter.value, record.swing().expect("a swing").value]
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![phase_s, jitter_s, servo.swing.0]) }
}

/// The cases of this room.
pub(super) fn all(folder: &Path) -> Vec<Case> {
    let mut cases: Vec<Case> = pulse_train(folder).into();
    cases.extend([control(folder), walking(folder), locked(folder), off_rate(folder), hunting(folder)]);
    cases
}
