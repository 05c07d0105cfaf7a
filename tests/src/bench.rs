//! Runs one scenario's first stage on a virtual clock, through bytes and components.

use crate::truth::{Window, compared, truths, turned};
use serde::{Deserialize, Serialize};
use sim_instrument::SimBench;
use sim_instrument::scenario::Scenario;
use std::collections::BTreeMap;
use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tapewright::bench::Bench;
use tapewright::bench::events::BenchEvent;
use tapewright::demo::operator::Operator;
use tapewright::library::Library;
use tapewright::records::DataFolder;
use tapewright::report::run_report::RunReport;
use tapewright::run::RunError;
use tapewright::run::spec::{RunSpec, SpecError};
use tapewright::simulated;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::{Mode, TapeKind};

/// What came of it.
#[derive(Debug, Serialize, Deserialize)]
pub struct Outcome {
    /// The run as the daemon reports it.
    pub report: RunReport,
    /// The exact truth of quantities, by `procedure/name`.
    pub truths: BTreeMap<String, f64>,
    /// Virtual seconds that it took.
    pub took_s: f64,
    /// What the bench said went wrong.
    pub trouble: Vec<String>,
}

/// What the scope at the bench can do less than its dialect says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Bounds {
    /// Points of a record; none: the dialect's.
    pub points: Option<u32>,
    /// No peak detection that catches a carrier.
    pub no_peak: bool,
}

/// One run: what is run on a stage of the scenario, and what the operator says with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Play {
    /// A sequence by name or path, or a procedure.
    pub run: String,
    /// Settings of the procedure, by name.
    pub settings: Vec<(&'static str, f64)>,
    /// Settings that are texts.
    pub texts: Vec<(&'static str, &'static str)>,
    /// The tape may be recorded on.
    pub scratch: bool,
    /// It is held against the run before.
    pub against: bool,
    /// The operator says that the picture is the same from top to bottom.
    pub even_picture: bool,
}

impl Play {
    /// As it is shipped.
    #[must_use]
    pub fn of(run: impl Into<String>) -> Self {
        let (settings, texts) = (Vec::new(), Vec::new());
        Self { run: run.into(), settings, texts, scratch: false, against: false, even_picture: false }
    }

    /// What a run is started with: settings need a sequence of their own, a file in the folder.
    fn sequence(&self, folder: &Path) -> Result<String, Failed> {
        if self.settings.is_empty() && self.texts.is_empty() {
            return Ok(self.run.clone());
        }
        let path = folder.join("one.toml");
        let mut text = format!("name = {0:?}\npurpose = \"one step\"\n[[step]]\nprocedure = {0:?}\n", self.run);
        text.push_str("[step.settings]\n");
        text.extend(self.settings.iter().map(|(name, value)| format!("{name} = {value:?}\n")));
        text.extend(self.texts.iter().map(|(name, value)| format!("{name} = {value:?}\n")));
        std::fs::write(&path, text)?;
        Ok(path.display().to_string())
    }
}

/// Any error, with its text.
pub type Failed = Box<dyn Error + Send + Sync>;

/// Runs a sequence on the first stage of a scenario.
///
/// # Errors
/// If the tool failed; a machine that fails is no error.
pub fn run(scenario: &Scenario, sequence: &str, library: &Arc<Library>) -> Result<Outcome, Failed> {
    play(scenario, &[Play::of(sequence)], library, Bounds::default())
}

/// Runs one thing after the other, each on a stage of the scenario, on one bench with a scope that can do less than its
/// dialect says; gives what came of the last.
///
/// # Errors
/// If the tool failed, or there are fewer stages; a machine that fails is no error.
pub fn play(scenario: &Scenario, plays: &[Play], library: &Arc<Library>, bounds: Bounds) -> Result<Outcome, Failed> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let folder = tempfile::Builder::new().prefix("tapewright-").tempdir_in(fast_folder())?;
    runtime.block_on(on_bench(scenario, plays, library, folder.path(), bounds))
}

/// Memory-backed where there is such a folder: thousands of runs, none of them kept.
fn fast_folder() -> PathBuf {
    let shm = Path::new("/dev/shm");
    if shm.is_dir() { shm.to_owned() } else { std::env::temp_dir() }
}

async fn on_bench(
    scenario: &Scenario,
    plays: &[Play],
    library: &Arc<Library>,
    folder: &Path,
    bounds: Bounds,
) -> Result<Outcome, Failed> {
    let clock = Clock::virtual_from(WallTime(0));
    let sim = scenario.bench()?;
    let mut parts = simulated::in_process(scenario, &sim, &clock, "table")?;
    let limits = &mut parts.dialect.limits;
    if let Some(points) = bounds.points {
        limits.greatest_points = limits.greatest_points.min(points);
        limits.usual_points = limits.usual_points.min(points);
    }
    if bounds.no_peak {
        limits.peak_pulse_s = None;
    }
    let data = DataFolder::open(&folder.join("data"), clock.clone()).await?;
    let bench = Bench::open(parts, clock.clone(), data, Arc::clone(library)).await?;
    let operator = Operator::new(sim.clone(), scenario.operator.clone());
    let attending = tokio::spawn(operator.clone().attend(bench.shared().clone()));
    let mut done: Option<(RunReport, BTreeMap<String, f64>)> = None;
    for (place, play) in plays.iter().enumerate() {
        let stage = scenario.stages.get(place).ok_or("the scenario has too few stages")?;
        for command in &stage.run {
            sim.command(clock.now(), command)?;
        }
        if let Some(tape) = &stage.tape {
            sim.command(clock.now(), &format!("tape {tape}"))?;
        }
        operator.begin(stage);
        let tape_name = stage.tape.clone().unwrap_or_default();
        let kind = scenario.machine.tapes.get(&tape_name).map_or(TapeKind::Unknown, |t| t.kind);
        let spec = RunSpec {
            sequence: play.sequence(folder)?,
            machine: scenario.machine.name.clone(),
            format: scenario.machine.format.clone(),
            tape: kind,
            tape_name,
            known_level_v: None,
            even_picture: play.even_picture || kind == TapeKind::Alignment,
            scratch: play.scratch,
            against: done.as_ref().filter(|_| play.against).map(|(report, _)| report.run.clone()),
            job: None,
            acknowledge: true,
        };
        let from_s = clock.now().as_secs_f64();
        let (_, task) = match bench.start(spec).await {
            // The play before it gave nothing to hold this one against: that one's report is the machine's.
            Err(RunError::Spec(SpecError::NothingMeasured(_))) if done.is_some() => break,
            started => started?,
        };
        let report = task.await??;
        let windows: Vec<Window> = windows(&sim, &clock, &bench.shared().events.after(0, clock.now()).await)
            .into_iter()
            .filter(|window| window.armed_s >= from_s)
            .collect();
        let here = sim
            .with_deck(clock.now(), |deck| {
                deck.machine().map(|m| turned(truths(m, &windows), &report, 1e3 / m.format().lines.frame_rate_hz()))
            })
            .unwrap_or_default();
        let truths = match &done {
            Some((_, there)) if play.against => compared(there, here),
            _ => here,
        };
        done = Some((report, truths));
    }
    attending.abort();
    let (report, truths) = done.ok_or("nothing was run")?;
    let trouble = bench.shared().events.after(0, clock.now()).await.into_iter().filter_map(|e| match e.event {
        BenchEvent::Trouble { text } => Some(text),
        _ => None,
    });
    let trouble = trouble.collect();
    let took_s = clock.now().as_secs_f64();
    bench.close().await;
    Ok(Outcome { report, truths, took_s, trouble })
}

/// What each procedure looked at: the spans that its acquisitions in each mode really covered.
fn windows(sim: &SimBench, clock: &Clock, events: &[tapewright::bench::events::NumberedEvent]) -> Vec<Window> {
    let mut spans: Vec<(String, f64, f64)> = Vec::new();
    let mut keys: Vec<f64> = Vec::new();
    for event in events {
        let at_s = event.at_ms as f64 * 1e-3;
        match &event.event {
            BenchEvent::ProcedureStarted { procedure, .. } => spans.push((procedure.clone(), at_s, f64::INFINITY)),
            BenchEvent::ModeAsked { .. } => keys.push(at_s),
            BenchEvent::ProcedureEnded { .. } => {
                if let Some(last) = spans.last_mut() {
                    last.2 = at_s + 1e-3;
                }
            }
            _ => {}
        }
    }
    let acquisitions = sim.acquisitions();
    let modes: Vec<Mode> = sim.with_deck(clock.now(), |deck| {
        deck.machine().map(|m| acquisitions.iter().map(|a| m.mode_at(a.trigger_s)).collect()).unwrap_or_default()
    });
    let mut windows: Vec<Window> = Vec::new();
    for (acquisition, mode) in acquisitions.iter().zip(modes) {
        let Some((procedure, ..)) =
            spans.iter().find(|(_, from, to)| acquisition.armed_s >= *from && acquisition.armed_s <= *to)
        else {
            continue;
        };
        windows.push(Window {
            procedure: procedure.clone(),
            mode,
            key_s: keys.iter().copied().rfind(|at_s| *at_s <= acquisition.armed_s).unwrap_or(0.0),
            armed_s: acquisition.armed_s,
            trigger_s: acquisition.trigger_s,
            from_s: acquisition.first_s,
            // Nothing is seen after the last sample; a pair sees to the end of its bin.
            to_s: acquisition.done_s - if acquisition.peak { 0.0 } else { acquisition.dt_s },
            triggered: acquisition.by == sim_instrument::TriggeredBy::Edge,
            peak: acquisition.peak,
        });
    }
    windows
}
