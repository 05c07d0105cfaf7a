//! What a procedure written in Rust starts from.
//!
//! A procedure is a type with two functions, and one line that makes it the component's:
//!
//! ```
//! use tapewright_sdk::prelude::*;
//!
//! struct Supply;
//!
//! impl Procedure for Supply {
//!     fn describe() -> Description {
//!         Description {
//!             name: "supply",
//!             version: "0.1.0",
//!             purpose: "Looks at the supply rail.",
//!             needs: &[Signal::Supply],
//!             uses: &[],
//!             modes: &[Mode::Stop],
//!             parameters: &[],
//!             cautions: &[Caution::Mains],
//!             cover_off: true,
//!             tells: "Whether the rail is there.",
//!             when_it_fails: "Look at the regulator.",
//!             duration_s: 5.0,
//!         }
//!     }
//!
//!     fn run(_settings: &Settings, report: &mut Report) -> Result<()> {
//!         let capture = Acquire::of(&[Signal::Supply]).span_s(0.1).take_one()?;
//!         let trace = capture.trace(Signal::Supply)?.samples()?;
//!         report.note(&format!("{} samples over {} s", trace.volts().len(), trace.span_s()));
//!         Ok(())
//!     }
//! }
//!
//! tapewright_sdk::export!(Supply);
//! ```
//!
//! What can also be watched while somebody adjusts implements [`live::Live`] besides.
//!
//! Nothing here has a clock, files, a network or chance: a verdict is a function of what the host told.

pub mod absence;
mod bench;
pub mod bindings;
mod bursts;
mod captures;
pub mod climb;
pub mod control;
mod convert;
pub mod earlier;
pub mod heads;
pub mod known;
pub mod live;
mod own_rate;
mod parameters;
pub mod phase;
pub mod probe;
mod procedure;
mod report;
pub mod rf;
pub mod tone;
mod unable;

pub use bench::{
    Abilities, Action, Head, Point, Prompt, Subject, abilities, go, hooked_up, hookup, now, record_for, stopped_after,
    subject, turn_tracking,
};
pub use captures::{Acquire, Capture, Codes, DEADLINE_S, Slope, TraceInfo};
pub use parameters::{Number, PRACTICE, Parameter, Settings, Text};
pub use procedure::{Description, Exported, Procedure};
pub use report::{Figure, Measured, Report, Series};
pub use tapewright_formats as formats;
pub use tapewright_measure as measure;
pub use unable::{On, Result, Unable};

/// Everything that most procedures use.
pub mod prelude {
    pub use crate::{
        Acquire, Action, Capture, Codes, Description, Figure, Head, Measured, Number, On, PRACTICE, Parameter, Point,
        Procedure, Prompt, Report, Result, Series, Settings, Slope, Subject, Text, Unable, abilities, go, hooked_up,
        hookup, now, stopped_after, subject, turn_tracking,
    };
    pub use tapewright_formats::{
        Caution, Finding, Interval, Limit, Limits, Mode, Outcome, Signal, TapeKind, TrackingPress, UnableCode, Unit,
    };
    pub use tapewright_measure::{Contribution, Estimate, Evaluation, MeasureError, PairTrace, Trace};
}

/// Makes a type that implements [`Procedure`] the component's.
///
/// Exports exist for wasm only: a host's linker would refuse their names. On the host the type is used all
/// the same, so that it is checked there too.
#[macro_export]
macro_rules! export {
    ($procedure:ty) => {
        const _: fn() -> $crate::Description = <$procedure as $crate::Procedure>::describe;
        #[cfg(target_arch = "wasm32")]
        #[allow(unsafe_code, reason = "the contract's exports are C functions")]
        const _: () = {
            type TheProcedure = $crate::Exported<$procedure>;
    $crate::bindings::export_bindings!(TheProcedure with_types_in $crate::bindings);
        };
        #[cfg(not(target_arch = "wasm32"))]
        const _: fn(&$crate::Settings, &mut $crate::Report) -> $crate::Result<()> =
            <$procedure as $crate::Procedure>::run;
    };
}
