//! The operator's hands: what a prompt asks to be done is done on the bench.

use crate::bench::{Inner, SimBench};
use crate::commands::{self, CommandError, point_named, point_word};
use crate::scenario::Operator;
use crate::source::Point;
use tapewright_clock::Instant;
use tapewright_formats::{Signal, TapeKind};

/// What a prompt asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Action {
    /// Nothing but an answer.
    Answer,
    /// The probe that belongs to a signal shall touch a point: a signal's word, `test-output` or `open`.
    MoveProbe {
        /// The signal whose probe it is.
        signal: Signal,
        /// What it shall touch.
        to: String,
    },
    /// Another tape of this kind.
    ChangeTape(TapeKind),
    /// Something is to be adjusted: the scenario says what is done for the prompt's id.
    Adjust,
}

/// What was done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Obeyed {
    /// In words.
    pub did: Vec<String>,
    /// The answer to the prompt.
    pub answer: String,
}

impl SimBench {
    /// Does what a prompt asks, as the scenario's operator would, and answers it.
    ///
    /// The caller waits the operator's `delay_s` first.
    ///
    /// # Errors
    /// What could not be done on this bench.
    pub fn obey(
        &self,
        now: Instant,
        operator: &Operator,
        id: &str,
        action: &Action,
        choices: &[String],
    ) -> Result<Obeyed, CommandError> {
        let mut inner = self.lock();
        inner.advance(now.as_nanos());
        let commands = match action {
            Action::Answer => Vec::new(),
            Action::MoveProbe { signal, to } => vec![move_probe(&inner, *signal, to)?],
            Action::ChangeTape(kind) => vec![change_tape(&mut inner, *kind)?],
            Action::Adjust => operator.adjust.get(id).cloned().unwrap_or_default(),
        };
        let did = commands.iter().map(|text| commands::run(&mut inner, text)).collect::<Result<Vec<_>, _>>()?;
        Ok(Obeyed { did, answer: operator.answer_to(id, choices) })
    }
}

fn refused(given: String, why: String) -> CommandError {
    CommandError::Refused { given, why }
}

/// The probe that belongs to a signal is the one that touched it at the start.
fn move_probe(inner: &Inner, signal: Signal, to: &str) -> Result<String, CommandError> {
    let given = format!("move the probe of {signal} to {to}");
    let point = point_named(to).map_err(|why| refused(given.clone(), why))?;
    let home = Point::Signal(signal);
    let channel = inner.home.channels.iter().position(|probe| probe.point == home);
    let label = match channel {
        Some(index) => format!("CH{}", index + 1),
        None if inner.home.external.point == home => "EXT".to_owned(),
        None => return Err(refused(given, format!("no probe of this bench belongs to {signal}"))),
    };
    Ok(format!("probe {label} {}", point_word(point)))
}

/// The next tape of the kind after the one that is in; the same one only if it is the only one.
fn change_tape(inner: &mut Inner, kind: TapeKind) -> Result<String, CommandError> {
    let given = format!("put in another tape of kind {kind}");
    let tapes = inner.deck.tapes();
    let present = inner.deck.tape();
    let of_kind: Vec<&String> = tapes.iter().filter(|(_, k)| *k == kind).map(|(name, _)| name).collect();
    let place = of_kind.iter().position(|name| Some(name.as_str()) == present.as_deref());
    let next = place.map_or(0, |place| (place + 1) % of_kind.len());
    match of_kind.get(next) {
        Some(name) => Ok(format!("tape {name}")),
        None => {
            let known = tapes.iter().map(|(name, kind)| format!("{name} ({kind})")).collect::<Vec<_>>().join(", ");
            Err(refused(given, format!("there is none; there are: {known}")))
        }
    }
}
