//! A bench on the simulated instrument: what the operator would have written down about it.
//!
//! The hookup is made from where the scenario puts the probes and from what the points are; nothing of
//! the machine's faults or truth passes through here.

use crate::bench::Parts;
use core::time::Duration;
use sim_instrument::scenario::Scenario;
use sim_instrument::source::Point as Touch;
use sim_instrument::{FrontEnd, Scaling, SimBench, SimPort};
use std::collections::BTreeMap;
use tapewright_clock::{Clock, Instant};
use tapewright_formats::{Mode, Signal, SignalForm, format_named};
use tapewright_instrument::dialect::DialectError;
use tapewright_instrument::link::{InProcess, Peer};
use tapewright_instrument::transport::{Key, TrackingKeys, TransportTable};
use tapewright_instrument::{Dialect, Hookup, Link, Point};

/// The simulator's port as the other end of an in-process link.
pub struct SimPeer(pub SimPort);

impl Peer for SimPeer {
    fn write(&mut self, now: Instant, bytes: &[u8]) {
        self.0.write(now, bytes);
    }
    fn read(&mut self, now: Instant) -> Vec<u8> {
        self.0.read(now)
    }
    fn next_output(&mut self, now: Instant) -> Option<Instant> {
        self.0.next_output(now)
    }
    fn is_open(&mut self, now: Instant) -> bool {
        self.0.is_open(now)
    }
    fn reopen(&mut self, now: Instant) -> bool {
        self.0.reopen(now)
    }
}

/// The dialect that speaks to the scenario's scope.
///
/// # Errors
/// If the shipped dialect has no such variant.
pub fn dialect(scenario: &Scenario) -> Result<Dialect, DialectError> {
    let large = scenario.scope.specs.channels > 2;
    let (name, variant) = match scenario.scope.front_end {
        FrontEnd::FamilyB => ("channel-horizontal-curve", large.then(|| "large".to_owned())),
        FrontEnd::FamilyC => ("prefixed-channel-descriptor", large.then(|| "large".to_owned())),
        FrontEnd::Scpi99 => ("scpi-99", large.then(|| "large".to_owned())),
        FrontEnd::FamilyA(scaling) => {
            let scaling = match scaling {
                Scaling::A1 => None,
                Scaling::A2 => Some("a2"),
                Scaling::A3 => Some("a3"),
                Scaling::A4 => Some("a4"),
            };
            let variant = match (large, scaling) {
                (true, None) => Some("large".to_owned()),
                (true, Some(scaling)) => Some(format!("large-{scaling}")),
                (false, scaling) => scaling.map(str::to_owned),
            };
            ("channel-timebase-waveform", variant)
        }
    };
    let dialect = Dialect::shipped(name)?;
    match variant {
        Some(variant) => dialect.with_variant(&variant),
        None => Ok(dialect),
    }
}

/// What is hooked up, as the operator knows it: which probe is where, and what kind of point that is.
#[must_use]
pub fn hookup(scenario: &Scenario, dialect: &Dialect) -> Hookup {
    let machine = &scenario.machine;
    let mut points = Vec::new();
    for probe in &scenario.scope.probes {
        let Touch::Signal(signal) = probe.point else { continue };
        let Some(channel) = channel_label(&probe.label, dialect) else { continue };
        let mut point = Point::new(signal, channel);
        point.probe_factor = probe.factor;
        point.expected_v = probe.expected_v;
        match signal {
            Signal::Rf => {
                point.place = machine.rf.place;
                point.form = machine.rf.form;
            }
            Signal::ControlTrack => point.form = machine.control.form,
            Signal::HeadSwitch => {
                point.form = SignalForm::Square;
                point.high_is_a = machine.head_switch.high_is_a;
            }
            Signal::DrumPulse | Signal::CapstanPulse | Signal::Reference => point.form = SignalForm::Square,
            _ => {}
        }
        points.push(point);
    }
    let lines = format_named(&machine.format).map(|f| if f.lines.lines_a_scan() < 300.0 { 525 } else { 625 });
    Hookup { lines, points }
}

/// The simulator's `CH1` or `EXT` as the dialect spells it.
fn channel_label(label: &str, dialect: &Dialect) -> Option<String> {
    let wanted = match label.to_ascii_uppercase().strip_prefix("CH") {
        Some(number) => Some(number.parse::<u32>().ok()?),
        None => None,
    };
    let fits = |input: &&tapewright_instrument::dialect::Input| match wanted {
        Some(number) => input.number == Some(number),
        None => input.trigger_only,
    };
    dialect.inputs.iter().find(fits).map(|input| input.label.clone())
}

/// The table of keys of the simulated machine, with the times that its transport takes.
#[must_use]
pub fn keys(scenario: &Scenario) -> TransportTable {
    let machine = &scenario.machine;
    // After eight time constants a servo is within a two-thousandth of where it goes.
    let to_speed = machine.capstan.run_up_s + 8.0 * machine.capstan.lock_tau_s;
    let threading = machine.transport.threading_s + machine.drum.spin_up_s + 8.0 * machine.drum.lock_tau_s;
    let key =
        |relay: u32, settle_s: f64| Key { relays: vec![relay], settle_s, via: None, again: false, lands_in: None };
    let still = machine.transport.still_stop_s + 8.0 * machine.drum.lock_tau_s;
    let keys = BTreeMap::from([
        (Mode::Stop, key(1, machine.transport.threading_s + 0.3)),
        (Mode::Play, key(2, threading + to_speed)),
        (Mode::Still, Key { via: Some(Mode::Play), ..key(3, still) }),
        (Mode::Advance, Key { via: Some(Mode::Still), again: true, lands_in: Some(Mode::Still), ..key(4, still) }),
        (Mode::Cue, Key { via: Some(Mode::Play), ..key(5, to_speed + 8.0 * machine.drum.lock_tau_s) }),
        (Mode::Review, Key { via: Some(Mode::Play), ..key(6, to_speed + 8.0 * machine.drum.lock_tau_s) }),
        (Mode::FastForward, key(7, 2.0)),
        (Mode::Rewind, key(8, 2.0)),
        (Mode::Record, key(9, threading + to_speed)),
    ]);
    let tracking = TrackingKeys { up: vec![10], down: vec![11], centre: None, settle_s: 0.1 };
    TransportTable { pulse_s: 0.1, verify: true, keys, tracking: machine.tracking.keys.then_some(tracking) }
}

/// A bench whose links are in this process.
///
/// # Errors
/// If the shipped dialect has no variant for the scenario's scope.
pub fn in_process(scenario: &Scenario, sim: &SimBench, clock: &Clock, name: &str) -> Result<Parts, DialectError> {
    let link = |port: SimPort, of: &str| -> Box<dyn Link> {
        Box::new(InProcess::new(SimPeer(port), clock.clone(), format!("simulated {of} of {name}")))
    };
    let dialect = dialect(scenario)?;
    Ok(Parts {
        name: name.to_owned(),
        scope: link(sim.scope_port(), "scope"),
        hookup: hookup(scenario, &dialect),
        dialect,
        read_twice: false,
        relays: Some((link(sim.relay_port(), "relays"), keys(scenario))),
        settle: Duration::from_secs(8),
        hands_clear: Duration::ZERO,
    })
}
