//! Dialects: data files that map abstract operations to one family's words, and its codes to volts.
//!
//! A file is TOML. Unknown keys are refused, and every fault of a file is told at once. Some are
//! shipped ([`Dialect::shipped`]); a shop's own is loaded from disk ([`Dialect::load`]) and needs
//! no rebuilding. Placeholders stand in braces, e.g. `:TIMebase:SCALe {seconds-a-division}`.

mod checks;
mod descriptor;
mod fields;
mod header;
mod limits;
mod manners;
mod named;
mod question;
mod read;
mod scaling;
mod template;
mod words;

use crate::scpi::{BuildError, Message, Profile};
use core::fmt;
use std::path::Path;

pub use limits::{Limits, Steps};
pub use question::Question;
pub use scaling::{CodeScale, Formula, Preamble, RawPreamble, decode};
pub use template::{Op, Slot, Template, Values};
pub use words::Words;

/// One fault of a dialect file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Which file.
    pub file: String,
    /// Which key, with its table in front.
    pub key: String,
    /// What is wrong, and what was expected.
    pub what: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: `{}`: {}", self.file, self.key, self.what)
    }
}

/// Why a dialect could not be had.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum DialectError {
    /// No shipped dialect has this name.
    #[error("no dialect is called `{name}`; shipped are {}; a file of your own is named by its path", .known.join(", "))]
    Unknown {
        /// What was asked for.
        name: String,
        /// What there is.
        known: Vec<&'static str>,
    },
    /// The dialect has no such variant.
    #[error("dialect `{dialect}` has no variant `{variant}`; it has {}", if .known.is_empty() { "none".to_owned() } else { .known.join(", ") })]
    Variant {
        /// The dialect.
        dialect: String,
        /// What was asked for.
        variant: String,
        /// What there is.
        known: Vec<String>,
    },
    /// The file could not be read.
    #[error("could not read the dialect file {path}: {source}; give the path of a file that is there and may be read")]
    Read {
        /// Which file.
        path: String,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The file has faults.
    #[error("the dialect file has {} fault(s):\n{}", .0.len(), .0.iter().map(|fault| format!("  {fault}")).collect::<Vec<_>>().join("\n"))]
    Faults(Vec<Fault>),
}

/// An input of the scope.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Input {
    /// Its label, as hookups spell it.
    pub label: String,
    /// Its number in command headers; none for a trigger-only input.
    pub number: Option<u32>,
    /// The word that names it as a source of the trigger.
    pub trigger: String,
    /// Whether it can only trigger.
    pub trigger_only: bool,
}

/// What a word of the acquisition state means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Armed, no trigger yet.
    Waiting,
    /// Triggered, the record fills.
    Filling,
    /// The record is whole, or nothing runs.
    Done,
    /// It runs on by itself.
    Running,
}

/// How the state is told.
#[derive(Debug, Clone, PartialEq)]
pub enum StateForm {
    /// By a word.
    Words(Vec<(String, State)>),
    /// By bits of a register: none set is done.
    Bits {
        /// Bit of waiting for the trigger.
        waiting: u32,
        /// Bit of measuring.
        filling: u32,
    },
}

/// What a read-back of the vertical range means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RangeIs {
    /// Volts a division.
    VoltsADivision,
    /// Volts over all steps of the converter.
    FullScale,
}

/// What a read-back of the time base means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimebaseIs {
    /// Seconds a division.
    SecondsADivision,
    /// Seconds from point to point.
    Interval,
    /// Seconds of the whole record.
    Span,
}

/// What a read-back of the offset means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OffsetIs {
    /// Volts at the middle of the range.
    Centre,
    /// The same with the other sign.
    MinusCentre,
    /// Divisions by which zero stands above the middle.
    Position,
}

impl OffsetIs {
    /// Their words in a file.
    pub(crate) const WORDS: &'static [&'static str] = &["centre-v", "minus-centre-v", "position-divisions"];
}

/// Where the scaling of a record is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PreambleForm {
    /// A line of ten fields: format, type, points, count, and three each for x and y.
    TenFields,
    /// Fields by name, or in this order where they come without; semicolons between them.
    NamedFields(Vec<String>),
    /// A binary descriptor.
    Descriptor,
    /// A header of the channel, with its origin and increment, in one answer.
    Header,
    /// Single queries.
    Queries,
}

/// Which instrument is spoken to, and how.
#[derive(Debug, Clone, PartialEq)]
pub struct Dialect {
    /// Name.
    pub name: String,
    /// Variant in force.
    pub variant: Option<String>,
    /// What it is for.
    pub about: String,
    /// Where its facts come from.
    pub source: String,
    /// Inputs.
    pub inputs: Vec<Input>,
    /// What the instrument can do.
    pub limits: Limits,
    /// Manners of the conversation.
    pub profile: Profile,
    /// Whether volts are meant at the probe's tip (the instrument knows the factor) or at the input.
    pub volts_at_tip: bool,
    /// How the state is told.
    pub state: StateForm,
    /// What the range read-back means.
    pub range_is: RangeIs,
    /// What the time base read-back means.
    pub timebase_is: TimebaseIs,
    /// What the offset read-back means.
    pub offset_is: OffsetIs,
    /// Words for values that are words.
    pub words: Words,
    /// What it cannot do, in sentences.
    pub cannot: Vec<String>,
    /// Where the scaling is told.
    pub preamble: PreambleForm,
    /// How codes become volts.
    pub formula: Formula,
    /// Whether codes are signed.
    pub signed: bool,
    /// Whether the most significant byte of a word comes first.
    pub most_significant_first: bool,
    /// Preamble code of 8-bit data.
    pub format_code_8: i64,
    /// Preamble code of 16-bit data.
    pub format_code_16: i64,
    /// Preamble code of peak detection.
    pub type_code_peak: i64,
    /// Whether the count of points of a record of pairs counts both values of each.
    pub peak_counts_values: bool,
    /// Operations whose settings the instrument does not answer when asked.
    pub not_answered: Vec<Op>,
    templates: Vec<(Op, Vec<Template>)>,
    variants: Vec<(String, toml::Table)>,
    origin: (String, String),
}

/// The shipped files.
const SHIPPED: &[(&str, &str)] = &[
    ("channel-horizontal-curve", include_str!("../../dialects/channel-horizontal-curve.toml")),
    ("channel-timebase-waveform", include_str!("../../dialects/channel-timebase-waveform.toml")),
    ("prefixed-channel-descriptor", include_str!("../../dialects/prefixed-channel-descriptor.toml")),
    ("scpi-99", include_str!("../../dialects/scpi-99.toml")),
];

impl Dialect {
    /// Names of the shipped dialects.
    #[must_use]
    pub fn shipped_names() -> Vec<&'static str> {
        SHIPPED.iter().map(|(name, _)| *name).collect()
    }

    /// A shipped dialect by `NAME` or `NAME/VARIANT`.
    ///
    /// # Errors
    /// [`DialectError::Unknown`], [`DialectError::Variant`].
    pub fn shipped(name: &str) -> Result<Self, DialectError> {
        let (base, variant) = name.split_once('/').map_or((name, None), |(base, variant)| (base, Some(variant)));
        let Some((file, text)) = SHIPPED.iter().find(|(known, _)| *known == base) else {
            return Err(DialectError::Unknown { name: name.to_owned(), known: Self::shipped_names() });
        };
        let dialect = Self::check_named(&format!("{file}.toml"), text).map_err(DialectError::Faults)?;
        match variant {
            Some(variant) => dialect.with_variant(variant),
            None => Ok(dialect),
        }
    }

    /// A dialect by name, `NAME/VARIANT`, or path of a file (`.toml`, with `#VARIANT` at its end for a variant).
    ///
    /// # Errors
    /// [`DialectError`].
    pub fn load(name: &str) -> Result<Self, DialectError> {
        let (path, variant) = name.split_once('#').map_or((name, None), |(path, variant)| (path, Some(variant)));
        if !path.ends_with(".toml") {
            return Self::shipped(name);
        }
        let text = std::fs::read_to_string(Path::new(path))
            .map_err(|source| DialectError::Read { path: path.to_owned(), source })?;
        let dialect = Self::check_named(path, &text).map_err(DialectError::Faults)?;
        match variant {
            Some(variant) => dialect.with_variant(variant),
            None => Ok(dialect),
        }
    }

    /// Checks the text of a file.
    ///
    /// # Errors
    /// Every fault in it.
    pub fn check(text: &str) -> Result<Self, Vec<Fault>> {
        Self::check_named("dialect", text)
    }

    /// As [`Self::check`], with the file's name in the faults.
    ///
    /// # Errors
    /// Every fault in it.
    pub fn check_named(file: &str, text: &str) -> Result<Self, Vec<Fault>> {
        read::dialect(file, text)
    }

    /// Names of the variants.
    #[must_use]
    pub fn variants(&self) -> Vec<String> {
        self.variants.iter().map(|(name, _)| name.clone()).collect()
    }

    /// The dialect with a variant's inputs and limits.
    ///
    /// # Errors
    /// [`DialectError::Variant`].
    pub fn with_variant(&self, variant: &str) -> Result<Self, DialectError> {
        if !self.variants.iter().any(|(name, _)| name == variant) {
            let known = self.variants();
            return Err(DialectError::Variant { dialect: self.name.clone(), variant: variant.to_owned(), known });
        }
        let (file, text) = &self.origin;
        read::with_variant(file, text, Some(variant)).map_err(DialectError::Faults)
    }

    /// An input by its label, in any case.
    #[must_use]
    pub fn input(&self, label: &str) -> Option<&Input> {
        self.inputs.iter().find(|input| input.label.eq_ignore_ascii_case(label))
    }

    /// Channels that give samples.
    pub fn channels(&self) -> impl Iterator<Item = &Input> {
        self.inputs.iter().filter(|input| !input.trigger_only)
    }

    /// Whether the dialect has words for an operation.
    #[must_use]
    pub fn can(&self, op: Op) -> bool {
        self.templates.iter().any(|(have, list)| *have == op && !list.is_empty())
    }

    fn templates_of(&self, op: Op) -> &[Template] {
        self.templates.iter().find(|(have, _)| *have == op).map_or(&[][..], |(_, list)| list.as_slice())
    }

    /// The messages of an operation; none where the dialect has no words for it.
    ///
    /// # Errors
    /// [`BuildError`] when a value cannot be sent.
    pub fn render(&self, op: Op, values: &Values) -> Result<Vec<Message>, BuildError> {
        let values = self.told(values);
        self.templates_of(op).iter().map(|template| template.render(&values)).collect()
    }

    /// Reads the scaling of a record from the answer to the question for it.
    ///
    /// # Errors
    /// [`Trouble::Wrong`](crate::scpi::Trouble::Wrong) says which field.
    pub fn read_preamble(&self, answer: &str) -> Result<RawPreamble, crate::scpi::Trouble> {
        match &self.preamble {
            PreambleForm::NamedFields(order) => named::parse(answer, order, self.signed, self.most_significant_first),
            PreambleForm::Header => header::parse(answer, self.format_code_8, self.type_code_peak),
            _ => RawPreamble::parse(answer),
        }
    }

    /// Reads the scaling of a record from a binary descriptor.
    ///
    /// # Errors
    /// [`Trouble::Wrong`](crate::scpi::Trouble::Wrong) says which field.
    pub fn read_descriptor(&self, block: &[u8]) -> Result<RawPreamble, crate::scpi::Trouble> {
        descriptor::parse(block, self.most_significant_first)
    }

    /// What the answer to the state query means.
    #[must_use]
    pub fn read_state(&self, answer: &str) -> Option<State> {
        match &self.state {
            StateForm::Words(words) => {
                words.iter().find(|(word, _)| word.eq_ignore_ascii_case(answer.trim())).map(|(_, state)| *state)
            }
            StateForm::Bits { waiting, filling } => {
                let register = crate::scpi::answer::integer(answer).ok().and_then(|value| u32::try_from(value).ok())?;
                Some(match (register >> waiting & 1, register >> filling & 1) {
                    (1, _) => State::Waiting,
                    (_, 1) => State::Filling,
                    _ => State::Done,
                })
            }
        }
    }
}
