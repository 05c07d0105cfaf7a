//! Words of the house to and from the contract's enums.

use crate::bindings::tapewright::procedure::types;
use tapewright_formats::{Mode, Outcome, TapeKind};

/// # Panics
/// For `record`: recording is a permission of its own ([`crate::record_for`]).
pub(crate) fn mode(word: Mode) -> types::Mode {
    match word {
        Mode::Stop => types::Mode::Stop,
        Mode::Play => types::Mode::Play,
        Mode::Still => types::Mode::Still,
        Mode::Advance => types::Mode::Advance,
        Mode::Cue => types::Mode::Cue,
        Mode::Review => types::Mode::Review,
        Mode::FastForward => types::Mode::FastForward,
        Mode::Rewind => types::Mode::Rewind,
        Mode::Record => panic!("`record` is no mode of the transport: it needs the permission to record"),
    }
}

pub(crate) const fn mode_back(told: types::Mode) -> Mode {
    match told {
        types::Mode::Stop => Mode::Stop,
        types::Mode::Play => Mode::Play,
        types::Mode::Still => Mode::Still,
        types::Mode::Advance => Mode::Advance,
        types::Mode::Cue => Mode::Cue,
        types::Mode::Review => Mode::Review,
        types::Mode::FastForward => Mode::FastForward,
        types::Mode::Rewind => Mode::Rewind,
    }
}

pub(crate) const fn outcome(word: Outcome) -> types::Outcome {
    match word {
        Outcome::Fail => types::Outcome::Fail,
        Outcome::Unable => types::Outcome::Unable,
        Outcome::Inconclusive => types::Outcome::Inconclusive,
        Outcome::Marginal => types::Outcome::Marginal,
        Outcome::Pass => types::Outcome::Pass,
    }
}

pub(crate) const fn tape(word: TapeKind) -> types::TapeKind {
    match word {
        TapeKind::Alignment => types::TapeKind::Alignment,
        TapeKind::Own => types::TapeKind::Own,
        TapeKind::Other => types::TapeKind::Other,
        TapeKind::Unknown => types::TapeKind::Unknown,
    }
}

pub(crate) const fn tape_back(told: types::TapeKind) -> TapeKind {
    match told {
        types::TapeKind::Alignment => TapeKind::Alignment,
        types::TapeKind::Own => TapeKind::Own,
        types::TapeKind::Other => TapeKind::Other,
        types::TapeKind::Unknown => TapeKind::Unknown,
    }
}
