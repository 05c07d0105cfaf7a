//! Why there is no capture: what was asked, of which channel, and what the scope can do.

use crate::link::LinkError;
use crate::scpi::{BuildError, ErrorClass, ErrorEntry, SessionError};
use tapewright_formats::{Signal, UnableCode};

/// What to do about a line that garbles bytes.
const LINE: &str = "check its cable, its earth and its rate";
/// What to do about data that do not fit what was asked for.
const MISFIT: &str = "check the line (cable, earth, rate) and that nobody works the scope's knobs; if both are well, `tapewright dialect try` says what to change in the dialect";
/// What to do about an instrument that was gone meanwhile.
const GONE: &str = "check its power and its cable, then take the capture again";

/// Why there is no capture.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ScopeError {
    /// The hookup contradicts itself.
    #[error("the hookup has faults: {}", .0.join("; "))]
    Hookup(Vec<String>),
    /// The line's flow control takes bytes out of the blocks that samples come in.
    #[error(
        "{link}: XON and XOFF vanish from the blocks that samples come in, so none could be read right; use `flow=rts` with a cable that has the lines, `flow=none`, or an instrument that sends its samples as text"
    )]
    Swallows {
        /// Which link.
        link: String,
    },
    /// A signal that was asked for has no probe.
    #[error("`{signal}` was asked for, but it is not hooked up; hooked up are {}", if .hooked.is_empty() { "none".to_owned() } else { .hooked.join(", ") })]
    NotHookedUp {
        /// Which signal.
        signal: Signal,
        /// Which are.
        hooked: Vec<&'static str>,
    },
    /// Samples were asked of an input that can only trigger.
    #[error("`{signal}` is on {channel}, which can only trigger: put it on one of {}", .channels.join(", "))]
    TriggerOnly {
        /// Which signal.
        signal: Signal,
        /// Its input.
        channel: String,
        /// What gives samples.
        channels: Vec<String>,
    },
    /// The hookup names an input that the scope does not have.
    #[error("`{signal}` is hooked up to `{channel}`, which this scope does not have; it has {}", .inputs.join(", "))]
    NoSuchInput {
        /// Which signal.
        signal: Signal,
        /// What the hookup says.
        channel: String,
        /// What there is.
        inputs: Vec<String>,
    },
    /// The scope cannot do it.
    #[error("{asked}: this scope cannot; {can}")]
    CannotDo {
        /// What was asked.
        asked: String,
        /// What it can.
        can: String,
    },
    /// The expected signal is too small for the converter.
    #[error(
        "`{signal}` on {channel}: the expected {expected_v} V make {steps:.1} steps of the converter at the most sensitive setting, and at least {least} are needed; {remedy}"
    )]
    TooFewSteps {
        /// Which signal.
        signal: Signal,
        /// Its channel.
        channel: String,
        /// What is expected, peak to peak.
        expected_v: f64,
        /// Steps that it makes.
        steps: f64,
        /// Steps that are needed.
        least: f64,
        /// What to do.
        remedy: String,
    },
    /// The signal runs against the converter's end.
    #[error(
        "`{signal}` on {channel} is clipped: {codes} codes stand at an end of the converter at {volts_a_division} V a division, {why}"
    )]
    Clipped {
        /// Which signal.
        signal: Signal,
        /// Its channel.
        channel: String,
        /// How many codes.
        codes: usize,
        /// At which setting, at the test point.
        volts_a_division: f64,
        /// Why no larger range helps.
        why: String,
    },
    /// The trigger did not come.
    #[error("no trigger within {waited_s:.3} s: {trigger}; check that the signal is there, its probe, and the level")]
    NoTrigger {
        /// What was waited for.
        trigger: String,
        /// How long.
        waited_s: f64,
    },
    /// The acquisition does not end.
    #[error(
        "the acquisition did not end within {waited_s:.3} s after its trigger; the scope says `{state}`; press its stop key and try again, and if it comes again `tapewright dialect try` says what to change in the dialect"
    )]
    NotDone {
        /// How long it was waited for.
        waited_s: f64,
        /// What the scope says.
        state: String,
    },
    /// What came back cannot be right.
    #[error("data of {channel}: {why}; {remedy}")]
    BadData {
        /// Which channel.
        channel: String,
        /// What is wrong.
        why: String,
        /// What to do.
        remedy: &'static str,
    },
    /// A setting was not taken.
    #[error("{what} of {channel} was set to {asked}, but the scope reads back {is}; {hint}")]
    Setting {
        /// Which setting.
        what: &'static str,
        /// Which channel, or `time base`.
        channel: String,
        /// What was asked, with its unit.
        asked: String,
        /// What it is, with its unit.
        is: String,
        /// What to do.
        hint: &'static str,
    },
    /// The scaling told with the data does not fit the settings.
    #[error(
        "the scaling of {channel} does not fit its settings: {why}; check `formula` in dialect `{dialect}` against the instrument's manual"
    )]
    Scaling {
        /// Which channel.
        channel: String,
        /// What does not fit.
        why: String,
        /// Which dialect.
        dialect: String,
    },
    /// The instrument does not know the dialect's words.
    #[error("the instrument `{instrument}` does not know words of dialect `{dialect}` ({doing}): it says {}; choose another dialect, or check the file", .complaints.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "))]
    WrongDialect {
        /// Who it is.
        instrument: String,
        /// Which dialect.
        dialect: String,
        /// What was tried.
        doing: String,
        /// What its error queue says.
        complaints: Vec<ErrorEntry>,
    },
    /// The conversation failed.
    #[error("could not {doing}")]
    Session {
        /// What was tried.
        doing: String,
        /// Why.
        #[source]
        source: Box<SessionError>,
    },
    /// A command could not be built.
    #[error(
        "could not build the command to {doing}: {source}; check its words in the dialect, and the numbers asked for"
    )]
    Build {
        /// What was tried.
        doing: String,
        /// Why.
        #[source]
        source: BuildError,
    },
}

impl ScopeError {
    /// So many readings differed that the line must garble bytes.
    pub(super) fn garbled(channel: impl Into<String>, readings: &str, needed: u32) -> Self {
        let why = format!("{readings} no {needed} agree: the line garbles bytes");
        Self::BadData { channel: channel.into(), why, remedy: LINE }
    }

    /// What came does not fit what was asked for: spoilt on the line, or the dialect is wrong.
    pub(super) fn misfit(channel: impl Into<String>, why: impl Into<String>) -> Self {
        Self::BadData { channel: channel.into(), why: why.into(), remedy: MISFIT }
    }

    /// The instrument was gone meanwhile.
    pub(super) fn gone(channel: impl Into<String>, why: &str) -> Self {
        Self::BadData { channel: channel.into(), why: why.to_owned(), remedy: GONE }
    }

    /// The code of unable that fits.
    #[must_use]
    pub const fn unable_code(&self) -> UnableCode {
        match self {
            Self::NotHookedUp { .. } => UnableCode::NotHookedUp,
            Self::Hookup(_)
            | Self::TriggerOnly { .. }
            | Self::NoSuchInput { .. }
            | Self::Swallows { .. }
            | Self::CannotDo { .. }
            | Self::WrongDialect { .. }
            | Self::Setting { .. }
            | Self::Build { .. } => UnableCode::NotPossible,
            Self::TooFewSteps { .. } => UnableCode::TooFewSteps,
            Self::Clipped { .. } => UnableCode::Clipped,
            Self::NoTrigger { .. } => UnableCode::NoTrigger,
            Self::NotDone { .. } | Self::BadData { .. } | Self::Scaling { .. } => UnableCode::BadData,
            Self::Session { source, .. } => match **source {
                SessionError::Wrong { .. } | SessionError::OutOfStep { .. } => UnableCode::BadData,
                SessionError::Refused { .. } => UnableCode::NotPossible,
                _ => UnableCode::LinkLost,
            },
        }
    }

    /// Whether a new try may help: the link or the data were spoilt.
    #[must_use]
    pub const fn is_fault(&self) -> bool {
        match self {
            // A garbled command looks like an unknown word; the scope tells that from a wrong dialect.
            Self::Session { source, .. } => source.is_fault() || matches!(**source, SessionError::Refused { .. }),
            Self::BadData { .. } | Self::Scaling { .. } | Self::Setting { .. } | Self::WrongDialect { .. } => true,
            _ => false,
        }
    }

    /// Whether the instrument refused something.
    pub(super) fn is_refusal(&self) -> bool {
        matches!(self, Self::Session { source, .. } if matches!(**source, SessionError::Refused { .. }))
    }

    /// The link's failure behind it, if it is one.
    #[must_use]
    pub const fn link_error(&self) -> Option<&LinkError> {
        match self {
            Self::Session { source, .. } => match &**source {
                SessionError::Link { source, .. } => Some(source),
                _ => None,
            },
            _ => None,
        }
    }

    /// Whether the instrument complains of words that it does not know, and of nothing else.
    pub(super) fn unknown_words(error: &SessionError) -> bool {
        let complaints = error.complaints();
        !complaints.is_empty() && complaints.iter().all(|entry| entry.class() == ErrorClass::Command)
    }
}
