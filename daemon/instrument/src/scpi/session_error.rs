//! Why an exchange with an instrument failed, in words that say what was asked.

use super::{ErrorEntry, Identity};
use crate::link::LinkError;

/// What to do about answers that cannot be right.
const WRONG: &str =
    "check the line (cable, earth, rate); if that is sound, look up in the manual how these words are answered";
/// What to do about a refusal.
const REFUSED: &str =
    "look these words up in the manual; a line that garbles also does this: check its cable, its earth and its rate";
/// What to do about answers that came at the wrong time.
const AGAIN: &str = "ask again, and if it comes again check the line (cable, earth, rate)";

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
    #[error("{link}: no whole answer to `{asked}`: {got} bytes came, then nothing for {waited_s:.3} s{}; {}", say(.complaints), silent(*.got, .complaints))]
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
    #[error("{link}: the answer to `{asked}` is wrong: {why}; {WRONG}")]
    Wrong {
        /// What was asked.
        asked: String,
        /// Which link.
        link: String,
        /// What is wrong.
        why: String,
    },
    /// The instrument refused.
    #[error("{link}: the instrument refused `{asked}`{}; {REFUSED}", say(.complaints))]
    Refused {
        /// What was sent.
        asked: String,
        /// Which link.
        link: String,
        /// What its error queue says.
        complaints: Vec<ErrorEntry>,
    },
    /// More answers came than questions were asked, so none since the last check can be trusted.
    #[error("{link}: answers came out of step ({why}); nothing read since the last check is used; {AGAIN}")]
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

/// What to do about a reply that did not come whole.
const fn silent(got: usize, complaints: &[ErrorEntry]) -> &'static str {
    match (got, complaints.is_empty()) {
        (_, false) => "look up in the manual whether it knows these words, and what they need",
        (0, true) => {
            "check the line (cable, earth, rate), and look up in the manual whether these words are answered, and how soon"
        }
        (_, true) => "bytes were lost: check the line (cable, earth, rate, flow control)",
    }
}

impl SessionError {
    /// What happened, without what to do about it.
    pub(super) fn happened(&self) -> String {
        let remedy = match self {
            Self::NoReply { got, complaints, .. } => silent(*got, complaints),
            Self::Wrong { .. } => WRONG,
            Self::Refused { .. } => REFUSED,
            Self::OutOfStep { .. } => AGAIN,
            _ => "",
        };
        let whole = self.to_string();
        whole.strip_suffix(remedy).unwrap_or(&whole).trim_end_matches("; ").to_owned()
    }

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_says_what_to_do() {
        let (asked, link) = (|| "A?".to_owned(), || "the link".to_owned());
        let complaints = || vec![ErrorEntry { code: -113, text: "Undefined header".into(), info: None }];
        let silent =
            |got, complaints| SessionError::NoReply { asked: asked(), link: link(), got, waited_s: 3.0, complaints };
        let closed = LinkError::Closed { link: link(), why: "unplugged".into() };
        let all = [
            SessionError::Link { asked: asked(), link: link(), source: Box::new(closed) },
            silent(0, Vec::new()),
            silent(7, Vec::new()),
            silent(0, complaints()),
            SessionError::Wrong { asked: asked(), link: link(), why: "it is `x`".into() },
            SessionError::Refused { asked: asked(), link: link(), complaints: complaints() },
            SessionError::OutOfStep { link: link(), why: "`7` came where 8 was due".into() },
        ];
        for error in all {
            let said = crate::causes::chain(&error);
            let (_, to_do) = said.split_once("; ").expect("what to do follows what happened");
            assert!(to_do.contains("check ") || to_do.contains("look "), "{said}");
            if !matches!(error, SessionError::Link { .. }) {
                let happened = error.happened();
                assert!(said.starts_with(&happened) && happened.len() < said.len(), "{happened}");
            }
        }
    }
}
