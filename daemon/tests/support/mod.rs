//! A bench of the daemon on the simulator in this process, on a virtual clock.
#![allow(dead_code, unreachable_pub, reason = "each test file uses a part")]

pub mod program;

use sim_instrument::SimBench;
use sim_instrument::scenario::Scenario;
use std::path::PathBuf;
use std::sync::Arc;
use tapewright::bench::Bench;
use tapewright::demo::operator::Operator;
use tapewright::library::Library;
use tapewright::records::DataFolder;
use tapewright::report::run_report::RunReport;
use tapewright::run::spec::RunSpec;
use tapewright::simulated;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::TapeKind;
use tokio::task::JoinHandle;

/// The shipped case of the demonstration.
pub fn vc_07() -> Scenario {
    Scenario::parse(tapewright::demo::VC_07).expect("the shipped scenario is right")
}

/// A scenario file of the tree, by its name.
pub fn scenario(name: &str) -> Scenario {
    let path = in_tree(&format!("sim-instrument/scenarios/{name}.toml"));
    Scenario::parse(&std::fs::read_to_string(&path).expect("the scenario is there")).expect("a right scenario")
}

pub struct Rig {
    pub scenario: Scenario,
    pub sim: SimBench,
    pub clock: Clock,
    pub data: DataFolder,
    pub bench: Bench,
    pub operator: Operator,
    pub folder: tempfile::TempDir,
}

impl Rig {
    pub async fn new(scenario: Scenario) -> Self {
        let clock = Clock::virtual_from(WallTime(1_700_000_000_000));
        let sim = scenario.bench().expect("a right machine");
        let parts = simulated::in_process(&scenario, &sim, &clock, "test").expect("a shipped dialect");
        let folder = tempfile::tempdir().expect("a folder");
        let data = DataFolder::open(folder.path(), clock.clone()).await.expect("records");
        let library = Arc::new(Library::open(&[]).expect("a library"));
        let bench = Bench::open(parts, clock.clone(), data.clone(), library).await.expect("the bench opens");
        let operator = Operator::new(sim.clone(), scenario.operator.clone());
        Self { scenario, sim, clock, data, bench, operator, folder }
    }

    /// Lets the scripted operator answer from now on.
    pub fn attended(&self) -> JoinHandle<()> {
        tokio::spawn(self.operator.clone().attend(self.bench.shared().clone()))
    }

    pub fn tell(&self, command: &str) {
        self.sim.command(self.clock.now(), command).unwrap_or_else(|error| panic!("`{command}`: {error}"));
    }

    /// A run of a sequence with a tape of the scenario, cautions read.
    pub fn spec(&self, sequence: &str, tape: &str) -> RunSpec {
        self.tell(&format!("tape {tape}"));
        let kind = self.scenario.machine.tapes[tape].kind;
        RunSpec {
            sequence: sequence.to_owned(),
            machine: self.scenario.machine.name.clone(),
            format: self.scenario.machine.format.clone(),
            tape: kind,
            tape_name: tape.to_owned(),
            known_level_v: None,
            even_picture: kind == TapeKind::Alignment,
            scratch: false,
            against: None,
            job: None,
            acknowledge: true,
        }
    }

    /// Does what a stage of the scenario, counted from 1 as in its file, asks for: what is to be run, cautions read, after
    /// the runs of the stages before it.
    pub fn stage(&self, number: usize, before: &[RunReport]) -> RunSpec {
        let stage = &self.scenario.stages[number - 1];
        for command in &stage.run {
            self.tell(command);
        }
        self.operator.begin(stage);
        let spec = tapewright::demo::spec(&self.scenario, stage, before).expect("its tape is there");
        self.tell(&format!("tape {}", spec.tape_name));
        RunSpec { acknowledge: true, ..spec }
    }

    /// How often the key of a relay was pressed; relays count from 1.
    pub fn presses(&self, relay: usize) -> u64 {
        self.sim.key_presses().get(relay - 1).copied().unwrap_or_default()
    }
}

/// Runs on one thread: with the virtual clock, the same every time.
pub fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime").block_on(work)
}

/// A file of the source tree.
pub fn in_tree(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..").join(path)
}
