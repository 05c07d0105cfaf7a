//! Quirks of real instruments, switchable one by one: ways to leave the standard that were each met at
//! least once (instrument makers' manuals, not named).

/// Makes the closed list of quirks with their words.
macro_rules! quirks {
    ($($(#[$doc:meta])* $name:ident = $word:literal;)+) => {
        /// One quirk.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Quirk { $($(#[$doc])* $name),+ }

        impl Quirk {
            /// Every quirk, in order.
            pub const ALL: &'static [Self] = &[$(Self::$name),+];
            /// Their words in a scenario, in the same order.
            pub const WORDS: &'static [&'static str] = &[$($word),+];
        }
    };
}

quirks! {
    /// One more NL after a block, outside its count.
    ExtraNewline = "extra-newline";
    /// The block's count is that of the whole packet, its own header included.
    CountOfPacket = "count-of-packet";
    /// The block's count is one more than its data.
    CountOffByOne = "count-off-by-one";
    /// The digit after `#` says nine, but eight digits of count follow.
    EightDigits = "eight-digits";
    /// The block's count has as many digits as it needs.
    DigitsAsNeeded = "digits-as-needed";
    /// More than a hundred bytes of `key,value;` before the block's `#`.
    TextBeforeBlock = "text-before-block";
    /// A format byte before the data and a checksum byte after them, both counted.
    WrappedBlock = "wrapped-block";
    /// The block is indefinite: `#0`.
    IndefiniteBlock = "indefinite-block";
    /// Replies to questions for settings carry a header, and nothing switches it off.
    HeaderOn = "header-on";
    /// Numbers carry their units.
    Units = "units";
    /// NUL bytes after the NL, up to a whole number of four bytes.
    NulPadding = "nul-padding";
    /// A question for data that are not there is answered by an empty line, beside the error.
    EmptyWhenOff = "empty-when-off";
    /// The input buffer holds 256 bytes; of a longer message what fits is decoded as if it were one.
    SmallInput = "small-input";
    /// Replies take seconds.
    SlowReplies = "slow-replies";
    /// Every line that comes in is sent back.
    Echo = "echo";
    /// Replies end in LF CR, in this order.
    LineFeedReturn = "lf-cr";
    /// The state that is told lags behind the real one, and the last record is still read meanwhile.
    LaggingState = "lagging-state";
    /// A reading holds at most a thousand points, whatever is asked for.
    ShortReadings = "short-readings";
    /// `*OPC?` answers at once, whatever is under way.
    IgnoresOpc = "ignores-opc";
    /// A response with a block among other answers has NL where `;` is due, and so is cut in several.
    CutResponses = "cut-responses";
}

/// How late the state is told by [`Quirk::LaggingState`].
pub(crate) const STATE_LAG_S: f64 = 0.1;
/// How long replies take by [`Quirk::SlowReplies`].
pub(crate) const SLOW_REPLY_S: f64 = 2.5;
/// Most points of a reading by [`Quirk::ShortReadings`].
pub(crate) const SHORT_READING: usize = 1000;
/// Input buffer of [`Quirk::SmallInput`].
pub(crate) const SMALL_INPUT: usize = 256;

/// A set of quirks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Quirks(u32);

impl Quirks {
    /// The set with one more.
    #[must_use]
    pub const fn with(self, quirk: Quirk) -> Self {
        Self(self.0 | 1 << quirk as u32)
    }

    /// Whether one is in it.
    #[must_use]
    pub const fn has(self, quirk: Quirk) -> bool {
        self.0 & (1 << quirk as u32) != 0
    }

    /// By words.
    ///
    /// # Errors
    /// The word that is none, and those that there are.
    pub fn named(words: &[String]) -> Result<Self, String> {
        words.iter().try_fold(Self::default(), |set, word| {
            let place = Quirk::WORDS.iter().position(|known| known == word);
            match place.and_then(|place| Quirk::ALL.get(place)) {
                Some(quirk) => Ok(set.with(*quirk)),
                None => Err(format!("no quirk is called `{word}`; there are: {}", Quirk::WORDS.join(", "))),
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quirks_by_their_words() {
        let words = ["echo".to_owned(), "units".to_owned()];
        let set = Quirks::named(&words).expect("both are known");
        let got: Vec<&Quirk> = Quirk::ALL.iter().filter(|quirk| set.has(**quirk)).collect();
        assert_eq!(got, [&Quirk::Units, &Quirk::Echo]);
        assert!(Quirks::named(&["ecco".to_owned()]).is_err_and(|why| why.contains("extra-newline")));
    }
}
