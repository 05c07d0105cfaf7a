//! `tapewright demo`: a whole case of the archive on the simulated bench, over a real serial port.
//!
//! The scenario file is the only script. The daemon knows none of its faults: it sees bytes.

pub mod operator;

use crate::bench::events::BenchEvent;
use crate::bench::{Bench, OpenError, Parts};
use crate::library::{Library, LibraryError};
use crate::records::{DataFolder, JobOpened, RecordsError};
use crate::report::run_report::RunReport;
use crate::run::RunError;
use crate::run::spec::RunSpec;
use crate::simulated;
use core::time::Duration;
use operator::Operator;
use sim_instrument::scenario::{Scenario, ScenarioError, Stage};
use sim_instrument::serve::{ServeError, serve_pty};
use std::path::Path;
use std::sync::Arc;
use tapewright_clock::Clock;
use tapewright_formats::TapeKind;
use tapewright_instrument::link::{AddressError, LinkError};
use tapewright_instrument::{Address, Link, link};

/// The shipped case: deck `VC-07` of the archive.
pub const VC_07: &str = include_str!("../../../sim-instrument/scenarios/vc-07.toml");

/// How many times as fast as the wall the demonstration's clock runs: bench, machine and daemon share it.
/// A case of a minute and a half is then seen in half a minute.
const PACE: u32 = 3;

/// What a stage says when its tape may be recorded on.
const SCRATCH_TAPE: &str = "scratch-tape";

/// What a stage says when the picture of its tape is the same from top to bottom. An alignment tape's is: its label says so.
const EVEN_PICTURE: &str = "even-picture";

/// Baud rate of the demonstration's serial ports.
const BAUD: u32 = 921_600;

/// Why the demonstration could not be played.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The scenario file has faults.
    #[error(transparent)]
    Scenario(#[from] ScenarioError),
    /// The scenario has nothing to play.
    #[error("the scenario has no [[stage]]: give at least one, with the tape that goes in")]
    NoStage,
    /// A stage names no tape that there is.
    #[error("stage `{stage}`: there is no tape `{tape}` in the scenario")]
    NoTape {
        /// The stage.
        stage: String,
        /// What it names.
        tape: String,
    },
    /// A stage's command was not understood.
    #[error("stage `{stage}`: the command `{command}` was not done")]
    Command {
        /// The stage.
        stage: String,
        /// The command.
        command: String,
        /// Why.
        #[source]
        source: sim_instrument::commands::CommandError,
    },
    /// The simulated instrument could not be served.
    #[error("the simulated instrument could not be put behind a serial port")]
    Serve(#[from] ServeError),
    /// The serial port could not be opened.
    #[error("opening the serial port failed")]
    Link(#[from] LinkError),
    /// The serial port has an address that is none.
    #[error("the serial port's address is not right")]
    Address(#[from] AddressError),
    /// The dialect for the scenario's scope is missing.
    #[error("there is no dialect for the scenario's scope")]
    Dialect(#[from] tapewright_instrument::dialect::DialectError),
    /// The bench could not be opened.
    #[error(transparent)]
    Open(#[from] Box<OpenError>),
    /// The records could not be kept.
    #[error(transparent)]
    Records(#[from] RecordsError),
    /// The procedures could not be had.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// A run did not come to its end.
    #[error(transparent)]
    Run(#[from] RunError),
    /// A run's task ended in a panic: a defect of this program.
    #[error("a run ended in a panic: this is a defect of the program")]
    Panic(#[from] tokio::task::JoinError),
}

/// What the demonstration tells while it plays.
pub trait Audience {
    /// The bench stands: where its port is, and where the records lie.
    fn begins(&mut self, title: &str, port: &str, pace: u32, instrument: &str, records: &Path);
    /// A stage begins.
    fn stage(&mut self, number: usize, stage: &Stage, tape: &str);
    /// Something happened on the bench.
    fn event(&mut self, event: &BenchEvent);
    /// A run ended.
    fn run(&mut self, report: &RunReport);
}

/// Plays a scenario, and returns the runs in order.
///
/// # Errors
/// [`DemoError`]. A machine that fails is no error.
pub async fn play(
    text: &str,
    seed: Option<u64>,
    records: &Path,
    audience: &mut (dyn Audience + Send),
) -> Result<Vec<RunReport>, DemoError> {
    let mut scenario = Scenario::parse(text)?;
    if let Some(seed) = seed {
        scenario.seed = seed;
    }
    if scenario.stages.is_empty() {
        return Err(DemoError::NoStage);
    }
    let scenario = Arc::new(scenario);
    let clock = Clock::real_at_pace(PACE);
    let sim = scenario.bench()?;
    let scope_pty = serve_pty(sim.scope_port(), clock.clone())?;
    let relay_pty = serve_pty(sim.relay_port(), clock.clone())?;
    let dialect = simulated::dialect(&scenario)?;
    let parts = Parts {
        name: "demo".to_owned(),
        scope: serial(scope_pty.path(), &clock).await?,
        hookup: simulated::hookup(&scenario, &dialect),
        dialect,
        read_twice: true,
        relays: Some((serial(relay_pty.path(), &clock).await?, simulated::keys(&scenario))),
        settle: Duration::from_secs(8),
        hands_clear: Duration::ZERO,
    };
    let data = DataFolder::open(records, clock.clone()).await?;
    let library = Arc::new(Library::open(&[])?);
    let bench = Bench::open(parts, clock, data.clone(), library).await.map_err(Box::new)?;
    let port = format!("serial://{}?baud={BAUD}", scope_pty.path().display());
    audience.begins(&scenario.title, &port, PACE, bench.shared().scope.identity(), records);
    let job = data
        .start_job(JobOpened {
            machine: scenario.machine.name.clone(),
            format: scenario.machine.format.clone(),
            symptom: scenario.title.clone(),
        })
        .await?;
    let operator = Operator::new(sim.clone(), scenario.operator.clone());
    let attending = tokio::spawn(operator.clone().attend(bench.shared().clone()));
    let mut reports: Vec<RunReport> = Vec::new();
    for (number, stage) in scenario.stages.iter().enumerate() {
        prepare(&sim, &bench, &operator, stage)?;
        let spec = RunSpec { job: Some(job.id.to_string()), ..spec(&scenario, stage, &reports)? };
        audience.stage(number + 1, stage, &spec.tape_name);
        let report = watch(&bench, spec, audience).await?;
        audience.run(&report);
        reports.push(report);
    }
    attending.abort();
    bench.close().await;
    Ok(reports)
}

async fn serial(path: &Path, clock: &Clock) -> Result<Box<dyn Link>, DemoError> {
    let address: Address = format!("serial://{}?baud={BAUD}", path.display()).parse()?;
    Ok(link::connect(&address, clock).await?)
}

/// Does what a stage asks for.
fn prepare(sim: &sim_instrument::SimBench, bench: &Bench, operator: &Operator, stage: &Stage) -> Result<(), DemoError> {
    let now = bench.shared().clock.now();
    let tape_command = stage.tape.iter().map(|tape| format!("tape {tape}"));
    for command in stage.run.iter().cloned().chain(tape_command) {
        sim.command(now, &command).map_err(|source| DemoError::Command {
            stage: stage.title.clone(),
            command: command.clone(),
            source,
        })?;
    }
    operator.begin(stage);
    Ok(())
}

/// What a stage asks to be run, outside of a job; `before` are the runs of the stages before it.
///
/// # Errors
/// If its tape is none of the scenario's.
pub fn spec(scenario: &Scenario, stage: &Stage, before: &[RunReport]) -> Result<RunSpec, DemoError> {
    let declared = |what: &str| stage.declares.iter().any(|said| said == what);
    let tape_name = stage.tape.clone().or_else(|| scenario.machine.tape.clone()).unwrap_or_default();
    let tape = scenario
        .machine
        .tapes
        .get(&tape_name)
        .ok_or_else(|| DemoError::NoTape { stage: stage.title.clone(), tape: tape_name.clone() })?;
    Ok(RunSpec {
        sequence: stage.sequence.clone().unwrap_or_else(|| "first-look".to_owned()),
        machine: scenario.machine.name.clone(),
        format: scenario.machine.format.clone(),
        tape: tape.kind,
        tape_name,
        known_level_v: None,
        even_picture: tape.kind == TapeKind::Alignment || declared(EVEN_PICTURE),
        scratch: declared(SCRATCH_TAPE),
        against: stage.against.and_then(|number| before.get(number.checked_sub(1)?)).map(|report| report.run.clone()),
        job: None,
        acknowledge: false,
    })
}

async fn watch(bench: &Bench, spec: RunSpec, audience: &mut (dyn Audience + Send)) -> Result<RunReport, DemoError> {
    let shared = bench.shared();
    let mut last = shared.events.next_number().saturating_sub(1);
    let (_, mut task) = bench.start(spec).await?;
    loop {
        let soon = shared.clock.now() + Duration::from_secs(3600);
        tokio::select! {
            biased;
            events = shared.events.after(last, soon) => {
                for event in events {
                    last = event.number;
                    audience.event(&event.event);
                }
            }
            done = &mut task => {
                for event in shared.events.after(last, shared.clock.now()).await {
                    audience.event(&event.event);
                }
                return Ok(done??);
            }
        }
    }
}
