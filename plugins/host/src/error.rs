//! What can keep a component from being used, and a run from giving a verdict.

use crate::services::Fault;

/// Why a component is not taken.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// Too large to be compiled here.
    #[error(
        "the file has {bytes} bytes, a component may have {allowed}: leave out what it does not need, and strip its debug information"
    )]
    TooLarge {
        /// What it has.
        bytes: usize,
        /// What it may have.
        allowed: usize,
    },
    /// A wasm module that was never made a component.
    #[error("this is a core wasm module, not a component: encode it against the contract (`wasm-tools component new`)")]
    CoreModule,
    /// Not wasm at all: a text, another program, nothing.
    #[error(
        "this is no valid component: the file {begins}, and wasm begins with the bytes 00 61 73 6d; give the `.wasm` file that a build against the contract made"
    )]
    NotWasm {
        /// How it begins, in words.
        begins: String,
    },
    /// Wasm, but not valid.
    #[error("this is no valid component: give the `.wasm` file that a build against the contract made")]
    NotAComponent(#[source] wasmtime::Error),
    /// It wants something that no procedure gets.
    #[error(
        "it imports `{import}`, which is not part of the contract: a procedure gets {} only, no files, clock, network or chance",
        Permission::WORDS.join(", ")
    )]
    UnknownImport {
        /// What it wants.
        import: String,
    },
    /// It exports no entry.
    #[error("it does not export `{entry}`: this is no procedure; it exports {exports:?}")]
    NoEntry {
        /// The export that is missing.
        entry: String,
        /// What it exports.
        exports: Vec<String>,
    },
    /// Built for another contract.
    #[error("it needs contract {needs}, this daemon has {have}: build it for {have}, or run a daemon that has {needs}")]
    WrongContract {
        /// What it was built for.
        needs: String,
        /// What there is.
        have: &'static str,
        /// What did not fit, where something was tried.
        #[source]
        source: Option<wasmtime::Error>,
    },
    /// Its functions are not those of the contract.
    #[error("it says contract {needs}, and does not fit it")]
    DoesNotFit {
        /// What it was built for.
        needs: String,
        /// What did not fit.
        #[source]
        source: wasmtime::Error,
    },
    /// It could not say what it is.
    #[error("it could not describe itself: {reason}")]
    Mute {
        /// What went wrong.
        reason: String,
    },
    /// What it says of itself is wrong. Every fault is listed.
    #[error("its description is wrong: {}", faults.join("; "))]
    Description {
        /// The faults.
        faults: Vec<String>,
    },
}

/// One interface that a component imports: what it may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Permission {
    /// To look at the signals that are hooked up.
    Captures,
    /// To work the machine's keys, recording excepted.
    Transport,
    /// To press the machine's tracking keys.
    Tracking,
    /// To record, on a tape declared scratch.
    Recording,
    /// To ask the operator.
    Operator,
    /// To see what an earlier run measured.
    Earlier,
    /// To build the verdict.
    Report,
}

impl Permission {
    /// Every permission.
    pub const ALL: &'static [Self] = &[
        Self::Captures,
        Self::Transport,
        Self::Tracking,
        Self::Recording,
        Self::Operator,
        Self::Earlier,
        Self::Report,
    ];
    /// Every spelling, in the same order.
    pub const WORDS: &'static [&'static str] =
        &["captures", "transport", "tracking", "recording", "operator", "earlier", "report"];

    /// The spelling: the interface's name in the contract.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Captures => "captures",
            Self::Transport => "transport",
            Self::Tracking => "tracking",
            Self::Recording => "recording",
            Self::Operator => "operator",
            Self::Earlier => "earlier",
            Self::Report => "report",
        }
    }

    /// What it allows, for the list that is shown before a run.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Captures => "look at the signals that are hooked up",
            Self::Transport => "work the machine's keys, recording excepted",
            Self::Tracking => "press the machine's tracking keys, where relays can",
            Self::Recording => "record, on a tape declared scratch",
            Self::Operator => "ask the operator",
            Self::Earlier => "see what the earlier run measured that this one is held against",
            Self::Report => "build the verdict",
        }
    }
}

/// Why the runtime does not start.
#[derive(Debug, thiserror::Error)]
#[error("the wasm runtime does not start on this machine")]
pub struct EngineError(#[source] pub(crate) wasmtime::Error);

/// Why a run gave no verdict: the tool's fault, never the machine's or the procedure's.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// A service or the log is broken.
    #[error("call {seq}, {name}: the bench or its journal is broken")]
    Broken {
        /// Number of the call.
        seq: u32,
        /// Which call.
        name: &'static str,
        /// What went wrong.
        #[source]
        source: Fault,
    },
    /// The settings are not the procedure's.
    #[error("{0}")]
    Settings(#[from] crate::description::SettingError),
}
