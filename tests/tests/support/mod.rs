//! A scope of the daemon on a simulated bench in this process, on a virtual clock.
#![allow(dead_code, unreachable_pub, reason = "each test file uses a part")]

use sim_instrument::SimBench;
use sim_instrument::scenario::Scenario;
use std::path::{Path, PathBuf};
use tapewright::simulated::{self, SimPeer};
use tapewright_clock::{Clock, WallTime};
use tapewright_instrument::link::InProcess;
use tapewright_instrument::{Dialect, Hookup, Scope, ScopeError};

/// The front ends: what the scenario calls them, and their scaling where they have one.
pub const FRONT_ENDS: [(&str, &str); 7] = [
    ("family-a", "A1"),
    ("family-a", "A2"),
    ("family-a", "A3"),
    ("family-a", "A4"),
    ("scpi-99", ""),
    ("family-b", ""),
    ("family-c", ""),
];

/// A healthy quick machine in front of a modest scope; `more` is added to the file.
pub fn scenario(front_end: &str, scaling: &str, seed: u64, more: &str) -> Scenario {
    let scaling = if scaling.is_empty() { String::new() } else { format!("scaling = \"{scaling}\"\n") };
    let text = format!(
        r#"title = "CM-02 on the test bench"
seed = {seed}
[machine]
name = "CM-02"
format = "vhs-525-sp"
tape = "own"
[machine.transport]
threading_s = 0.4
still_stop_s = 0.1
[machine.drum]
spin_up_s = 0.3
lock_tau_s = 0.05
[machine.capstan]
run_up_s = 0.1
lock_tau_s = 0.05
[tapes.own]
kind = "own"
[tapes.scrap]
kind = "unknown"
[tapes.alignment]
kind = "alignment"
picture = "grey"
[scope]
front_end = "{front_end}"
{scaling}model = "modest"
[scope.probes.CH1]
point = "rf"
expected_v = 0.4
[scope.probes.CH2]
point = "control-track"
factor = 10.0
expected_v = 5.0
[scope.probes.EXT]
point = "head-switch"
expected_v = 5.0
[operator]
answer = "yes"
{more}
"#
    );
    Scenario::parse(&text).expect("the test's scenario is right")
}

/// The pieces that a scope is opened from.
pub struct Rig {
    pub sim: SimBench,
    pub clock: Clock,
    pub dialect: Dialect,
    pub hookup: Hookup,
}

impl Rig {
    pub fn new(scenario: &Scenario) -> Self {
        let clock = Clock::virtual_from(WallTime(0));
        let sim = scenario.bench().expect("the test's machine is right");
        let dialect = simulated::dialect(scenario).expect("a shipped dialect");
        let hookup = simulated::hookup(scenario, &dialect);
        Self { sim, clock, dialect, hookup }
    }

    /// Says something to the bench.
    pub fn tell(&self, command: &str) {
        self.sim.command(self.clock.now(), command).unwrap_or_else(|error| panic!("`{command}`: {error}"));
    }

    pub async fn open(&self) -> Result<Scope, ScopeError> {
        let link = InProcess::new(SimPeer(self.sim.scope_port()), self.clock.clone(), "the test's scope");
        Scope::open(Box::new(link), self.dialect.clone(), self.clock.clone()).await
    }

    /// As [`Self::open`], over a serial line of that rate.
    pub async fn open_at(&self, baud: u32) -> Result<Scope, ScopeError> {
        let link = InProcess::new(SimPeer(self.sim.scope_port()), self.clock.clone(), "the test's scope");
        Scope::open(Box::new(link.with_baud(baud)), self.dialect.clone(), self.clock.clone()).await
    }

    /// Presses play and gives the machine the time that it needs.
    pub async fn play(&self) {
        self.tell("key play");
        self.clock.sleep(core::time::Duration::from_secs(4)).await;
    }
}

/// Runs on one thread: with the virtual clock, the same every time.
pub fn block_on<T>(work: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(work)
}

/// A file of the source tree.
pub fn in_tree(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path)
}

pub fn text_of(path: &str) -> String {
    let path = in_tree(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}
