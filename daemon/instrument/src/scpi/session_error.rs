//! Why an exchange with an instrument failed, in words that say what was asked.

use super::{ErrorEntry, Identity};
use crate::link::LinkError;

/// Why an exchange with an instrument failed.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SessionError {
    /// The link failed.
    #[error("{link}: sending or receiving failed at `{asked}`")]
    Link {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// Why.
        #[source]
        source: Box<LinkError>,
    },
    /// No reply, or only part of one.
    #[error("{link}: no whole answer to `{asked}`: {got} bytes came, then nothing for {waited_s:.3} s{}", say(.complaints))]
    NoReply {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// Bytes that came.
        got: usize,
        /// How long the wait was.
        waited_s: f64,
        /// What the instrument's error queue says.
        complaints: Vec<ErrorEntry>,
    },
    /// A reply that is not what was asked for.
    #[error("{link}: the answer to `{asked}` is wrong: {why}")]
    Wrong {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// What is wrong.
        why: String,
    },
    /// The instrument refused.
    #[error("{link}: the instrument refused `{asked}`{}", say(.complaints))]
    Refused {
        /// What was sent.
        asked: String,
        /// Which link.
        link: String,
        /// What its error queue says.
        complaints: Vec<ErrorEntry>,
    },
    /// More answers came than questions were asked, so none since the last check can be trusted.
    #[error("{link}: answers came out of step ({why}); nothing read since the last check is used")]
    OutOfStep {
        /// Which link.
        link: String,
        /// What was seen.
        why: String,
    },
    /// The instrument does not come back.
    #[error("{link}: the instrument is lost: {tried}, and opening the link anew did not help; {remedy}")]
    Lost {
        /// Which link.
        link: String,
        /// What was tried.
        tried: String,
        /// What to do.
        remedy: String,
        /// The last failure of the link, if it was one.
        #[source]
        source: Option<Box<LinkError>>,
    },
    /// Another instrument answers than before.
    #[error(
        "{link}: another instrument answers than before: it was `{was}`, now it is `{is}`; put the first one back, or set the bench up anew"
    )]
    Changed {
        /// Which link.
        link: String,
        /// Who it was.
        was: Box<Identity>,
        /// Who it is.
        is: Box<Identity>,
    },
}

fn say(entries: &[ErrorEntry]) -> String {
    if entries.is_empty() {
        return String::new();
    }
    let list: Vec<String> = entries.iter().map(ToString::to_string).collect();
    format!("; it says: {}", list.join(", "))
}

impl SessionError {
    /// Whether asking again may help: the exchange was spoilt, the instrument did not say no.
    #[must_use]
    pub const fn is_fault(&self) -> bool {
        matches!(self, Self::NoReply { .. } | Self::Wrong { .. } | Self::OutOfStep { .. } | Self::Link { .. })
    }

    /// What the instrument's error queue said, if it said anything.
    #[must_use]
    pub fn complaints(&self) -> &[ErrorEntry] {
        match self {
            Self::NoReply { complaints, .. } | Self::Refused { complaints, .. } => complaints,
            _ => &[],
        }
    }
}
