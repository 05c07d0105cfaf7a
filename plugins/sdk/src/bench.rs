//! What is on the bench: hookup, scope, tape, transport, operator.
//!
//! Each group of functions stands on one interface of the contract, which is one permission; a
//! procedure's component imports only the interfaces whose functions it calls.

use crate::bindings::tapewright::procedure::{captures, operator, recording, tracking, transport};
use crate::convert::{mode, mode_back, tape, tape_back};
use crate::unable::{Result, Unable};
use tapewright_formats::{
    Format, Mode, ProbePlace, Signal, SignalForm, TapeKind, TrackingPress, UnableCode, format_named,
};

pub use captures::{Abilities, Head};

/// One hooked-up signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// What it carries.
    pub signal: Signal,
    /// Label of the channel or input.
    pub channel: String,
    /// The input can only trigger: it gives no samples.
    pub trigger_only: bool,
    /// Before or after automatic gain.
    pub place: ProbePlace,
    /// What form the signal has there.
    pub form: SignalForm,
    /// Which head the point carries.
    pub head: Head,
    /// For a head switch: whether the high state means head A.
    pub high_is_a: bool,
    /// Volts peak to peak that are expected in play, if known.
    pub expected_v: Option<f64>,
}

/// Everything that is hooked up. (Permission `captures`.)
///
/// # Errors
/// `not-possible` if the daemon knows a word that this procedure does not: build it anew.
pub fn hookup() -> Result<Vec<Point>> {
    captures::hookup().into_iter().map(point).collect()
}

/// One signal of the hookup. (Permission `captures`.)
///
/// # Errors
/// `not-hooked-up`, with what is.
pub fn hooked_up(signal: Signal) -> Result<Point> {
    let points = hookup()?;
    let there = points.iter().map(|point| point.signal.as_str()).collect::<Vec<_>>().join(", ");
    points.into_iter().find(|point| point.signal == signal).ok_or_else(|| {
        Unable::new(
            UnableCode::NotHookedUp,
            format!("{signal} is not hooked up (there are: {there}): put a probe on it"),
        )
    })
}

fn point(told: captures::Point) -> Result<Point> {
    Ok(Point {
        signal: told.signal.parse().map_err(|e| unknown(&e))?,
        channel: told.channel,
        trigger_only: told.trigger_only,
        place: told.place.parse().map_err(|e| unknown(&e))?,
        form: told.form.parse().map_err(|e| unknown(&e))?,
        head: told.head,
        high_is_a: told.high_is_a,
        expected_v: told.expected_v,
    })
}

pub(crate) fn unknown(word: &tapewright_formats::UnknownWord) -> Unable {
    Unable::new(UnableCode::NotPossible, format!("the daemon said a word that this procedure does not know: {word}"))
}

/// What the scope can do. (Permission `captures`.)
#[must_use]
pub fn abilities() -> Abilities {
    captures::can_do()
}

/// What is on the bench, as the job says it.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The format.
    pub format: &'static Format,
    /// Kind of the tape that is being played.
    pub tape: TapeKind,
    /// The tape's label.
    pub tape_name: String,
    /// Known RF level (carrier amplitude) of this point with this tape, if any.
    pub known_level_v: Option<f64>,
    /// The tape's picture is the same from top to bottom (test pattern).
    pub even_picture: bool,
}

impl Subject {
    /// Refuses a format without a control track.
    ///
    /// # Errors
    /// `not-in-format`, with what takes its place.
    pub fn demand_control_track(&self) -> Result<()> {
        if self.format.control_track {
            return Ok(());
        }
        let why = format!(
            "format {} has no control track: pilot tones recorded with the picture take its place",
            self.format.name
        );
        Err(Unable::new(UnableCode::NotInFormat, why))
    }
}

/// What is on the bench. (Permission `captures`.)
///
/// # Errors
/// `not-in-format` if the format is not in the table that this procedure was built with.
pub fn subject() -> Result<Subject> {
    let told = captures::describe_subject();
    let format = format_named(&told.format).ok_or_else(|| {
        Unable::new(UnableCode::NotInFormat, format!("format `{}` is not in this procedure's table", told.format))
    })?;
    Ok(Subject {
        format,
        tape: tape_back(told.tape),
        tape_name: told.tape_name,
        known_level_v: told.known_level_v,
        even_picture: told.even_picture,
    })
}

/// Goes to a mode, and returns when the machine had time to reach it: the seconds that it took.
/// (Permission `transport`.)
///
/// # Errors
/// What the daemon says, e.g. `mode-not-reached`.
///
/// # Panics
/// For `record`, which is a permission of its own.
pub fn go(to: Mode) -> Result<f64> {
    Ok(transport::go(mode(to))?)
}

/// The mode that was last reached. (Permission `transport`.)
#[must_use]
pub fn now() -> Mode {
    mode_back(transport::now())
}

/// Presses the machine's tracking keys, at least once: false where the bench has none, and the operator is to be asked.
/// (Permission `tracking`.)
///
/// # Errors
/// What the daemon says, e.g. `link-lost`.
pub fn turn_tracking(press: TrackingPress) -> Result<bool> {
    Ok(tracking::turn(match press {
        TrackingPress::Centre => tracking::Press::Centre,
        TrackingPress::By(by) => tracking::Press::By(by),
    })?)
}

/// What a procedure came to, with the tape in stop: whatever happened, it does not go on running unwatched.
/// (Permission `transport`.)
///
/// # Errors
/// The procedure's own; else what the daemon says of going to stop.
pub fn stopped_after<T>(result: Result<T>) -> Result<T> {
    let stopped = if now() == Mode::Stop { Ok(0.0) } else { go(Mode::Stop) };
    let value = result?;
    stopped.map(|_| value)
}

/// Records for so long, then stops. (Permission `recording`.)
///
/// # Errors
/// What the daemon says, e.g. `wrong-tape` if the tape is not declared scratch.
pub fn record_for(seconds: f64) -> Result<()> {
    Ok(recording::record_for(seconds)?)
}

/// What the operator is asked to do before answering.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Action {
    /// Nothing.
    Answer,
    /// Move a probe.
    MoveProbe {
        /// Signal whose probe is moved.
        signal: Signal,
        /// Test point that it shall touch.
        to: String,
    },
    /// Put in another tape.
    ChangeTape(TapeKind),
    /// Turn or shift something.
    Adjust(String),
}

/// A question to the operator.
#[derive(Debug, Clone, PartialEq)]
pub struct Prompt<'a> {
    /// Stable name of the question, e.g. `probe-proof`.
    pub id: &'a str,
    /// The question.
    pub text: &'a str,
    /// What to do before answering.
    pub action: Action,
    /// Answers to choose from; empty: free text.
    pub choices: &'a [&'a str],
    /// How long to wait for the answer.
    pub deadline_s: f64,
}

impl Prompt<'_> {
    /// Asks: the answer. (Permission `operator`.)
    ///
    /// # Errors
    /// `unattended` if nobody answered in time, `declined` if the operator would not.
    pub fn ask(&self) -> Result<String> {
        Ok(operator::ask(&operator::Prompt {
            id: self.id.into(),
            text: self.text.into(),
            action: match &self.action {
                Action::Answer => operator::Action::Answer,
                Action::MoveProbe { signal, to } => {
                    operator::Action::MoveProbe(operator::ProbeMove { signal: signal.as_str().into(), to: to.clone() })
                }
                Action::ChangeTape(kind) => operator::Action::ChangeTape(tape(*kind)),
                Action::Adjust(what) => operator::Action::Adjust(what.clone()),
            },
            choices: self.choices.iter().map(|&choice| choice.to_owned()).collect(),
            deadline_s: self.deadline_s,
        })?)
    }
}
