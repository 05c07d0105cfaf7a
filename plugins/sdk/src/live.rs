//! Live readings: what a procedure shows while somebody adjusts.
//!
//! A type that implements [`Live`] is made by `begin` and asked by `look`, again and again, until the daemon
//! ends the session. It may look at captures and ask which mode was reached; it may not move the transport,
//! ask the operator or report: the host answers those with a failure. [`crate::export_live!`] makes it the
//! component's, beside [`crate::export!`].

use crate::bindings::exports::tapewright::procedure::entry;
use crate::bindings::live::exports::tapewright::procedure::live as host;
use crate::bindings::tapewright::procedure::types;
use crate::parameters::Settings;
use crate::procedure::speak_before_dying;
use crate::unable::{Result, Unable};
use core::cell::RefCell;
use tapewright_formats::{Interval, Unit};
use tapewright_measure::Estimate;

pub use host::Trend;

/// One number as it is now.
#[derive(Debug, Clone, PartialEq)]
pub struct Gauge {
    /// E.g. `head-a.exit`.
    pub name: String,
    /// Unit of every number here.
    pub unit: Unit,
    /// The value.
    pub value: f64,
    /// Its interval of 95 per cent coverage.
    pub interval: Interval,
    /// What an empty and what a full bar stand for.
    pub bar: (f64, f64),
    /// Against a moment ago.
    pub trend: Trend,
}

impl Gauge {
    /// An estimate under its name, in the unit that it was computed in.
    #[must_use]
    pub fn new(name: impl Into<String>, unit: Unit, estimate: &Estimate, bar: (f64, f64), trend: Trend) -> Self {
        Self { name: name.into(), unit, value: estimate.value, interval: estimate.interval, bar, trend }
    }
}

/// Something that the operator may say next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Choice {
    /// The word that is said: small letters, digits and hyphens.
    pub word: &'static str,
    /// What it means.
    pub text: &'static str,
}

/// What one look showed.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// A few words to be read from across the bench.
    pub headline: String,
    /// The whole against a moment ago.
    pub trend: Trend,
    /// The gauge that is shown large, by its place in `gauges`.
    pub large: Option<usize>,
    /// The numbers.
    pub gauges: Vec<Gauge>,
    /// What to do now.
    pub says: String,
    /// What works against the adjustment, most important first.
    pub warnings: Vec<String>,
    /// What the operator may say next.
    pub choices: Vec<Choice>,
}

/// Live readings of a procedure. [`crate::export_live!`] makes them the component's.
pub trait Live: Sized + 'static {
    /// Begins a session. Nothing need be captured yet.
    ///
    /// # Errors
    /// [`Unable`] where there can be no session, e.g. a signal is not hooked up.
    fn begin(settings: &Settings) -> Result<Self>;

    /// Looks once, as quickly as the scope gives captures. `said` is the word of a choice of the last reading.
    ///
    /// # Errors
    /// [`Unable`] where this look failed: it is shown, and the session goes on with the next one.
    fn look(&mut self, said: Option<&str>) -> Result<Reading>;
}

/// What the export macro keeps a session in: a component is one session, and has one thread.
#[derive(Debug)]
pub struct Place<L>(RefCell<Option<L>>);

impl<L> Default for Place<L> {
    fn default() -> Self {
        Self(RefCell::new(None))
    }
}

impl<L: Live> Place<L> {
    /// For the export macro.
    ///
    /// # Errors
    /// What [`Live::begin`] says.
    pub fn begin(&self, settings: Vec<host::Setting>) -> core::result::Result<(), types::Failure> {
        speak_before_dying();
        let settings = settings
            .into_iter()
            .map(|setting| entry::Setting {
                name: setting.name,
                value: match setting.value {
                    host::Value::Number(number) => entry::Value::Number(number),
                    host::Value::Text(text) => entry::Value::Text(text),
                },
                source: "the live session".to_owned(),
            })
            .collect();
        *self.0.borrow_mut() = Some(L::begin(&Settings::new(settings)).map_err(failure)?);
        Ok(())
    }

    /// For the export macro.
    ///
    /// # Errors
    /// What [`Live::look`] says.
    ///
    /// # Panics
    /// If the session was not begun, which the host never does.
    pub fn look(&self, said: Option<&str>) -> core::result::Result<host::Reading, types::Failure> {
        let mut session = self.0.borrow_mut();
        let session = session.as_mut().expect("a session is begun before it is looked at");
        session.look(said).map(out).map_err(failure)
    }
}

fn failure(unable: Unable) -> types::Failure {
    let text = if unable.what.is_empty() { unable.why } else { format!("{}: {}", unable.what, unable.why) };
    types::Failure { code: unable.code.as_str().to_owned(), text }
}

fn out(reading: Reading) -> host::Reading {
    host::Reading {
        headline: reading.headline,
        trend: reading.trend,
        large: reading.large.and_then(|place| u32::try_from(place).ok()),
        gauges: reading
            .gauges
            .into_iter()
            .map(|gauge| host::Gauge {
                name: gauge.name,
                unit: gauge.unit.as_str().to_owned(),
                value: gauge.value,
                low: gauge.interval.low,
                high: gauge.interval.high,
                bar_low: gauge.bar.0,
                bar_high: gauge.bar.1,
                trend: gauge.trend,
            })
            .collect(),
        says: reading.says,
        warnings: reading.warnings,
        choices: reading
            .choices
            .into_iter()
            .map(|choice| host::Choice { word: choice.word.to_owned(), text: choice.text.to_owned() })
            .collect(),
    }
}

/// Makes a type that implements [`Live`] the component's live readings.
///
/// Stands beside [`crate::export!`]; on the host the type is only checked.
#[macro_export]
macro_rules! export_live {
    ($live:ty) => {
        const _: fn(&$crate::Settings) -> $crate::Result<$live> = <$live as $crate::live::Live>::begin;
        #[cfg(target_arch = "wasm32")]
        #[allow(unsafe_code, reason = "the contract's exports are C functions")]
        const _: () = {
            ::std::thread_local! {
                static SESSION: $crate::live::Place<$live> = $crate::live::Place::default();
            }
            struct TheSession;
            impl $crate::bindings::live::exports::tapewright::procedure::live::Guest for TheSession {
                fn begin(
                    settings: ::std::vec::Vec<$crate::bindings::live::exports::tapewright::procedure::live::Setting>,
                ) -> ::core::result::Result<(), $crate::bindings::tapewright::procedure::types::Failure> {
                    SESSION.with(|session| session.begin(settings))
                }
                fn look(
                    said: ::core::option::Option<::std::string::String>,
                ) -> ::core::result::Result<
                    $crate::bindings::live::exports::tapewright::procedure::live::Reading,
                    $crate::bindings::tapewright::procedure::types::Failure,
                > {
                    SESSION.with(|session| session.look(said.as_deref()))
                }
            }
    $crate::bindings::live::export_live_bindings!(TheSession with_types_in $crate::bindings::live);
        };
        #[cfg(not(target_arch = "wasm32"))]
        const _: fn(&mut $live, ::core::option::Option<&str>) -> $crate::Result<$crate::live::Reading> =
            <$live as $crate::live::Live>::look;
    };
}
