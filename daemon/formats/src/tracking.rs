//! The keys of digital tracking.

use core::fmt;
use serde::{Deserialize, Serialize};

/// What is pressed of a machine's tracking keys.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrackingPress {
    /// Both at once (or a key of its own): the control goes to its own centre.
    Centre,
    /// So many presses of the one key, or where it is below zero of the other.
    By(i32),
}

impl TrackingPress {
    /// How often a key goes down.
    #[must_use]
    pub const fn presses(self) -> u32 {
        match self {
            Self::Centre => 1,
            Self::By(by) => by.unsigned_abs(),
        }
    }
}

impl fmt::Display for TrackingPress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let times = |by: u32| if by == 1 { String::new() } else { format!(", {by} times") };
        match self {
            Self::Centre => f.write_str("tracking to its own centre"),
            Self::By(by) if *by < 0 => write!(f, "tracking down{}", times(by.unsigned_abs())),
            Self::By(by) => write!(f, "tracking up{}", times(by.unsigned_abs())),
        }
    }
}
