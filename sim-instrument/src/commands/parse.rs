//! Lines of text into commands.

use crate::port::Which;
use crate::source::Point;
use tapewright_formats::{Mode, Signal};

/// A command that could not be done.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// Not a command.
    #[error(
        "`{given}` is no command; there are: probe, tape, key, fault, clear, link, restart, identity, truth, counters, help"
    )]
    Unknown {
        /// What was given.
        given: String,
    },
    /// A command with something missing or wrong.
    #[error("`{given}`: {why}; it is written `{usage}`")]
    Wrong {
        /// What was given.
        given: String,
        /// What is wrong.
        why: String,
        /// How it is written.
        usage: &'static str,
    },
    /// The bench cannot do it.
    #[error("`{given}`: {why}")]
    Refused {
        /// What was given.
        given: String,
        /// Why not.
        why: String,
    },
}

const PROBE: &str = "probe CHANNEL POINT [FACTOR]";
const TAPE: &str = "tape NAME|none";
const KEY: &str = "key MODE";
const FAULT: &str = "fault NAME [VALUE]";
const CLEAR: &str = "clear NAME";
const LINK: &str = "link [relays] closed|silent|answer N|drop R|garble R|double R|late R SECONDS|cut R|drop-in R|garble-in R|only N|clear";
const RESTART: &str = "restart [scope|relays]";
const IDENTITY: &str = "identity [scope|relays] TEXT|-";
const TRUTH: &str = "truth scope|probes|acquisitions|seed|...";
const COUNTERS: &str = "counters [scope|relays]";
/// Every usage, for `help`.
pub(super) const USAGES: [&str; 10] = [PROBE, TAPE, KEY, FAULT, CLEAR, LINK, RESTART, IDENTITY, TRUTH, COUNTERS];

/// A test point by its word.
///
/// # Errors
/// A text with the words there are.
pub fn point_named(word: &str) -> Result<Point, String> {
    match word {
        "test-output" => Ok(Point::TestOutput),
        "open" => Ok(Point::Open),
        _ => word.parse().map(Point::Signal).map_err(|_| {
            format!("no point is called `{word}`; there are: {}, test-output, open", Signal::WORDS.join(", "))
        }),
    }
}

/// The word of a test point.
#[must_use]
pub const fn point_word(point: Point) -> &'static str {
    match point {
        Point::Signal(signal) => signal.as_str(),
        Point::TestOutput => "test-output",
        Point::Open => "open",
    }
}

/// An input of the scope: a channel counted from 0, or the trigger-only one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Input {
    Channel(usize),
    External,
}

impl Input {
    /// By its label, `CH1` or `EXT`.
    pub(crate) fn named(label: &str) -> Option<Self> {
        let upper = label.to_ascii_uppercase();
        if upper == "EXT" {
            return Some(Self::External);
        }
        let number: usize = upper.strip_prefix("CH")?.parse().ok()?;
        number.checked_sub(1).map(Self::Channel)
    }
}

/// A change of a link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum LinkChange {
    Closed,
    Silent,
    Clear,
    Answer(u64),
    Only(u64),
    Drop(f64),
    Garble(f64),
    Double(f64),
    Cut(f64),
    DropIn(f64),
    GarbleIn(f64),
    Late(f64, f64),
}

/// A command.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Command {
    Probe { input: Input, point: Point, factor: Option<f64> },
    Tape(Option<String>),
    Key(Mode),
    Fault { name: String, value: String },
    Clear(String),
    Link(Which, LinkChange),
    Restart(Which),
    Identity(Which, Option<String>),
    Truth(String),
    Counters(Which),
    Help,
}

/// One line of text and its words.
struct Line<'a> {
    text: &'a str,
    words: Vec<&'a str>,
    usage: &'static str,
}

impl<'a> Line<'a> {
    fn wrong(&self, why: impl Into<String>) -> CommandError {
        CommandError::Wrong { given: self.text.to_owned(), why: why.into(), usage: self.usage }
    }

    fn word(&self, place: usize) -> Result<&'a str, CommandError> {
        self.words.get(place).copied().ok_or_else(|| self.wrong("something is missing"))
    }

    fn ends_after(&self, count: usize) -> Result<(), CommandError> {
        match self.words.get(count) {
            Some(extra) => Err(self.wrong(format!("`{extra}` is too much"))),
            None => Ok(()),
        }
    }

    fn number(&self, place: usize, least: f64, greatest: f64) -> Result<f64, CommandError> {
        let word = self.word(place)?;
        let number = word.parse::<f64>().ok().filter(|number| (least..=greatest).contains(number));
        number.ok_or_else(|| self.wrong(format!("`{word}` is no number from {least} to {greatest}")))
    }

    fn count(&self, place: usize) -> Result<u64, CommandError> {
        let word = self.word(place)?;
        word.parse().map_err(|_| self.wrong(format!("`{word}` is no count")))
    }

    fn rest(&self) -> String {
        self.words.get(1..).unwrap_or_default().join(" ")
    }

    /// Takes a port's name off the front of the words, if it is there.
    fn port(&mut self) -> Which {
        let which = match self.words.get(1) {
            Some(&"relays") => Which::Relays,
            Some(&"scope") => Which::Scope,
            _ => return Which::Scope,
        };
        self.words.remove(1);
        which
    }
}

impl Command {
    /// What a line says.
    pub(crate) fn parse(text: &str) -> Result<Self, CommandError> {
        let text = text.trim();
        let mut line = Line { text, words: text.split_whitespace().collect(), usage: "help" };
        let usage = |first: &str| USAGES.into_iter().find(|usage| usage.split(' ').next() == Some(first));
        let first = line.words.first().copied().unwrap_or_default();
        if first == "help" {
            line.ends_after(1)?;
            return Ok(Self::Help);
        }
        line.usage = usage(first).ok_or_else(|| CommandError::Unknown { given: text.to_owned() })?;
        match first {
            "probe" => {
                let label = line.word(1)?;
                let input = Input::named(label)
                    .ok_or_else(|| line.wrong(format!("`{label}` is no channel, such as CH1 or EXT")))?;
                let point = point_named(line.word(2)?).map_err(|why| line.wrong(why))?;
                let factor = if line.words.len() > 3 { Some(line.number(3, 0.001, 10_000.0)?) } else { None };
                line.ends_after(4)?;
                Ok(Self::Probe { input, point, factor })
            }
            "tape" => {
                let name = line.word(1)?;
                line.ends_after(2)?;
                Ok(Self::Tape((name != "none").then(|| name.to_owned())))
            }
            "key" => {
                let word = line.word(1)?;
                line.ends_after(2)?;
                word.parse()
                    .map(Self::Key)
                    .map_err(|error: tapewright_formats::UnknownWord| line.wrong(error.to_string()))
            }
            "fault" => Ok(Self::Fault {
                name: line.word(1)?.to_owned(),
                value: line.words.get(2..).unwrap_or_default().join(" "),
            }),
            "clear" => {
                let name = line.word(1)?.to_owned();
                line.ends_after(2)?;
                Ok(Self::Clear(name))
            }
            "link" => Self::link(line),
            "restart" => {
                let which = line.port();
                line.ends_after(1)?;
                Ok(Self::Restart(which))
            }
            "identity" => {
                let which = line.port();
                line.word(1)?;
                let text = line.rest();
                Ok(Self::Identity(which, (text != "-").then_some(text)))
            }
            "counters" => {
                let which = line.port();
                line.ends_after(1)?;
                Ok(Self::Counters(which))
            }
            _ => Ok(Self::Truth(line.rest())),
        }
    }

    fn link(mut line: Line<'_>) -> Result<Self, CommandError> {
        let which = line.port();
        let what = line.word(1)?;
        let rate = || line.number(2, 0.0, 1.0);
        let (words, change) = match what {
            "closed" => (2, LinkChange::Closed),
            "silent" => (2, LinkChange::Silent),
            "clear" => (2, LinkChange::Clear),
            "answer" => (3, LinkChange::Answer(line.count(2)?)),
            "only" => (3, LinkChange::Only(line.count(2)?)),
            "drop" => (3, LinkChange::Drop(rate()?)),
            "garble" => (3, LinkChange::Garble(rate()?)),
            "double" => (3, LinkChange::Double(rate()?)),
            "cut" => (3, LinkChange::Cut(rate()?)),
            "drop-in" => (3, LinkChange::DropIn(rate()?)),
            "garble-in" => (3, LinkChange::GarbleIn(rate()?)),
            "late" => (4, LinkChange::Late(rate()?, line.number(3, 0.0, 3600.0)?)),
            other => return Err(line.wrong(format!("`{other}` is no fault of a link"))),
        };
        line.ends_after(words)?;
        Ok(Self::Link(which, change))
    }
}
