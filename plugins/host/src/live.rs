//! Live sessions: a procedure shows readings while somebody adjusts. The latest reading only; no verdict,
//! no log, no evidence. Each look has its own fuel and deadline, and the session ends when it is cancelled.

use crate::bindings::live::{LiveProcedure, exports::tapewright::procedure::live as wire};
use crate::bindings::tapewright::procedure::types;
use crate::cancel::Cancel;
use crate::description::{Setting, SettingError, Value};
use crate::engine::{Engine, Procedure};
use crate::limits::{CHOICES, GAUGES, Limits, READING_TEXT_BYTES, WARNINGS};
use crate::run::reason;
use crate::services::{Call, CaptureStore, Fault, Log, Services};
use crate::state::{Bench, State, Stop};
use crate::types::Failure;
use serde::{Deserialize, Serialize};
use std::time::Duration;
use tapewright_clock::Clock;
use tapewright_formats::{UnableCode, Unit};
use wasmtime::Store;

/// Against a moment ago.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trend {
    /// There is nothing to compare with.
    Unknown,
    /// No difference that is sure.
    Same,
    /// Better.
    Better,
    /// Worse.
    Worse,
}

/// One number as it is now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gauge {
    /// E.g. `head-a.exit`.
    pub name: String,
    /// Unit of every number here.
    pub unit: Unit,
    /// The value.
    pub value: f64,
    /// Lower end of the interval of 95 % coverage.
    pub low: f64,
    /// Upper end of it.
    pub high: f64,
    /// What an empty bar stands for.
    pub bar_low: f64,
    /// What a full bar stands for.
    pub bar_high: f64,
    /// Against a moment ago.
    pub trend: Trend,
}

/// Something that the operator may say next.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Choice {
    /// The word that is said.
    pub word: String,
    /// What it means.
    pub text: String,
}

/// What one look showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// A few words to be read from across the bench.
    pub headline: String,
    /// The whole against a moment ago.
    pub trend: Trend,
    /// The gauge that is shown large, by its place.
    pub large: Option<u32>,
    /// The numbers.
    pub gauges: Vec<Gauge>,
    /// What to do now.
    pub says: String,
    /// What works against the adjustment.
    pub warnings: Vec<String>,
    /// What the operator may say next.
    pub choices: Vec<Choice>,
}

/// Why there is no reading.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// The procedure has no live readings.
    #[error("`{0}` has no live readings: run it instead")]
    NotLive(String),
    /// The settings are not the procedure's.
    #[error(transparent)]
    Settings(#[from] SettingError),
    /// This look failed; the next may not.
    #[error(transparent)]
    Look(#[from] Failure),
    /// The session has ended: the component trapped, hit a limit, or said what it may not.
    #[error("the live session of `{procedure}` ended: {reason}; begin another one")]
    Ended {
        /// Whose.
        procedure: String,
        /// Why.
        reason: String,
    },
    /// The session was ended from outside.
    #[error("the live session was ended")]
    Cancelled,
    /// A service is broken.
    #[error("{name}: the bench is broken")]
    Broken {
        /// Which call.
        name: &'static str,
        /// What went wrong.
        #[source]
        source: Fault,
    },
}

impl LiveError {
    /// Whether the session goes on after it.
    #[must_use]
    pub const fn goes_on(&self) -> bool {
        matches!(self, Self::Look(_))
    }
}

/// Everything that a live session stands on.
pub struct LiveRun {
    /// What is set; the rest has its default.
    pub settings: Vec<Setting>,
    /// What one look may use.
    pub limits: Limits,
    /// Who answers. `go`, `track`, `record_for` and `ask` shall refuse: nothing moves but by a person's key.
    pub services: Box<dyn Services>,
    /// Time, for the watchdog only.
    pub clock: Clock,
    /// Ends the session.
    pub cancel: Cancel,
}

impl std::fmt::Debug for LiveRun {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LiveRun")
            .field("settings", &self.settings)
            .field("limits", &self.limits)
            .finish_non_exhaustive()
    }
}

/// A live session.
pub struct Live {
    store: Store<State>,
    instance: LiveProcedure,
    procedure: String,
    limits: Limits,
    clock: Clock,
    cancel: Cancel,
    ended: Option<String>,
}

impl std::fmt::Debug for Live {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Live").field("procedure", &self.procedure).field("ended", &self.ended).finish_non_exhaustive()
    }
}

/// Neither calls nor captures of a live session are kept.
struct Unkept;

impl Log for Unkept {
    fn call(&mut self, _call: &Call) -> Result<(), Fault> {
        Ok(())
    }
}

impl CaptureStore for Unkept {
    fn put(&mut self, _bytes: &[u8]) -> Result<String, Fault> {
        Ok("not kept".to_owned())
    }

    fn get(&self, _hash: &str) -> Result<Vec<u8>, Fault> {
        Err("captures of a live session are not kept".into())
    }
}

impl Engine {
    /// Begins a live session, in an instance of its own.
    ///
    /// # Errors
    /// [`LiveError`]; whatever it is, there is no session then.
    pub async fn live(&self, procedure: &Procedure, run: LiveRun) -> Result<Live, LiveError> {
        let name = procedure.description.name.clone();
        let pre = procedure.live.as_ref().ok_or_else(|| LiveError::NotLive(name.clone()))?;
        let settings = procedure.description.settings(&run.settings)?;
        let LiveRun { limits, services, clock, cancel, .. } = run;
        let bench = Bench { services, log: Box::new(Unkept), captures: Box::new(Unkept) };
        let mut state = State::new(Some(bench), clock.clone(), limits.clone());
        state.live = true;
        let ended = |reason: String| LiveError::Ended { procedure: name.clone(), reason };
        let mut store = self.store(state, limits.fuel).map_err(|e| ended(e.to_string()))?;
        let instance = match pre.instantiate_async(&mut store).await {
            Ok(instance) => instance,
            Err(error) => return Err(ended(reason(&error, store.data()))),
        };
        let mut live = Live { store, instance, procedure: name.clone(), limits, clock, cancel, ended: None };
        let told: Vec<wire::Setting> = settings.into_iter().map(setting).collect();
        live.call(async |instance: &LiveProcedure, store| {
            instance.tapewright_procedure_live().call_begin(store, &told).await
        })
        .await?;
        Ok(live)
    }
}

impl Live {
    /// Looks once; `said` is the word of a choice of the last reading.
    ///
    /// # Errors
    /// [`LiveError`]; [`LiveError::goes_on`] says whether to look again.
    pub async fn look(&mut self, said: Option<&str>) -> Result<Reading, LiveError> {
        let told = self
            .call(async |instance: &LiveProcedure, store| {
                instance.tapewright_procedure_live().call_look(store, said).await
            })
            .await?;
        reading(told).map_err(|reason| self.end(reason))
    }

    fn end(&mut self, reason: String) -> LiveError {
        tracing::info!(reason, procedure = self.procedure, "a live session ends");
        self.ended = Some(reason.clone());
        LiveError::Ended { procedure: self.procedure.clone(), reason }
    }

    /// One call into the component: fresh fuel, a deadline, and an ear for the end.
    async fn call<T>(
        &mut self,
        ask: impl AsyncFnOnce(&LiveProcedure, &mut Store<State>) -> wasmtime::Result<Result<T, types::Failure>>,
    ) -> Result<T, LiveError> {
        if let Some(reason) = &self.ended {
            return Err(LiveError::Ended { procedure: self.procedure.clone(), reason: reason.clone() });
        }
        if let Err(error) = self.store.set_fuel(self.limits.fuel) {
            return Err(self.end(error.to_string()));
        }
        let state = self.store.data_mut();
        (state.calls, state.report_bytes) = (0, 0);
        state.computing = Some(self.clock.busy());
        let patience = Duration::try_from_secs_f64(self.limits.run_deadline_s).unwrap_or(Duration::MAX);
        let until = self.clock.now() + patience;
        let done = {
            let work = self.clock.deadline(until, ask(&self.instance, &mut self.store));
            tokio::select! {
                biased;
                () = self.cancel.cancelled() => None,
                done = work => Some(done),
            }
        };
        // Between looks nothing computes: virtual time may go on.
        self.store.data_mut().computing = None;
        let Some(done) = done else {
            self.ended = Some("it was ended".to_owned());
            return Err(LiveError::Cancelled);
        };
        match done {
            Some(Ok(Ok(value))) => Ok(value),
            Some(Ok(Err(failure))) => Err(self.told(failure)),
            Some(Err(error)) => {
                if let Some(Stop::Broken { name, source, .. }) =
                    self.store.data_mut().stop.take_if(|stop| matches!(stop, Stop::Broken { .. }))
                {
                    self.ended = Some("the bench is broken".to_owned());
                    return Err(LiveError::Broken { name, source });
                }
                let why = match &self.store.data().stop {
                    Some(Stop::Told(failure)) => failure.to_string(),
                    _ => reason(&error, self.store.data()),
                };
                Err(self.end(why))
            }
            None => Err(self.end(format!("a look took longer than {} s", self.limits.run_deadline_s))),
        }
    }

    fn told(&mut self, failure: types::Failure) -> LiveError {
        match failure.code.parse::<UnableCode>() {
            Ok(code) => LiveError::Look(Failure::new(code, failure.text)),
            Err(error) => self.end(format!("it said {error}")),
        }
    }
}

fn setting(setting: Setting) -> wire::Setting {
    let value = match setting.value {
        Value::Number(number) => wire::Value::Number(number),
        Value::Text(text) => wire::Value::Text(text),
    };
    wire::Setting { name: setting.name, value }
}

const fn trend(told: wire::Trend) -> Trend {
    match told {
        wire::Trend::Unknown => Trend::Unknown,
        wire::Trend::Same => Trend::Same,
        wire::Trend::Better => Trend::Better,
        wire::Trend::Worse => Trend::Worse,
    }
}

/// Takes a reading over; what no reading may be is the component's fault.
fn reading(told: wire::Reading) -> Result<Reading, String> {
    let at_most = |what: &str, count: usize, most: usize| {
        if count <= most { Ok(()) } else { Err(format!("a reading has {count} {what}, and may have {most}")) }
    };
    at_most("gauges", told.gauges.len(), GAUGES)?;
    at_most("choices", told.choices.len(), CHOICES)?;
    at_most("warnings", told.warnings.len(), WARNINGS)?;
    let texts = [&told.headline, &told.says].into_iter().chain(&told.warnings);
    let texts = texts.chain(told.choices.iter().flat_map(|choice| [&choice.word, &choice.text]));
    for text in texts.chain(told.gauges.iter().map(|gauge| &gauge.name)) {
        at_most("bytes in a text", text.len(), READING_TEXT_BYTES)?;
    }
    if let Some(large) = told.large.filter(|large| *large as usize >= told.gauges.len()) {
        return Err(format!("a reading shows gauge {large} large, and has {}", told.gauges.len()));
    }
    let choice = |choice: wire::Choice| {
        let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
        if choice.word.is_empty() || !choice.word.bytes().all(plain) {
            return Err(format!("the choice `{}` is not of small letters, digits and hyphens", choice.word));
        }
        Ok(Choice { word: choice.word, text: choice.text })
    };
    Ok(Reading {
        headline: told.headline,
        trend: trend(told.trend),
        large: told.large,
        gauges: told.gauges.into_iter().map(gauge).collect::<Result<_, _>>()?,
        says: told.says,
        warnings: told.warnings,
        choices: told.choices.into_iter().map(choice).collect::<Result<_, _>>()?,
    })
}

fn gauge(told: wire::Gauge) -> Result<Gauge, String> {
    let numbers = [told.value, told.low, told.high, told.bar_low, told.bar_high];
    if numbers.iter().any(|number| !number.is_finite()) {
        return Err(format!("gauge `{}` holds a number that is none", told.name));
    }
    if !(told.low..=told.high).contains(&told.value) || told.bar_low >= told.bar_high {
        return Err(format!("gauge `{}`: its interval does not hold its value, or its bar has no length", told.name));
    }
    Ok(Gauge {
        unit: told.unit.parse().map_err(|error| format!("gauge `{}`: {error}", told.name))?,
        name: told.name,
        value: told.value,
        low: told.low,
        high: told.high,
        bar_low: told.bar_low,
        bar_high: told.bar_high,
        trend: trend(told.trend),
    })
}
