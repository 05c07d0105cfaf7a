//! Error numbers of SCPI-99 (volume 2, SYSTem:ERRor) and the error queue.

use std::collections::VecDeque;

/// Makes the list of numbers with their standard texts.
macro_rules! codes {
    ($($name:ident = $number:literal, $text:literal;)+) => {
        /// An error or event number with its standard text.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub(crate) enum Code { $($name),+ }

        impl Code {
            pub(crate) const fn number(self) -> i16 {
                match self { $(Self::$name => $number),+ }
            }
            pub(crate) const fn text(self) -> &'static str {
                match self { $(Self::$name => $text),+ }
            }
        }
    };
}

codes! {
    InvalidCharacter = -101, "Invalid character";
    Syntax = -102, "Syntax error";
    InvalidSeparator = -103, "Invalid separator";
    DataType = -104, "Data type error";
    ParameterNotAllowed = -108, "Parameter not allowed";
    MissingParameter = -109, "Missing parameter";
    HeaderSeparator = -111, "Header separator error";
    MnemonicTooLong = -112, "Program mnemonic too long";
    UndefinedHeader = -113, "Undefined header";
    HeaderSuffixOutOfRange = -114, "Header suffix out of range";
    InvalidCharacterInNumber = -121, "Invalid character in number";
    ExponentTooLarge = -123, "Exponent too large";
    TooManyDigits = -124, "Too many digits";
    InvalidSuffix = -131, "Invalid suffix";
    SuffixTooLong = -134, "Suffix too long";
    SuffixNotAllowed = -138, "Suffix not allowed";
    CharacterDataTooLong = -144, "Character data too long";
    InvalidString = -151, "Invalid string data";
    InvalidBlock = -161, "Invalid block data";
    InvalidExpression = -171, "Invalid expression";
    TriggerIgnored = -211, "Trigger ignored";
    InitIgnored = -213, "Init ignored";
    SettingsConflict = -221, "Settings conflict";
    DataOutOfRange = -222, "Data out of range";
    IllegalParameterValue = -224, "Illegal parameter value";
    DataStale = -230, "Data corrupt or stale";
    HardwareMissing = -241, "Hardware missing";
    QueueOverflow = -350, "Queue overflow";
    InputOverrun = -363, "Input buffer overrun";
    QueryInterrupted = -410, "Query INTERRUPTED";
    NothingToSay = -420, "Query UNTERMINATED";
    QueryDeadlocked = -430, "Query DEADLOCKED";
    QueryUnterminated = -440, "Query UNTERMINATED after indefinite response";
    PowerOn = -500, "Power on";
}

impl Code {
    /// Bit of the standard event register that this class of errors sets (IEEE 488.2 clause 11.5.1.1;
    /// one class, one bit).
    pub(crate) const fn event_bit(self) -> u8 {
        match self.number() {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            -399..=-300 => 1 << 3,
            -499..=-400 => 1 << 2,
            -599..=-500 => 1 << 7,
            _ => 0,
        }
    }

    /// With a word on what it was about.
    pub(crate) fn about(self, what: impl Into<String>) -> Fault {
        Fault { code: self, about: what.into() }
    }
}

/// One error, and what it was about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fault {
    pub(crate) code: Code,
    pub(crate) about: String,
}

impl From<Code> for Fault {
    fn from(code: Code) -> Self {
        Self { code, about: String::new() }
    }
}

/// Greatest length of text and device information together (SCPI-99 volume 2, SYSTem:ERRor).
const GREATEST_TEXT: usize = 255;

impl Fault {
    /// `<number>,"<text>[;<what it was about>]"`, the inner quotes doubled.
    pub(crate) fn entry(&self) -> String {
        let mut text = self.code.text().to_owned();
        if !self.about.is_empty() {
            text.push(';');
            text.extend(self.about.chars().map(|c| if (' '..='~').contains(&c) { c } else { '.' }));
            text.truncate(GREATEST_TEXT);
        }
        format!("{},\"{}\"", self.code.number(), text.replace('"', "\"\""))
    }
}

/// What an empty queue answers.
pub(crate) const NO_ERROR: &str = "0,\"No error\"";

/// First in, first out; when full the newest entry becomes -350 and nothing more is stored
/// (SCPI-99 volume 2, SYSTem:ERRor).
#[derive(Debug)]
pub(crate) struct ErrorQueue {
    entries: VecDeque<Fault>,
    capacity: usize,
}

impl ErrorQueue {
    pub(crate) fn new(capacity: usize) -> Self {
        Self { entries: VecDeque::new(), capacity: capacity.max(2) }
    }

    pub(crate) fn push(&mut self, fault: Fault) {
        if self.entries.len() < self.capacity {
            self.entries.push_back(fault);
        } else if let Some(newest) = self.entries.back_mut() {
            *newest = Code::QueueOverflow.into();
        }
    }

    pub(crate) fn pop_fault(&mut self) -> Option<Fault> {
        self.entries.pop_front()
    }

    pub(crate) fn pop(&mut self) -> String {
        self.pop_fault().map_or_else(|| NO_ERROR.to_owned(), |fault| fault.entry())
    }

    pub(crate) fn len(&self) -> usize {
        self.entries.len()
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    pub(crate) fn clear(&mut self) {
        self.entries.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_queue_says_so_in_its_newest_entry() {
        let mut queue = ErrorQueue::new(3);
        for _ in 0..5 {
            queue.push(Code::UndefinedHeader.about("X"));
        }
        let read: Vec<String> = (0..4).map(|_| queue.pop()).collect();
        assert_eq!(
            read,
            ["-113,\"Undefined header;X\"", "-113,\"Undefined header;X\"", "-350,\"Queue overflow\"", NO_ERROR]
        );
    }

    #[test]
    fn an_entry_is_bounded_and_its_quotes_are_doubled() {
        assert_eq!(Code::Syntax.about("a\"b\n").entry(), "-102,\"Syntax error;a\"\"b.\"");
        assert!(Code::Syntax.about("x".repeat(999)).entry().len() <= GREATEST_TEXT + 7);
    }
}
