//! Running a component to its verdict.

use crate::cancel::Cancel;
use crate::convert::{outcome, setting_out};
use crate::description::Setting;
use crate::engine::{Engine, Procedure, SWITCHES, WASMTIME};
use crate::error::RunError;
use crate::limits::Limits;
use crate::services::{Call, CaptureStore, Log, Services};
use crate::state::{Bench, State, Stop};
use crate::verdict::{Ended, MadeBy, NotMeasured, Verdict};
use serde_json::{Value, json};
use std::time::Duration;
use tapewright_clock::Clock;
use tapewright_formats::{Outcome, UnableCode};
use wasmtime::{Store, Trap};

/// Name of the first line of a run's log: the settings, as the component gets them.
pub(crate) const START: &str = "entry.run";

/// Everything that a run stands on.
pub struct Run {
    /// What is set; the rest has its default.
    pub settings: Vec<Setting>,
    /// How much it may use.
    pub limits: Limits,
    /// Who answers.
    pub services: Box<dyn Services>,
    /// Where each call is written down.
    pub log: Box<dyn Log>,
    /// Where captures are kept.
    pub captures: Box<dyn CaptureStore>,
    /// Time, for the watchdog only: it stops a run and decides nothing.
    pub clock: Clock,
    /// Ends the run.
    pub cancel: Cancel,
}

impl std::fmt::Debug for Run {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Run").field("settings", &self.settings).field("limits", &self.limits).finish_non_exhaustive()
    }
}

/// How the component's part ended.
enum End {
    Returned(wasmtime::Result<Outcome>),
    Cancelled,
    TooLong,
}

impl Engine {
    /// Runs a procedure, in an instance of its own.
    ///
    /// Whatever the component does, the answer is a verdict: a trap, a limit or a contradiction gives
    /// `unable: procedure-fault`, a cancel `unable: cancelled`. Dropping the future ends the run without one.
    ///
    /// # Errors
    /// [`RunError`] if the settings are wrong, or the bench or the journal is broken.
    pub async fn run(&self, procedure: &Procedure, run: Run) -> Result<Verdict, RunError> {
        let settings = procedure.description.settings(&run.settings)?;
        let Run { limits, services, mut log, captures, clock, cancel, .. } = run;
        start(log.as_mut(), &settings)?;
        let until = clock.now() + Duration::try_from_secs_f64(limits.run_deadline_s).unwrap_or(Duration::MAX);
        let state = State::new(Some(Bench { services, log, captures }), clock.clone(), limits.clone());
        let broken = |source: wasmtime::Error| RunError::Broken { seq: 0, name: START, source: source.into() };
        let mut store = self.store(state, limits.fuel).map_err(broken)?;
        let end = {
            let work = clock.deadline(until, call(procedure, &mut store, &settings));
            tokio::select! {
                biased;
                () = cancel.cancelled() => End::Cancelled,
                done = work => done.map_or(End::TooLong, End::Returned),
            }
        };
        let fuel = limits.fuel - store.get_fuel().map_err(broken)?;
        let mut state = store.into_data();
        if let Some(Stop::Broken { seq, name, source }) = state.stop.take_if(|stop| matches!(stop, Stop::Broken { .. }))
        {
            return Err(RunError::Broken { seq, name, source });
        }
        Ok(verdict(procedure, state, end, fuel))
    }
}

/// The first line of the log: what the component is started with.
fn start(log: &mut dyn Log, settings: &[Setting]) -> Result<(), RunError> {
    let broken = |source| RunError::Broken { seq: 0, name: START, source };
    let args = serde_json::to_value(settings).map_err(|e| broken(e.into()))?;
    log.call(&Call { seq: 0, name: START.into(), args: json!({ "settings": args }), result: Value::Null })
        .map_err(broken)
}

async fn call(procedure: &Procedure, store: &mut Store<State>, settings: &[Setting]) -> wasmtime::Result<Outcome> {
    let instance = procedure.pre.instantiate_async(&mut *store).await?;
    let settings: Vec<_> = settings.iter().map(setting_out).collect();
    Ok(outcome(instance.tapewright_procedure_entry().call_run(store, &settings).await?))
}

fn verdict(procedure: &Procedure, mut state: State, end: End, fuel: u64) -> Verdict {
    let (ended, outcome, why) = match end {
        End::Returned(Ok(declared)) => match state.reported.agrees(declared) {
            Ok(()) => (Ended::Finished, declared, None),
            Err(reason) => (Ended::Fault, Outcome::Unable, Some((UnableCode::ProcedureFault, reason))),
        },
        End::Returned(Err(error)) => {
            let why = match state.stop.take() {
                Some(Stop::Told(failure)) => (failure.code, failure.text),
                stop => {
                    state.stop = stop;
                    (UnableCode::ProcedureFault, reason(&error, &state))
                }
            };
            (Ended::Fault, Outcome::Unable, Some(why))
        }
        End::Cancelled => {
            (Ended::Cancelled, Outcome::Unable, Some((UnableCode::Cancelled, "the run was cancelled".into())))
        }
        End::TooLong => {
            let reason = format!("it ran for longer than {} s", state.limits.run_deadline_s);
            (Ended::Fault, Outcome::Unable, Some((UnableCode::ProcedureFault, reason)))
        }
    };
    let reported = state.reported;
    let mut unables = reported.unables;
    unables.extend(why.map(|(code, why)| NotMeasured { what: procedure.description.name.clone(), code, why }));
    Verdict {
        outcome,
        ended,
        measurements: reported.measurements,
        figures: reported.figures,
        findings: reported.findings,
        unables,
        advice: reported.advice,
        notes: reported.notes,
        calls: state.calls,
        fuel,
        limits: state.limits,
        made_by: MadeBy {
            procedure: procedure.description.name.clone(),
            version: procedure.description.version.clone(),
            component: procedure.sha256.clone(),
            contract: procedure.contract.clone(),
            wasmtime: WASMTIME.into(),
            switches: SWITCHES.into(),
            architecture: std::env::consts::ARCH.into(),
        },
    }
}

/// Why a component stopped, in words: the host's reason, the limiter's, the trap's with its last words.
pub(crate) fn reason(error: &wasmtime::Error, state: &State) -> String {
    if let Some(Stop::Fault(reason)) = &state.stop {
        return reason.clone();
    }
    if let Some(refused) = &state.limiter.refused {
        return refused.clone();
    }
    let last_words =
        state.reported.notes.last().filter(|note| note.starts_with("panicked")).map(|note| format!(": {note}"));
    match error.downcast_ref::<Trap>() {
        Some(Trap::OutOfFuel) => format!("it used up its fuel of {}", state.limits.fuel),
        Some(trap) => format!("it trapped ({trap}){}", last_words.unwrap_or_default()),
        None if is_too_much_for_a_call(error) => {
            format!("it handed over more than {} bytes in one call", state.limits.bytes_a_call)
        }
        None => format!("it failed: {}", error.root_cause()),
    }
}

/// The runtime has no type for this error, only a text.
fn is_too_much_for_a_call(error: &wasmtime::Error) -> bool {
    error.chain().any(|cause| cause.to_string().contains("fuel allocated for hostcalls"))
}
