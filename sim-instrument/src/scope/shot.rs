//! One acquisition: how it is set up, how far it is, and what it took.

use crate::source::Slope;

/// How an input is coupled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coupling {
    /// Without its slow part.
    Ac,
    /// As it is.
    Dc,
    /// Nothing: the input's zero.
    Ground,
}

/// One channel's setting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelSetup {
    /// Whether it takes samples.
    pub on: bool,
    /// How it is coupled.
    pub coupling: Coupling,
    /// Volts at the connector that the converter's 256 steps span.
    pub full_scale_v: f64,
    /// Volts at the connector at the middle of the range.
    pub centre_v: f64,
}

/// What triggers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TriggerFrom {
    /// Nothing: at once.
    Immediate,
    /// A channel, from 0.
    Channel(usize),
    /// The trigger-only input.
    External,
    /// The mains.
    Line,
}

/// What on it triggers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TriggerOn {
    /// An edge through a level in volts at the connector.
    Edge {
        /// Direction.
        slope: Slope,
        /// Volts at the connector.
        level_v: f64,
    },
    /// A field (1, 2, or either) or a line of the composite video.
    Video {
        /// Which field; none: either.
        field: Option<u8>,
        /// Which line, from 1; none: the field's start.
        line: Option<u32>,
    },
    /// A setting that no signal here fits, such as the other polarity of the sync: it waits.
    Never,
}

/// Everything that an acquisition is set up with.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// Channels, in their order.
    pub channels: Vec<ChannelSetup>,
    /// Values a trace; a pair counts two.
    pub points: u32,
    /// Nominal time from sample to sample, or from pair to pair.
    pub dt_s: f64,
    /// Nominal time from the first sample to the trigger; negative: the record begins after it.
    pub before_s: f64,
    /// Pairs of least and greatest.
    pub peak: bool,
    /// Where the trigger comes from.
    pub from: TriggerFrom,
    /// What on it triggers.
    pub on: TriggerOn,
    /// Trigger by itself when no trigger comes.
    pub auto: bool,
}

impl Setup {
    /// The way of taking samples, in a word.
    pub(crate) const fn peak_word(&self) -> &'static str {
        if self.peak { "peak detect" } else { "sample" }
    }

    /// Samples or pairs in a trace.
    pub(crate) const fn items(&self) -> usize {
        self.points as usize / if self.peak { 2 } else { 1 }
    }
}

/// Why an acquisition triggered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TriggeredBy {
    /// It was set to trigger at once.
    Immediate,
    /// The edge that was asked for.
    Edge,
    /// The field or line that was asked for.
    Video,
    /// No trigger came, and the scope triggered by itself.
    Auto,
    /// A command told it to.
    Forced,
}

/// An entry of the scope's exact log, for tests.
#[derive(Debug, Clone, PartialEq)]
pub struct Acquisition {
    /// Counts from 1.
    pub number: u64,
    /// When it was armed, in seconds on the bench's timeline.
    pub armed_s: f64,
    /// Exactly when it triggered.
    pub trigger_s: f64,
    /// Why.
    pub by: TriggeredBy,
    /// Exactly when the first sample was taken (of pairs: when the first bin began).
    pub first_s: f64,
    /// Exact time from sample to sample, or from pair to pair.
    pub dt_s: f64,
    /// When the record was full: a step of time after the last sample, at the end of the last pair's bin.
    pub done_s: f64,
    /// Values a trace; a pair counts two.
    pub points: u32,
    /// Pairs of least and greatest.
    pub peak: bool,
}

/// What one channel took.
#[derive(Debug, Clone)]
pub(crate) struct Trace {
    pub(crate) codes: Vec<u8>,
    pub(crate) setup: ChannelSetup,
}

/// What an acquisition took.
#[derive(Debug, Clone)]
pub(crate) struct Record {
    pub(crate) setup: Setup,
    pub(crate) traces: Vec<Option<Trace>>,
}

/// What an acquisition took, exactly: for tests that compare it with what came over a link.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// Its times and its number.
    pub acquisition: Acquisition,
    /// What it was set up with.
    pub setup: Setup,
    /// Codes of each channel, 0 to 255, 128 at the middle of the range; none of a channel that was off.
    pub codes: Vec<Option<Vec<u8>>>,
}
