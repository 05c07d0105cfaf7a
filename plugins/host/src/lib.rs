//! Runs a procedure's component under limits, and replays what it was told.
//!
//! [`Engine::load`] takes a component's bytes: compiled, its imports held against the contract (they are
//! its [`Permission`]s), its description against the closed lists. [`Engine::run`] runs it in an instance
//! of its own and gives a [`Verdict`] whatever it does. The daemon stands behind [`Services`]; every call
//! passes one place that carries the budget, the deadline and the [`Log`], and captures go to a
//! [`CaptureStore`] by content. [`Engine::rejudge`] runs it again on log and captures alone. [`Engine::live`]
//! lets a procedure show readings while somebody adjusts: no verdict, and nothing of it is kept.
//!
//! Absent on purpose: WASI, epochs, a pool of instances, NaN canonicalisation (a NaN cannot reach a
//! verdict), and any judgement but [`tapewright_formats::decide`].
//!
//! Components are compiled in this process, when they are first asked for, and kept compiled while it runs.
//! Compiling is outside the limits of a run (neither fuel nor a deadline touches the compiler), so it is bounded by
//! the component's size alone ([`COMPONENT_BYTES`]): a component of someone else's is to be looked at with
//! `tapewright procedures check`, which is a process of its own, before a daemon gets it.

mod bindings;
mod cancel;
mod convert;
mod description;
mod encoding;
mod engine;
mod error;
mod imports;
mod limiter;
mod limits;
mod live;
mod replay;
mod report;
mod run;
mod services;
mod state;
mod types;
mod verdict;

pub use cancel::Cancel;
pub use description::{Description, Parameter, Setting, SettingError, Value};
pub use encoding::CaptureError;
pub use engine::{CONTRACT, Engine, Procedure, SWITCHES, WASMTIME};
pub use error::{EngineError, LoadError, Permission, RunError};
pub use limits::*;
pub use live::{Choice, Gauge, Live, LiveError, LiveRun, Reading, Trend};
pub use replay::{Divergence, RejudgeError, Replay};
pub use report::LEAST_COVERAGE;
pub use run::Run;
pub use services::{Answer, Call, CaptureStore, Fault, Log, MemoryCaptures, Refusal, Services, sha256_hex};
pub use types::{
    Abilities, Action, Capture, Detection, Earlier, EarlierMeasurement, Failure, Head, Point, Prompt, Request, Slope,
    Subject, TraceData, TraceInfo, Trigger,
};
pub use verdict::{Contribution, Ended, Evaluation, Figure, Found, MadeBy, Measurement, NotMeasured, Series, Verdict};
