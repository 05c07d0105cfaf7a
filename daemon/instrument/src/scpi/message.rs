//! Building what we send. Whatever goes in, one message comes out: no value can end it early.

use core::fmt;

/// Why a message cannot be built.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BuildError {
    /// The header holds something that no header may.
    #[error("`{0}` is no command header: letters, digits, `:`, `*`, `_`, `?` only")]
    Header(String),
    /// Infinities and NaN have no form as program data.
    #[error("{0} cannot be sent as a number in `{1}`")]
    NotFinite(String, String),
    /// A word holds something else than letters, digits and `_`.
    #[error("`{0}` is no word for `{1}`: letters, digits, `_` only, a letter first")]
    Word(String, String),
    /// A string with a control character or a character outside ASCII.
    #[error("the text for `{0}` holds a control character or one outside ASCII")]
    Text(String),
    /// An empty channel list.
    #[error("the channel list for `{0}` is empty")]
    NoChannels(String),
}

/// One message without its end: a header and its data, or several joined by `;`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    text: String,
    has_data: bool,
}

impl Message {
    /// A message of a header alone.
    ///
    /// # Errors
    /// [`BuildError::Header`].
    pub fn new(header: &str) -> Result<Self, BuildError> {
        let good = header.chars().all(|c| c.is_ascii_alphanumeric() || ":*_".contains(c) || c == '?')
            && header.chars().any(|c| c.is_ascii_alphabetic())
            && header.len() <= 200
            && header.find('?').is_none_or(|place| place + 1 == header.len());
        if !good {
            return Err(BuildError::Header(header.escape_default().to_string()));
        }
        Ok(Self { text: header.to_owned(), has_data: false })
    }

    /// A message of a text that is whole already; only what could end it early is refused.
    pub(crate) fn raw(text: String) -> Result<Self, BuildError> {
        if text.is_empty() || text.chars().any(|c| c.is_control() || !c.is_ascii()) {
            return Err(BuildError::Header(text.escape_default().to_string()));
        }
        let has_data = text.contains(' ');
        Ok(Self { text, has_data })
    }

    fn push(mut self, data: impl fmt::Display) -> Self {
        let between = if self.has_data { ',' } else { ' ' };
        self.text = format!("{}{between}{data}", self.text);
        self.has_data = true;
        self
    }

    /// Adds a number, as NR1 if it is a small integer, else as NR3; it reads back exactly.
    ///
    /// # Errors
    /// [`BuildError::NotFinite`].
    pub fn number(self, value: f64) -> Result<Self, BuildError> {
        if !value.is_finite() {
            return Err(BuildError::NotFinite(value.to_string(), self.text));
        }
        Ok(self.push(number(value)))
    }

    /// Adds an integer.
    #[must_use]
    pub fn integer(self, value: i64) -> Self {
        self.push(value)
    }

    /// Adds a word.
    ///
    /// # Errors
    /// [`BuildError::Word`].
    pub fn word(self, word: &str) -> Result<Self, BuildError> {
        if !is_word(word) {
            return Err(BuildError::Word(word.escape_default().to_string(), self.text));
        }
        Ok(self.push(word))
    }

    /// Adds a string in quotes.
    ///
    /// # Errors
    /// [`BuildError::Text`].
    pub fn string(self, text: &str) -> Result<Self, BuildError> {
        if text.chars().any(|c| c.is_control() || !c.is_ascii()) {
            return Err(BuildError::Text(self.text));
        }
        Ok(self.push(super::answer::print_string(text)))
    }

    /// Adds a channel list, `(@1,2)`.
    ///
    /// # Errors
    /// [`BuildError::NoChannels`].
    pub fn channels(self, channels: &[u32]) -> Result<Self, BuildError> {
        if channels.is_empty() {
            return Err(BuildError::NoChannels(self.text));
        }
        let list: Vec<String> = channels.iter().map(ToString::to_string).collect();
        Ok(self.push(format_args!("(@{})", list.join(","))))
    }

    /// Joins another message to this one, from the root of the tree (SCPI-99 vol. 1, 6.2.4).
    #[must_use]
    pub fn and(mut self, other: &Self) -> Self {
        let root = if other.text.starts_with(['*', ':']) { "" } else { ":" };
        self.text = format!("{};{root}{}", self.text, other.text);
        self.has_data = other.has_data;
        self
    }

    /// The same in short forms: of each word as the standard writes it, the capitals (SCPI-99 vol. 1,
    /// 6.2.1). Strings stay as they are.
    #[must_use]
    pub(crate) fn short(mut self) -> Self {
        let mut quoted = false;
        self.text.retain(|c| {
            quoted ^= c == '"';
            quoted || !c.is_ascii_lowercase()
        });
        self
    }

    /// Whether it asks for an answer.
    #[must_use]
    pub fn is_query(&self) -> bool {
        self.text.split(';').any(|unit| unit.split(' ').next().is_some_and(|header| header.ends_with('?')))
    }

    /// The text, without its end.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }
}

impl fmt::Display for Message {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// A finite number as program data.
pub(crate) fn number(value: f64) -> String {
    if value == 0.0 {
        "0".into()
    } else if value.fract() == 0.0 && value.abs() < 1e9 {
        format!("{value}")
    } else {
        format!("{value:E}")
    }
}

/// Whether a text may stand as a word: character data (IEEE 488.2, 7.7.1).
pub(crate) fn is_word(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_alphabetic())
        && text.len() <= 64
        && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn messages() {
        let built = |m: Result<Message, BuildError>| m.map_or_else(|e| format!("error: {e}"), |m| m.to_string());
        assert_eq!(built(Message::new("*IDN?")), "*IDN?");
        assert_eq!(built(Message::new("TRIGger:LEVel").and_then(|m| m.number(0.5))), "TRIGger:LEVel 5E-1");
        assert_eq!(built(Message::new("SWE:POIN").and_then(|m| m.number(2500.0))), "SWE:POIN 2500");
        assert_eq!(built(Message::new("DISP:TEXT").and_then(|m| m.string("a \"b\""))), "DISP:TEXT \"a \"\"b\"\"\"");
        assert_eq!(built(Message::new("ROUT:CLOS").and_then(|m| m.channels(&[1, 3]))), "ROUT:CLOS (@1,3)");
        assert_eq!(
            built(Message::new("*ESE").map(|m| m.integer(7).and(&Message::new("*ESE?").unwrap()))),
            "*ESE 7;*ESE?"
        );
        assert_eq!(built(Message::new("A:B").map(|m| m.and(&Message::new("C").unwrap()))), "A:B;:C");
        let short = |text: &str| Message::raw(text.into()).unwrap().short().to_string();
        assert_eq!(short(":WAVeform:SOURce CHANnel1;:TRIGger:TV:MODE AFIelds"), ":WAV:SOUR CHAN1;:TRIG:TV:MODE AFI");
        assert_eq!(short(":DISPlay:TEXT \"as it is\""), ":DISP:TEXT \"as it is\"");
        assert!(built(Message::new("A\n*RST")).starts_with("error: "));
        assert!(built(Message::new("A;B")).starts_with("error: "));
        assert!(built(Message::new("A?B")).starts_with("error: "));
        assert!(built(Message::new("A").and_then(|m| m.word("ON\n"))).starts_with("error: "));
        assert!(built(Message::new("A").and_then(|m| m.string("x\ny"))).starts_with("error: "));
        assert!(built(Message::new("A").and_then(|m| m.number(f64::NAN))).starts_with("error: "));
        assert!(built(Message::new("A").and_then(|m| m.channels(&[]))).starts_with("error: "));
        assert!(Message::new("A?").unwrap().is_query());
        assert!(!Message::new("A").unwrap().string("why?").unwrap().is_query());
    }

    proptest! {
        #[test]
        fn nothing_ends_a_message_early(header in ".{0,20}", word in ".{0,20}", text in ".{0,20}", value in any::<f64>()) {
            let built = Message::new(&header)
                .and_then(|m| m.word(&word))
                .and_then(|m| m.string(&text))
                .and_then(|m| m.number(value));
            if let Ok(message) = built {
                prop_assert!(!message.text().contains(['\n', '\r', '\0']));
            }
            if let Ok(message) = Message::new("A:B").unwrap().string(&text) {
                prop_assert!(!message.text().contains(['\n', '\r', '\0']));
                prop_assert_eq!(super::super::answer::string(&message.text()[4..]), Ok(text));
            }
        }

        #[test]
        fn a_sent_number_reads_back(value in -9e37_f64..9e37) {
            prop_assert_eq!(super::super::answer::value(&number(value)), Ok(value));
        }
    }
}
