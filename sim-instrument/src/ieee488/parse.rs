//! Program messages: bytes in, units out (IEEE 488.2 clause 7; SCPI-99 volume 1 chapter 6).

use super::fault::{Code, Fault};

/// Longest mnemonic, suffix and character data (IEEE 488.2 clauses 7.6.1, 7.7.1, 7.7.3).
const LONGEST_WORD: usize = 12;
/// Most digits of a mantissa (IEEE 488.2 clause 7.7.2.4).
const MOST_DIGITS: usize = 255;
/// Greatest magnitude of an exponent (IEEE 488.2 clause 7.7.2.4).
const GREATEST_EXPONENT: i64 = 32_000;

/// One node of a header: the letters in capitals and the number behind them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Node {
    pub(crate) word: String,
    pub(crate) suffix: Option<u32>,
}

/// What a unit asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Header {
    /// `*` and three letters.
    Common(String),
    /// A path; `rooted` if it began with a colon.
    Path { rooted: bool, nodes: Vec<Node> },
}

/// One element of program data.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Param {
    /// A decimal number and its unit, in capitals, perhaps empty.
    Number {
        value: f64,
        unit: String,
    },
    /// `#H`, `#Q` or `#B`.
    Binary(u64),
    /// Character data, in capitals.
    Word(String),
    Text(String),
    Block(Vec<u8>),
    /// What stood between the brackets.
    Expression(String),
}

/// One program message unit.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Unit {
    pub(crate) header: Header,
    pub(crate) query: bool,
    pub(crate) params: Vec<Param>,
}

/// White space is every byte up to the blank but NL (IEEE 488.2 clause 7.4.1.2).
const fn is_white(byte: u8) -> bool {
    byte <= b' ' && byte != b'\n'
}

/// Reads units one by one, so that those before a fault are executed.
#[derive(Debug, Clone)]
pub(crate) struct Reader {
    bytes: Vec<u8>,
    at: usize,
}

impl Reader {
    /// Of one message without its terminator.
    pub(crate) const fn new(bytes: Vec<u8>) -> Self {
        Self { bytes, at: 0 }
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn take_while(&mut self, wanted: impl Fn(u8) -> bool) -> &[u8] {
        let from = self.at;
        while self.peek().is_some_and(&wanted) {
            self.at += 1;
        }
        self.bytes.get(from..self.at).unwrap_or_default()
    }

    fn skip_white(&mut self) -> bool {
        !self.take_while(is_white).is_empty()
    }

    /// What stands here, for the error queue.
    fn here(&self) -> String {
        let rest = self.bytes.get(self.at..).unwrap_or_default();
        String::from_utf8_lossy(rest.get(..rest.len().min(24)).unwrap_or_default()).into_owned()
    }

    /// The next unit; `None` at the end of the message. After an error the rest is not to be read.
    pub(crate) fn next_unit(&mut self) -> Option<Result<Unit, Fault>> {
        self.skip_white();
        self.peek()?;
        Some(self.unit())
    }

    fn unit(&mut self) -> Result<Unit, Fault> {
        let header = self.header()?;
        let query = self.peek() == Some(b'?');
        if query {
            self.at += 1;
        }
        let apart = self.skip_white();
        let mut params = Vec::new();
        match self.peek() {
            None | Some(b';') => {}
            Some(_) if !apart => return Err(self.fault(Code::HeaderSeparator)),
            Some(_) => loop {
                self.skip_white();
                params.push(self.param()?);
                self.skip_white();
                match self.peek() {
                    Some(b',') => self.at += 1,
                    None | Some(b';') => break,
                    Some(_) => return Err(self.fault(Code::InvalidSeparator)),
                }
            },
        }
        if self.peek() == Some(b';') {
            self.at += 1;
        }
        Ok(Unit { header, query, params })
    }

    /// The fault at this place: a byte that no message may hold is always -101.
    fn fault(&self, code: Code) -> Fault {
        let code = match self.peek() {
            Some(byte) if !byte.is_ascii() => Code::InvalidCharacter,
            _ => code,
        };
        code.about(self.here())
    }

    fn mnemonic(&mut self) -> Result<String, Fault> {
        if !self.peek().is_some_and(|byte| byte.is_ascii_alphabetic()) {
            return Err(self.fault(Code::Syntax));
        }
        let word = self.take_while(|byte| byte.is_ascii_alphanumeric() || byte == b'_').to_ascii_uppercase();
        let word = String::from_utf8_lossy(&word).into_owned();
        if word.len() > LONGEST_WORD {
            return Err(Code::MnemonicTooLong.about(word));
        }
        Ok(word)
    }

    fn header(&mut self) -> Result<Header, Fault> {
        if self.peek() == Some(b'*') {
            self.at += 1;
            return Ok(Header::Common(self.mnemonic()?));
        }
        let rooted = self.peek() == Some(b':');
        if rooted {
            self.at += 1;
        }
        let mut nodes = Vec::new();
        loop {
            let whole = self.mnemonic()?;
            let letters = whole.trim_end_matches(|c: char| c.is_ascii_digit());
            let digits = whole.get(letters.len()..).unwrap_or_default();
            let suffix = match digits {
                "" => None,
                _ => Some(digits.parse().map_err(|_| Code::HeaderSuffixOutOfRange.about(whole.clone()))?),
            };
            nodes.push(Node { word: letters.to_owned(), suffix });
            if self.peek() != Some(b':') {
                return Ok(Header::Path { rooted, nodes });
            }
            self.at += 1;
        }
    }

    fn param(&mut self) -> Result<Param, Fault> {
        match self.peek() {
            Some(b'+' | b'-' | b'.' | b'0'..=b'9') => self.number(),
            Some(b'"' | b'\'') => self.text(),
            Some(b'#') => self.hash(),
            Some(b'(') => self.expression(),
            Some(byte) if byte.is_ascii_alphabetic() => {
                let word = self.take_while(|byte| byte.is_ascii_alphanumeric() || byte == b'_').to_ascii_uppercase();
                let word = String::from_utf8_lossy(&word).into_owned();
                if word.len() > LONGEST_WORD {
                    Err(Code::CharacterDataTooLong.about(word))
                } else {
                    Ok(Param::Word(word))
                }
            }
            _ => Err(self.fault(Code::Syntax)),
        }
    }

    fn number(&mut self) -> Result<Param, Fault> {
        let from = self.at;
        if matches!(self.peek(), Some(b'+' | b'-')) {
            self.at += 1;
        }
        let mut digits = self.take_while(|byte| byte.is_ascii_digit()).len();
        if self.peek() == Some(b'.') {
            self.at += 1;
            digits += self.take_while(|byte| byte.is_ascii_digit()).len();
        }
        if digits == 0 {
            return Err(self.fault(Code::InvalidCharacterInNumber));
        }
        if digits > MOST_DIGITS {
            return Err(Code::TooManyDigits.into());
        }
        let next = |reader: &Self, by: usize| reader.bytes.get(reader.at + by).copied();
        if matches!(self.peek(), Some(b'E' | b'e')) {
            let signed = usize::from(matches!(next(self, 1), Some(b'+' | b'-')));
            if next(self, 1 + signed).is_some_and(|byte| byte.is_ascii_digit()) {
                self.at += 1;
                let exponent_from = self.at;
                self.at += signed;
                self.take_while(|byte| byte.is_ascii_digit());
                let text = String::from_utf8_lossy(self.bytes.get(exponent_from..self.at).unwrap_or_default());
                if text.trim_start_matches('+').parse::<i64>().map_or(true, |e| e.abs() > GREATEST_EXPONENT) {
                    return Err(Code::ExponentTooLarge.about(text.into_owned()));
                }
            }
        }
        let text = String::from_utf8_lossy(self.bytes.get(from..self.at).unwrap_or_default()).into_owned();
        let value = text.parse().map_err(|_| Code::InvalidCharacterInNumber.about(text))?;
        let before = self.at;
        self.skip_white();
        let mut unit = String::new();
        if self.peek().is_some_and(|byte| byte.is_ascii_alphabetic() || byte == b'/') {
            let bytes = self.take_while(|byte| byte.is_ascii_alphanumeric() || matches!(byte, b'/' | b'.' | b'-'));
            unit = String::from_utf8_lossy(bytes).to_ascii_uppercase();
            if unit.len() > LONGEST_WORD {
                return Err(Code::SuffixTooLong.about(unit));
            }
        } else if self.at == before && !matches!(self.peek(), None | Some(b',' | b';')) {
            return Err(self.fault(Code::InvalidCharacterInNumber));
        }
        Ok(Param::Number { value, unit })
    }

    fn text(&mut self) -> Result<Param, Fault> {
        let Some(quote) = self.peek() else { return Err(Code::InvalidString.into()) };
        self.at += 1;
        let mut text = Vec::new();
        loop {
            text.extend_from_slice(self.take_while(|byte| byte != quote));
            if self.peek().is_none() {
                return Err(Code::InvalidString.about("no closing quote"));
            }
            self.at += 1;
            if self.peek() != Some(quote) {
                return Ok(Param::Text(String::from_utf8_lossy(&text).into_owned()));
            }
            text.push(quote);
            self.at += 1;
        }
    }

    fn hash(&mut self) -> Result<Param, Fault> {
        self.at += 1;
        let Some(kind) = self.peek() else { return Err(Code::InvalidBlock.about("# alone")) };
        self.at += 1;
        let radix = match kind.to_ascii_uppercase() {
            b'H' => 16,
            b'Q' => 8,
            b'B' => 2,
            b'0' => {
                let rest = self.bytes.get(self.at..).unwrap_or_default().to_vec();
                self.at = self.bytes.len();
                return Ok(Param::Block(rest));
            }
            b'1'..=b'9' => {
                let width = usize::from(kind - b'0');
                let digits = self.bytes.get(self.at..self.at + width).unwrap_or_default();
                let count = core::str::from_utf8(digits).ok().filter(|text| text.bytes().all(|b| b.is_ascii_digit()));
                let count: usize = count.and_then(|text| text.parse().ok()).ok_or(Code::InvalidBlock)?;
                self.at += width;
                let data = self.at.checked_add(count).and_then(|end| self.bytes.get(self.at..end));
                let data = data.ok_or_else(|| Code::InvalidBlock.about("shorter than its count"))?.to_vec();
                self.at += count;
                return Ok(Param::Block(data));
            }
            _ => return Err(Code::InvalidBlock.about("neither a digit nor H, Q, B after #")),
        };
        let digits = self.take_while(|byte| byte.is_ascii_alphanumeric());
        let text = String::from_utf8_lossy(digits).into_owned();
        u64::from_str_radix(&text, radix).map(Param::Binary).map_err(|_| Code::InvalidCharacterInNumber.about(text))
    }

    fn expression(&mut self) -> Result<Param, Fault> {
        let from = self.at + 1;
        let mut depth = 0_u32;
        while let Some(byte) = self.peek() {
            self.at += 1;
            match byte {
                b'(' => depth += 1,
                b')' => depth -= 1,
                b';' => break,
                _ => {}
            }
            if depth == 0 {
                let inner = self.bytes.get(from..self.at - 1).unwrap_or_default();
                return Ok(Param::Expression(String::from_utf8_lossy(inner).into_owned()));
            }
        }
        Err(Code::InvalidExpression.about("no closing bracket"))
    }
}

#[cfg(test)]
#[path = "parse_tests.rs"]
mod tests;
