//! Names of runs and jobs, and the one way to write a wall time.
//!
//! A name is also a file name, so only letters, digits and hyphens are let in: a name that came over
//! the network can never point outside its folder.

use super::RecordsError;
use core::fmt;
use core::str::FromStr;
use serde::{Deserialize, Deserializer, Serialize};
use tapewright_clock::WallTime;

const LONGEST: usize = 64;

macro_rules! name {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
        #[serde(transparent)]
        pub struct $name(String);

        impl $name {
            /// The name.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl FromStr for $name {
            type Err = RecordsError;
            fn from_str(text: &str) -> Result<Self, RecordsError> {
                check($what, text).map(|()| Self(text.to_owned()))
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

name! {
    /// Name of a run: letters, digits and hyphens, e.g. `r20260301-142233-001`.
    RunId, "run"
}
name! {
    /// Name of a job: letters, digits and hyphens, e.g. `j20260301-142200-001`.
    JobId, "job"
}

fn check(what: &'static str, text: &str) -> Result<(), RecordsError> {
    let bad = |why| Err(RecordsError::BadName { what, given: text.chars().take(80).collect(), why });
    if text.is_empty() {
        bad("it is empty")
    } else if text.len() > LONGEST {
        bad("it has more than 64 characters")
    } else if !text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-') {
        bad("only letters, digits and hyphens are allowed")
    } else {
        Ok(())
    }
}

/// Most characters of a name that people give, e.g. a machine's shelf mark.
pub(crate) const NAME_CHARS: usize = 64;
/// Most characters of a remark.
pub(crate) const TEXT_CHARS: usize = 2_000;

/// What keeps words of people from being kept and printed in lists, and what to do; none: nothing. Control characters would move
/// the cursor of whoever reads them in a terminal.
pub(crate) fn wrong_words(words: &str, most: usize) -> Option<String> {
    let chars = words.chars().count();
    if let Some(control) = words.chars().find(|c| c.is_control()) {
        Some(format!("it holds the control character `{}`: write it in one line, without", control.escape_default()))
    } else if chars > most {
        Some(format!("it has {chars} characters: shorten it to at most {most}"))
    } else {
        None
    }
}

/// The `number`th name for something begun at this time: letter, date, time, number.
pub(super) fn name_at(letter: char, at: WallTime, number: u32) -> String {
    let Civil { year, month, day, hour, minute, second, .. } = civil(at);
    format!("{letter}{year:04}{month:02}{day:02}-{hour:02}{minute:02}{second:02}-{number:03}")
}

/// When something with such a name was begun, to the second; the beginning of 1970 for another name.
pub(super) fn begun_at(name: &str) -> WallTime {
    let number = |from: usize, to: usize| name.get(from..to).and_then(|digits| digits.parse::<i64>().ok());
    let ms = || {
        let (year, month, day) = (number(1, 5)?, number(5, 7)?, number(7, 9)?);
        let (hour, minute, second) = (number(10, 12)?, number(12, 14)?, number(14, 16)?);
        // Years that begin on 1 March, as below.
        let (year, from_march) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
        let days = 365 * year + year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400) - 719_468
            + (153 * from_march + 2) / 5
            + day
            - 1;
        Some(((days * 24 + hour) * 60 + minute) * 60_000 + second * 1_000)
    };
    WallTime(ms().unwrap_or_default())
}

/// A wall time as RFC 3339 writes it, in UTC, with milliseconds.
///
/// ```
/// use tapewright::records::rfc3339;
/// use tapewright_clock::WallTime;
/// assert_eq!(rfc3339(WallTime(1_709_164_800_123)), "2024-02-29T00:00:00.123Z");
/// ```
#[must_use]
pub fn rfc3339(at: WallTime) -> String {
    let Civil { year, month, day, hour, minute, second, milli } = civil(at);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{milli:03}Z")
}

struct Civil {
    year: i64,
    month: i64,
    day: i64,
    hour: i64,
    minute: i64,
    second: i64,
    milli: i64,
}

/// Days to a date of the Gregorian calendar, by counting in years that begin on 1 March, so that
/// the leap day comes last.
fn civil(WallTime(ms): WallTime) -> Civil {
    let (days, in_day) = (ms.div_euclid(86_400_000), ms.rem_euclid(86_400_000));
    let from_march_of_year_0 = days + 719_468;
    let (era, day_of_era) = (from_march_of_year_0.div_euclid(146_097), from_march_of_year_0.rem_euclid(146_097));
    let year_of_era = (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let from_march = (5 * day_of_year + 2) / 153;
    let month = if from_march < 10 { from_march + 3 } else { from_march - 9 };
    Civil {
        year: era * 400 + year_of_era + i64::from(month <= 2),
        month,
        day: day_of_year - (153 * from_march + 2) / 5 + 1,
        hour: in_day / 3_600_000,
        minute: in_day / 60_000 % 60,
        second: in_day / 1_000 % 60,
        milli: in_day % 1_000,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_about_leap_days_and_the_epoch() {
        for (ms, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (-1, "1969-12-31T23:59:59.999Z"),
            (951_782_400_000, "2000-02-29T00:00:00.000Z"),
            (951_868_800_000, "2000-03-01T00:00:00.000Z"),
            (4_107_542_400_000, "2100-03-01T00:00:00.000Z"),
            (1_772_375_353_042, "2026-03-01T14:29:13.042Z"),
        ] {
            assert_eq!(rfc3339(WallTime(ms)), text);
        }
    }

    #[test]
    fn names_stay_in_their_folder() {
        for bad in ["", "..", "a/b", "a\\b", "a.b", "a b", "ä", &"x".repeat(65)] {
            assert!(bad.parse::<RunId>().is_err(), "{bad}");
        }
        let name = name_at('r', WallTime(1_772_375_353_042), 7);
        assert_eq!(name, "r20260301-142913-007");
        for ms in [0, 951_782_400_000, 951_868_800_000, 4_107_542_400_000, 1_772_375_353_000] {
            assert_eq!(begun_at(&name_at('r', WallTime(ms), 1)), WallTime(ms));
        }
        assert_eq!(["r", "copy-of-r20260301", ""].map(begun_at), [WallTime(0); 3]);
        assert!(name.parse::<RunId>().is_ok());
    }
}
