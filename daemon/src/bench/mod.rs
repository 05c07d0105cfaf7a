//! A bench: one scope, one machine, one order of events.
//!
//! The scope's link and the machine's keys are owned by a task each; a run is a task too. Stop, cancel
//! and answers go past a run to the task or desk that they concern, so they are always heard.

pub mod check;
pub mod events;
pub mod prompts;
pub mod scope_task;
pub mod shared;
pub mod transport_task;

use crate::config::{BenchConfig, RelayConfig};
use crate::library::Library;
use crate::live::{Begin, LiveDesk, LiveSpec, LiveStartError};
use crate::records::{DataFolder, Job};
use crate::report::run_report::RunReport;
use crate::run::spec::{RunSpec, check_hookup};
use crate::run::{RunError, Runner};
use core::time::Duration;
use events::{BenchEvent, EventLog};
use prompts::PromptDesk;
use scope_task::ScopeHandle;
use shared::Shared;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::Clock;
use tapewright_formats::{Mode, TapeKind};
use tapewright_host::Cancel;
use tapewright_instrument::transport::{RelayTransport, TransportTable};
use tapewright_instrument::{Address, Dialect, Hookup, Link, Scope, link};
use tokio::task::JoinHandle;
use transport_task::{Keys, TransportHandle};

/// Why a bench could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The address is none.
    #[error("bench `{bench}`: the address of the {of} is not right")]
    Address {
        /// The bench.
        bench: String,
        /// Scope or relays.
        of: &'static str,
        /// Why.
        #[source]
        source: link::AddressError,
    },
    /// The link could not be opened.
    #[error("bench `{bench}`: opening the link to the {of} at {address} failed")]
    Link {
        /// The bench.
        bench: String,
        /// Scope or relays.
        of: &'static str,
        /// Where.
        address: String,
        /// Why.
        #[source]
        source: link::LinkError,
    },
    /// The dialect is not there, or has faults.
    #[error("bench `{bench}`: the dialect cannot be used")]
    Dialect {
        /// The bench.
        bench: String,
        /// Why.
        #[source]
        source: Box<tapewright_instrument::dialect::DialectError>,
    },
    /// The scope does not answer as it should.
    #[error("bench `{bench}`: the scope could not be taken over")]
    Scope {
        /// The bench.
        bench: String,
        /// Why.
        #[source]
        source: Box<tapewright_instrument::ScopeError>,
    },
    /// The relays do not answer as they should.
    #[error("bench `{bench}`: the relays could not be taken over")]
    Relays {
        /// The bench.
        bench: String,
        /// Why.
        #[source]
        source: Box<tapewright_instrument::TransportError>,
    },
}

/// What a bench is put together from, links already open.
pub struct Parts {
    /// Its name.
    pub name: String,
    /// The link to the scope.
    pub scope: Box<dyn Link>,
    /// The dialect that it is spoken to in.
    pub dialect: Dialect,
    /// Each block is read twice and must come the same: a serial line has no check of its own.
    pub read_twice: bool,
    /// Link and table of the relays, if there are any.
    pub relays: Option<(Box<dyn Link>, TransportTable)>,
    /// Time from a key that the operator pressed to a settled mode.
    pub settle: Duration,
    /// How long "hands clear" stands before each motion.
    pub hands_clear: Duration,
    /// What is hooked up.
    pub hookup: Hookup,
}

/// Opens the links that a configuration names.
///
/// # Errors
/// [`OpenError`] says which link and why.
pub async fn connect(config: &BenchConfig, clock: &Clock) -> Result<Parts, OpenError> {
    let bench = || config.name.clone();
    let dialect = Dialect::load(&config.scope.dialect)
        .map_err(|source| OpenError::Dialect { bench: bench(), source: Box::new(source) })?;
    // The keys first: if they do not answer, nothing can be stopped, and nothing should begin.
    let relays = match &config.relays {
        Some(RelayConfig { address, table }) => {
            Some((open(&config.name, "relays", address, clock).await?, table.clone()))
        }
        None => None,
    };
    let scope = open(&config.name, "scope", &config.scope.address, clock).await?;
    let seconds = |s: f64| Duration::try_from_secs_f64(s).unwrap_or_default();
    Ok(Parts {
        name: bench(),
        scope,
        dialect,
        read_twice: config.scope.read_twice.unwrap_or_else(|| config.scope.address.starts_with("serial:")),
        relays,
        settle: seconds(config.settle_s),
        hands_clear: seconds(config.hands_clear_s),
        hookup: config.hookup.clone(),
    })
}

/// Opens the link to a bench's scope alone.
///
/// # Errors
/// [`OpenError`] says why it cannot be had.
pub async fn scope_link(config: &BenchConfig, clock: &Clock) -> Result<Box<dyn Link>, OpenError> {
    open(&config.name, "scope", &config.scope.address, clock).await
}

async fn open(bench: &str, of: &'static str, address: &str, clock: &Clock) -> Result<Box<dyn Link>, OpenError> {
    let bench = bench.to_owned();
    let parsed: Address = address.parse().map_err(|source| OpenError::Address { bench: bench.clone(), of, source })?;
    let address = address.to_owned();
    link::connect(&parsed, clock).await.map_err(|source| OpenError::Link { bench, of, address, source })
}

/// Whether a run waits for somebody who adjusts something: only then may live readings stand beside it.
fn waits_for_adjustment(bench: &Shared) -> bool {
    let adjusts = |prompt: &prompts::OpenPrompt| matches!(prompt.question.action, prompts::Action::Adjust { .. });
    bench.prompts.open().iter().any(adjusts)
}

struct Running {
    run: String,
    cancel: Cancel,
    spec: RunSpec,
}

/// A bench.
pub struct Bench {
    runner: Runner,
    running: Arc<Mutex<Option<Running>>>,
    live: LiveDesk,
}

impl Bench {
    /// Takes a bench over. The first thing it does is to send stop.
    ///
    /// # Errors
    /// [`OpenError`] says which part does not answer, and why.
    pub async fn open(parts: Parts, clock: Clock, data: DataFolder, library: Arc<Library>) -> Result<Self, OpenError> {
        let name = parts.name.clone();
        let events = EventLog::new(clock.clone());
        let prompts = PromptDesk::default();
        let keys = match parts.relays {
            Some((link, table)) => {
                let relays = RelayTransport::start(link, table, clock.clone())
                    .await
                    .map_err(|source| OpenError::Relays { bench: name.clone(), source: Box::new(source) })?;
                Keys::Relays(Box::new(relays))
            }
            None => Keys::Operator { settle: parts.settle },
        };
        let transport = TransportHandle::spawn(keys, clock.clone(), events.clone(), prompts.clone(), parts.hands_clear);
        let hookup = Arc::new(parts.hookup);
        let mut scope = Scope::open(parts.scope, parts.dialect, clock.clone())
            .await
            .map_err(|source| OpenError::Scope { bench: name.clone(), source: Box::new(source) })?;
        scope.set_read_twice(parts.read_twice);
        let scope = ScopeHandle::spawn(scope, Arc::clone(&hookup));
        let shared = Shared { name: name.into(), clock, scope, hookup, transport, prompts, events };
        let runner = Runner { bench: shared, data, library };
        Ok(Self { runner, running: Arc::default(), live: LiveDesk::default() })
    }

    /// The parts that others may use.
    #[must_use]
    pub fn shared(&self) -> &Shared {
        &self.runner.bench
    }

    /// The run that is going on.
    #[must_use]
    pub fn running(&self) -> Option<String> {
        self.slot().as_ref().map(|r| r.run.clone())
    }

    fn slot(&self) -> std::sync::MutexGuard<'_, Option<Running>> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins a run; it goes on as a task of its own. One at a time.
    ///
    /// # Errors
    /// [`RunError`] when it could not begin; nothing has moved then.
    pub async fn start(&self, spec: RunSpec) -> Result<(String, JoinHandle<Result<RunReport, RunError>>), RunError> {
        let cancel = Cancel::default();
        // The place is taken before anything is waited for, so that of two askers one is told.
        {
            let mut slot = self.slot();
            if let Some(running) = slot.as_ref() {
                let (bench, run) = (self.runner.bench.name.to_string(), running.run.clone());
                return Err(RunError::Busy { bench, run });
            }
            if self.live.is_on() {
                let (bench, run) = (self.runner.bench.name.to_string(), "a live session".to_owned());
                return Err(RunError::Busy { bench, run });
            }
            let run = "a run that is being prepared".to_owned();
            *slot = Some(Running { run, cancel: cancel.clone(), spec: spec.clone() });
        }
        let prepared = match self.runner.prepare(spec.clone()).await {
            Ok(prepared) => prepared,
            Err(error) => {
                *self.slot() = None;
                return Err(error);
            }
        };
        let run = prepared.id();
        *self.slot() = Some(Running { run: run.clone(), cancel: cancel.clone(), spec });
        let running = Arc::clone(&self.running);
        let events = self.runner.bench.events.clone();
        let task = tokio::spawn(async move {
            let done = prepared.run(cancel).await;
            if let Err(error) = &done {
                events.push(BenchEvent::Trouble { text: crate::report::chain(error) });
            }
            *running.lock().unwrap_or_else(PoisonError::into_inner) = None;
            done
        });
        Ok((run, task))
    }

    /// Begins a live session. It may stand beside a run only while that waits for an adjustment.
    ///
    /// # Errors
    /// [`LiveStartError`]; nothing has moved, whatever it is.
    pub async fn start_live(&self, spec: LiveSpec) -> Result<(), LiveStartError> {
        let bench = self.runner.bench.clone();
        let waiting = self.slot().as_ref().map(|running| (running.run.clone(), running.spec.clone()));
        if let Some((run, _)) = &waiting
            && !waits_for_adjustment(&bench)
        {
            return Err(LiveStartError::Busy { bench: bench.name.to_string(), run: run.clone() });
        }
        let waiting = waiting.map(|(_, spec)| spec);
        let loaded = {
            // Another bench may be compiling it on another thread, which this clock cannot see.
            let _busy = bench.clock.busy();
            self.runner.library.procedure(&spec.procedure).await?
        };
        let subject = spec.subject(waiting.as_ref()).map_err(LiveStartError::Spec)?;
        check_hookup(&subject.format, &bench.name, &bench.hookup)?;
        let job = self.job_of(&spec, waiting.as_ref(), &subject.format).await?;
        let description = loaded.description();
        // Whoever answered the run's cautions has read them: they are the same.
        if !spec.acknowledge && waiting.is_none() && !description.cautions.is_empty() {
            let cautions = description.cautions.iter().map(|c| c.text()).collect::<Vec<_>>().join("\n");
            return Err(LiveStartError::Cautions { procedure: description.name.clone(), cautions });
        }
        if subject.tape == TapeKind::Alignment && waiting.is_none() {
            let Some(job) = job else {
                let why = "give the job in which a scrap tape ran safely; the sequence `tape-safe` tells";
                return Err(LiveStartError::NoAlignmentTape(why.to_owned()));
            };
            job.alignment_tape().map_err(|error| LiveStartError::NoAlignmentTape(error.to_string()))?;
        }
        let running = Arc::clone(&self.running);
        let of_bench = bench.clone();
        let may_go_on = move || {
            let runs = running.lock().unwrap_or_else(PoisonError::into_inner).is_some();
            !runs || waits_for_adjustment(&of_bench)
        };
        self.live.begin(Begin { bench, loaded, subject, may_go_on: Box::new(may_go_on) }).await
    }

    /// The job of a live session, by the same rules as that of a run.
    async fn job_of(
        &self,
        spec: &LiveSpec,
        waiting: Option<&RunSpec>,
        format: &str,
    ) -> Result<Option<Job>, LiveStartError> {
        let Some(given) = spec.job.as_deref().or_else(|| waiting.and_then(|run| run.job.as_deref())) else {
            return Ok(None);
        };
        let machine = spec.machine(waiting).map_err(LiveStartError::Spec)?;
        self.runner.job_of(Some(given), machine, format).await.map_err(|error| match error {
            RunError::Spec(error) => error.into(),
            RunError::Records(error) => error.into(),
            error => LiveStartError::Spec(crate::report::chain(&error)),
        })
    }

    /// A person pressed a key of the transport while watching a live session. Stop goes at once; the others
    /// are carried out by and by, and the mode shows when it is reached.
    ///
    /// # Errors
    /// In words: without a live session, and for `record`.
    pub fn live_key(&self, mode: Mode) -> Result<(), String> {
        if !self.live.is_on() {
            return Err("there is no live session on this bench".to_owned());
        }
        let shared = &self.runner.bench;
        match mode {
            Mode::Record => return Err("recording is no key of a live session: run `record-playback`".to_owned()),
            Mode::Stop => shared.transport.stop_now(),
            mode => {
                let (transport, events) = (shared.transport.clone(), shared.events.clone());
                tokio::spawn(async move {
                    if let Err(error) = transport.go(mode).await {
                        events.push(BenchEvent::Trouble { text: crate::report::chain(&error) });
                    }
                });
            }
        }
        Ok(())
    }

    /// The live session's desk.
    #[must_use]
    pub const fn live(&self) -> &LiveDesk {
        &self.live
    }

    /// Cancels the run that is going on, if it is the one named. The run stops the transport.
    pub fn cancel(&self, run: &str) -> bool {
        let slot = self.slot();
        match slot.as_ref().filter(|r| r.run == run) {
            Some(running) => {
                running.cancel.cancel();
                true
            }
            None => false,
        }
    }

    /// Stops the transport at once, and cancels what runs.
    pub fn stop(&self, because: &str) {
        self.runner.bench.transport.stop_now();
        if let Some(running) = self.slot().as_ref() {
            running.cancel.cancel();
        }
        self.runner.bench.events.push(BenchEvent::Stopped { because: because.to_owned() });
    }

    /// Ends the bench: cancels what runs, stops the transport, waits for both.
    pub async fn close(&self) {
        self.live.end();
        if let Some(running) = self.slot().as_ref() {
            running.cancel.cancel();
            self.runner.bench.transport.stop_now();
        }
        let patience = self.runner.bench.clock.now() + Duration::from_secs(60);
        let clock = self.runner.bench.clock.clone();
        let _ = clock
            .deadline(patience, async {
                while self.running().is_some() {
                    clock.sleep(Duration::from_millis(20)).await;
                }
            })
            .await;
        let _ = self.runner.bench.transport.go(Mode::Stop).await;
    }
}
