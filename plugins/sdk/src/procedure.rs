//! What a procedure is: it describes itself, and runs.

use crate::bindings::exports::tapewright::procedure::entry;
use crate::bindings::tapewright::procedure::{report as host, types};
use crate::convert::{mode, outcome};
use crate::parameters::{Parameter, Settings};
use crate::report::Report;
use crate::unable::Result;
use core::marker::PhantomData;
use tapewright_formats::{Caution, Mode, Signal};

/// What a procedure says of itself.
#[derive(Debug, Clone, Copy)]
pub struct Description {
    /// Its name: small letters, digits and hyphens.
    pub name: &'static str,
    /// Its version; `env!("CARGO_PKG_VERSION")` is a good one.
    pub version: &'static str,
    /// What it is for, in a sentence.
    pub purpose: &'static str,
    /// Signals that must be hooked up.
    pub needs: &'static [Signal],
    /// Signals that are used where they are.
    pub uses: &'static [Signal],
    /// Modes that it goes to.
    pub modes: &'static [Mode],
    /// What can be set.
    pub parameters: &'static [Parameter],
    /// Hazards of it.
    pub cautions: &'static [Caution],
    /// The machine's cover must be off.
    pub cover_off: bool,
    /// What it tells.
    pub tells: &'static str,
    /// What to do when it fails.
    pub when_it_fails: &'static str,
    /// Rough duration on a modest bench.
    pub duration_s: f64,
}

/// A procedure. [`crate::export!`] makes it the component's.
pub trait Procedure {
    /// What it says of itself. Nothing of the bench may be asked here.
    fn describe() -> Description;

    /// Looks, measures and reports. The outcome is the worst of all that was judged and all that could
    /// not be measured; the report keeps count.
    ///
    /// # Errors
    /// [`crate::Unable`] ends the procedure as `unable`, with its code and text.
    fn run(settings: &Settings, report: &mut Report) -> Result<()>;
}

/// Ties a [`Procedure`] to the contract's exports. Named by [`crate::export!`] only.
#[derive(Debug)]
pub struct Exported<P>(PhantomData<P>);

impl<P: Procedure> entry::Guest for Exported<P> {
    fn describe() -> entry::Description {
        speak_before_dying();
        let said = P::describe();
        entry::Description {
            name: said.name.into(),
            version: said.version.into(),
            purpose: said.purpose.into(),
            needs: words(said.needs, |signal| signal.as_str()),
            uses: words(said.uses, |signal| signal.as_str()),
            modes: said.modes.iter().copied().map(mode).collect(),
            parameters: said.parameters.iter().map(Into::into).collect(),
            cautions: words(said.cautions, |caution| caution.as_str()),
            cover_off: said.cover_off,
            tells: said.tells.into(),
            when_it_fails: said.when_it_fails.into(),
            duration_s: said.duration_s,
        }
    }

    fn run(settings: Vec<entry::Setting>) -> types::Outcome {
        speak_before_dying();
        let mut report = Report::new();
        if let Err(unable) = P::run(&Settings::new(settings), &mut report) {
            report.unable(unable.on_or(P::describe().name));
        }
        outcome(report.close())
    }
}

fn words<T: Copy>(list: &[T], spelling: impl Fn(T) -> &'static str) -> Vec<String> {
    list.iter().map(|&word| spelling(word).to_owned()).collect()
}

/// A component has no error stream: a panic's text goes out as a note, before the trap.
pub(crate) fn speak_before_dying() {
    std::panic::set_hook(Box::new(|panic| host::note(&panic.to_string())));
}
