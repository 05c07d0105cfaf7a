//! The runner: a sequence on a bench, from the cautions to the conclusion.
//!
//! What is shown was synced first. Each procedure gets one instance, its own log place in the journal,
//! and no knowledge of the others; the sequence's rules look at findings only.

mod against;
mod before;
mod close;
pub(crate) mod convert;
mod evidence;
mod record;
pub mod rejudge;
mod services;
pub mod spec;

use crate::bench::events::BenchEvent;
use crate::bench::shared::Shared;
use crate::library::{Library, LibraryError, Loaded};
use crate::records::{DataFolder, Job, JobId, Journal, Note, ProcedureStarted, RecordsError, RunEvent, RunOpened};
use crate::report::run_report::{LEFT_OUT, ProcedureReport, RunReport};
use crate::sequence::{Sequence, SequenceError, Step};
use evidence::{JournalLog, StoreAdapter};
use record::record_of;
use services::BenchServices;
use spec::{RunSpec, SpecError, check_hookup, check_job};
use std::collections::BTreeSet;
use std::sync::Arc;
use tapewright_formats::{Finding, Signal, format_named};
use tapewright_host::{Cancel, Earlier, Ended, Setting, Verdict};

/// Answer that agrees.
pub const YES: &str = "yes";
/// Answer that does not.
pub const NO: &str = "no";

/// Why a run could not be begun or brought to its end.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// What was asked for is not right.
    #[error(transparent)]
    Spec(#[from] SpecError),
    /// The sequence is not right.
    #[error(transparent)]
    Sequence(#[from] SequenceError),
    /// A procedure is not there or does not load.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// The records could not be kept.
    #[error("the run's records could not be kept")]
    Records(#[from] RecordsError),
    /// The cautions were not acknowledged.
    #[error(
        "the cautions were not acknowledged: read them and answer `{YES}`, or give --acknowledge for unattended use"
    )]
    NotAcknowledged,
    /// An alignment tape may not go in.
    #[error("{0}")]
    NoAlignmentTape(String),
    /// The bench is in use.
    #[error("bench `{bench}` is running {run}: wait for it, or cancel it")]
    Busy {
        /// The bench.
        bench: String,
        /// What it runs.
        run: String,
    },
    /// A part of the tool failed.
    #[error("the tool failed in {procedure}")]
    Host {
        /// Where.
        procedure: String,
        /// Why.
        #[source]
        source: Box<tapewright_host::RunError>,
    },
}

/// Everything that a run stands on.
#[derive(Clone)]
pub struct Runner {
    /// The bench.
    pub bench: Shared,
    /// The records.
    pub data: DataFolder,
    /// The procedures.
    pub library: Arc<Library>,
}

/// A run that was prepared: its journal is open.
pub struct Prepared {
    runner: Runner,
    spec: RunSpec,
    sequence: Sequence,
    procedures: Vec<Arc<Loaded>>,
    journal: Journal,
    earlier: Option<Arc<Earlier>>,
}

impl Runner {
    /// Checks what is asked for, and opens the run's journal.
    ///
    /// # Errors
    /// [`RunError`]; nothing has moved then.
    pub async fn prepare(&self, spec: RunSpec) -> Result<Prepared, RunError> {
        spec.check()?;
        check_hookup(&spec.format, &self.bench.name, &self.bench.hookup)?;
        let job = self.job_of(spec.job.as_deref(), &spec.machine, &spec.format).await?.map(|job| job.id);
        let sequence = self.library.sequence(&spec.sequence)?;
        if let Some(wanted) = sequence.tape.filter(|wanted| *wanted != spec.tape) {
            let sequence = sequence.name.clone();
            return Err(SpecError::OtherTape { sequence, wanted, given: spec.tape }.into());
        }
        let mut procedures = Vec::new();
        // Another bench may be compiling it on another thread, which this clock cannot see.
        let busy = self.bench.clock.busy();
        for step in &sequence.steps {
            procedures.push(self.library.procedure(&step.procedure).await?);
        }
        drop(busy);
        for (step, loaded) in sequence.steps.iter().zip(&procedures) {
            loaded.settings(&sequence.name, step)?;
        }
        let earlier = match &spec.against {
            Some(run) => Some(Arc::new(against::earlier(&self.data, run, &spec.format).await?)),
            None => None,
        };
        let journal = self
            .data
            .start_run(RunOpened {
                job,
                bench: self.bench.name.to_string(),
                machine: spec.machine.clone(),
                format: spec.format.clone(),
                tape: spec.tape,
                sequence: sequence.name.clone(),
                subject: json(&spec.subject()),
                hookup: json(&*self.bench.hookup),
                instrument: serde_json::json!({
                    "identity": self.bench.scope.identity(),
                    "dialect": self.bench.scope.dialect(),
                }),
                settings: json(&spec),
            })
            .await?;
        Ok(Prepared { runner: self.clone(), spec, sequence, procedures, journal, earlier })
    }

    /// The job that a run or a live session is said to belong to: it must be there, open, and of this machine and format.
    ///
    /// # Errors
    /// [`RunError::Spec`] says what does not fit; [`RunError::Records`].
    pub(crate) async fn job_of(
        &self,
        given: Option<&str>,
        machine: &str,
        format: &str,
    ) -> Result<Option<Job>, RunError> {
        let Some(given) = given else { return Ok(None) };
        let none = || SpecError::NoJob(given.to_owned());
        let id: JobId = given.parse().map_err(|_| none())?;
        let job = match self.data.job(&id).await {
            Err(RecordsError::Unknown { .. }) => return Err(none().into()),
            job => job?,
        };
        check_job(&job, machine, format)?;
        Ok(Some(job))
    }
}

impl Prepared {
    /// The run's name.
    #[must_use]
    pub fn id(&self) -> String {
        self.journal.run().to_string()
    }

    /// Runs it to its end. The transport is stopped and the journal closed whatever happens.
    ///
    /// # Errors
    /// [`RunError`] when the tool failed; a machine that fails is no error.
    pub async fn run(self, cancel: Cancel) -> Result<RunReport, RunError> {
        let bench = &self.runner.bench;
        bench.events.push(BenchEvent::RunOpened {
            run: self.id(),
            sequence: self.sequence.name.clone(),
            machine: self.spec.machine.clone(),
            tape: format!("{} `{}`", self.spec.tape, self.spec.tape_name),
        });
        let done = self.steps(&cancel).await;
        let alarm = self.stop_and_verify().await;
        let (reports, trouble) = match done {
            Ok(reports) => (reports, None),
            Err((reports, error)) => (reports, Some(error)),
        };
        match self.close(reports, trouble.as_ref(), alarm).await {
            Ok(report) => trouble.map_or(Ok(report), Err),
            Err(error) => {
                // What came first is the cause.
                let error = trouble.unwrap_or(error);
                // Whoever watches waits for the run's end, and no verdict will come.
                let because = crate::report::chain(&error);
                self.runner.bench.events.push(BenchEvent::RunWithoutVerdict { run: self.id(), because });
                Err(error)
            }
        }
    }

    async fn steps(&self, cancel: &Cancel) -> Result<Vec<ProcedureReport>, (Vec<ProcedureReport>, RunError)> {
        let mut reports: Vec<ProcedureReport> = Vec::new();
        if let Err(error) = self.before_anything_moves(cancel).await {
            return Err((reports, error));
        }
        let bench = &self.runner.bench;
        let start_s = bench.clock.now().as_secs_f64();
        let mut found: BTreeSet<Finding> = BTreeSet::new();
        let mut ended: Option<String> = None;
        // No look at `cancel` here: a step that begins after it ends at once and says so in its verdict, as one
        // that was cancelled on its way does. Every step is told of, so that few reports never look like all.
        for (place, (step, loaded)) in self.sequence.steps.iter().zip(&self.procedures).enumerate() {
            if let Some(because) = ended.clone().or_else(|| self.why_not(step, loaded, &found)) {
                match self.leave_out(step, because) {
                    Ok(report) => reports.push(report),
                    Err(error) => return Err((reports, error)),
                }
                continue;
            }
            bench.events.push(BenchEvent::ProcedureStarted {
                run: self.id(),
                procedure: step.procedure.clone(),
                place: place + 1,
                of: self.sequence.steps.len(),
            });
            match self.one(place, step, loaded, start_s, cancel).await {
                Ok(verdict) => {
                    found.extend(verdict.findings.iter().map(|f| f.finding));
                    let outcome = verdict.outcome;
                    if verdict.ended == Ended::Cancelled {
                        ended = Some("the run was cancelled before it".to_owned());
                    }
                    reports.push(ProcedureReport::of(&step.procedure, verdict));
                    let (run, procedure) = (self.id(), step.procedure.clone());
                    bench.events.push(BenchEvent::ProcedureEnded { run, procedure, outcome });
                }
                Err(error) => return Err((reports, error)),
            }
            if let Some(finding) = step.stop_when.iter().find(|f| found.contains(f)).filter(|_| ended.is_none()) {
                ended = Some(format!("the sequence ends where {finding} is found"));
            }
        }
        Ok(reports)
    }

    /// Why a step is left out, if it is: by what was found, what is hooked up, or the format.
    fn why_not(&self, step: &Step, loaded: &Loaded, found: &BTreeSet<Finding>) -> Option<String> {
        if let Some(finding) = step.skip_when.iter().find(|f| found.contains(f)) {
            return Some(format!("{} ({finding})", step.skip_because));
        }
        let has = format_named(&self.spec.format).is_some_and(|format| format.control_track);
        if step.control_track.is_some_and(|wanted| wanted != has) {
            return Some(format!("{} has {} control track", self.spec.format, if has { "a" } else { "no" }));
        }
        let hookup = &self.runner.bench.hookup;
        let needs = if step.when_hooked_up { loaded.description().needs.as_slice() } else { &[] };
        let missing = needs.iter().find(|signal| hookup.point(**signal).is_none());
        if let Some(signal) = missing {
            return Some(format!("{signal} is not hooked up"));
        }
        let not_sampled = |signal: &Signal| match hookup.point(*signal) {
            None => Some(format!("{signal} is not hooked up")),
            Some(point) => self
                .runner
                .bench
                .scope
                .is_trigger_only(&point.channel)
                .then(|| format!("{signal} is on {}, which can only trigger", point.channel)),
        };
        if let Some(why) = step.when_sampled.iter().find_map(not_sampled) {
            return Some(why);
        }
        let each: Vec<Option<String>> = step.when_one_sampled.iter().map(not_sampled).collect();
        let each: Option<Vec<String>> = each.into_iter().collect();
        each.filter(|whys| !whys.is_empty()).map(|whys| whys.join(", and "))
    }

    fn leave_out(&self, step: &Step, because: String) -> Result<ProcedureReport, RunError> {
        let text = format!("{LEFT_OUT}{}: {because}", step.procedure);
        self.journal.append(&RunEvent::Note(Note { text }))?;
        self.runner.bench.events.push(BenchEvent::StepSkipped {
            run: self.id(),
            procedure: step.procedure.clone(),
            because: because.clone(),
        });
        Ok(ProcedureReport::left_out(&step.procedure, because))
    }

    async fn one(
        &self,
        place: usize,
        step: &Step,
        loaded: &Loaded,
        start_s: f64,
        cancel: &Cancel,
    ) -> Result<Verdict, RunError> {
        let settings: Vec<Setting> = loaded.settings(&self.sequence.name, step)?;
        let place = u32::try_from(place).unwrap_or(u32::MAX);
        let description = loaded.description();
        self.journal.append(&RunEvent::ProcedureStarted(ProcedureStarted {
            place,
            name: step.procedure.clone(),
            version: description.version.clone(),
            component: loaded.hash(),
            settings: json(&settings),
        }))?;
        let services = BenchServices {
            bench: self.runner.bench.clone(),
            run: self.id(),
            procedure: step.procedure.clone(),
            subject: self.spec.subject(),
            scratch: self.spec.scratch,
            earlier: self.earlier.clone(),
            start_s,
            journal: self.journal.clone(),
        };
        let log = JournalLog { journal: self.journal.clone(), place };
        let store = StoreAdapter(self.runner.data.captures().clone());
        let verdict = loaded
            .run(&settings, services, log, store, &self.runner.bench.clock, cancel)
            .await
            .map_err(|source| RunError::Host { procedure: step.procedure.clone(), source: Box::new(source) })?;
        self.journal.verdict(record_of(place, &step.procedure, &verdict)).await?;
        Ok(verdict)
    }
}

/// A value as the journal keeps it. The types that come here have names for keys and finite numbers
/// only, so this cannot fail; if it ever does, the journal says `null` rather than the run ending.
fn json(value: &impl serde::Serialize) -> serde_json::Value {
    serde_json::to_value(value).unwrap_or_default()
}
