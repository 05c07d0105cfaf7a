//! Reading the text of an answer: numbers, words, strings, lists, error entries, identities.
//!
//! The text is one line without its end. A talker that follows IEEE 488.2 sends far less than is
//! accepted here; what real sets add (a missing digit beside the point, lower case, single quotes,
//! a blank after a comma) is accepted because it cannot be mistaken.

use super::{ErrorEntry, Identity, Trouble};
use core::fmt;
use nom::branch::alt;
use nom::bytes::complete::{tag_no_case, take_while, take_while1};
use nom::character::complete::{char, one_of, space0};
use nom::combinator::{all_consuming, opt, recognize};
use nom::multi::separated_list1;
use nom::sequence::{delimited, preceded};
use nom::{IResult, Parser};

/// A number that an instrument sent, with the values that stand for none kept apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Number {
    /// A number.
    Value(f64),
    /// 9.9E37: positive infinity (SCPI-99 vol. 1, 7.2.1.4). Some makers mean overflow.
    Infinity,
    /// -9.9E37: negative infinity.
    NegativeInfinity,
    /// 9.91E37: not a number (SCPI-99 vol. 1, 7.2.1.5).
    NotANumber,
    /// Some other number of at least 9.9E37 in size, which is no number either.
    Beyond(f64),
}

impl Number {
    const INFINITY: f64 = 9.9e37;
    const NOT_A_NUMBER: f64 = 9.91e37;

    fn from_sent(sent: f64) -> Self {
        if sent == Self::INFINITY {
            Self::Infinity
        } else if sent == -Self::INFINITY {
            Self::NegativeInfinity
        } else if sent == Self::NOT_A_NUMBER {
            Self::NotANumber
        } else if sent.abs() >= Self::INFINITY {
            Self::Beyond(sent)
        } else {
            Self::Value(sent)
        }
    }

    /// The value, if it is one.
    #[must_use]
    pub const fn value(self) -> Option<f64> {
        match self {
            Self::Value(value) => Some(value),
            _ => None,
        }
    }

    /// The value as an integer, if it is one exactly.
    #[must_use]
    pub fn integer(self) -> Option<i64> {
        self.value().filter(|v| v.fract() == 0.0 && v.abs() <= 9_007_199_254_740_992.0).map(|v| v as i64)
    }
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sent = match *self {
            Self::Value(value) | Self::Beyond(value) => value,
            Self::Infinity => Self::INFINITY,
            Self::NegativeInfinity => -Self::INFINITY,
            Self::NotANumber => Self::NOT_A_NUMBER,
        };
        if sent.is_infinite() {
            write!(f, "{}9.99E99999", if sent < 0.0 { "-" } else { "" })
        } else {
            write!(f, "{sent:E}")
        }
    }
}

/// How a number was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Digits only.
    Nr1,
    /// With a point.
    Nr2,
    /// With an exponent.
    Nr3,
    /// `#H`.
    Hexadecimal,
    /// `#Q`.
    Octal,
    /// `#B`.
    Binary,
}

/// A number, the form it came in, and the unit after it, if any.
#[derive(Debug, Clone, PartialEq)]
pub struct Numeric {
    /// The number.
    pub number: Number,
    /// Its form.
    pub form: Form,
    /// Letters after it, as sent; the standard sends none.
    pub unit: Option<String>,
}

/// Most digits of a number (IEEE 488.2, 7.7.2.4.1).
const MOST_DIGITS: usize = 255;

fn is_digit(c: char) -> bool {
    c.is_ascii_digit()
}

fn mantissa(input: &str) -> IResult<&str, &str> {
    let whole = recognize((take_while1(is_digit), opt((char('.'), take_while(is_digit)))));
    let part = recognize((char('.'), take_while1(is_digit)));
    recognize((opt(one_of("+-")), alt((whole, part)))).parse(input)
}

fn exponent(input: &str) -> IResult<&str, &str> {
    recognize((one_of("eE"), opt(one_of("+-")), take_while1(is_digit))).parse(input)
}

fn decimal(input: &str) -> IResult<&str, (Number, Form)> {
    let (rest, text) = recognize((mantissa, opt(exponent))).parse(input)?;
    let form = if text.contains(['e', 'E']) {
        Form::Nr3
    } else if text.contains('.') {
        Form::Nr2
    } else {
        Form::Nr1
    };
    match text.parse::<f64>() {
        Ok(sent) if text.len() <= MOST_DIGITS => Ok((rest, (Number::from_sent(sent), form))),
        _ => Err(nom::Err::Error(nom::error::Error::new(input, nom::error::ErrorKind::Float))),
    }
}

fn based(mark: &'static str, radix: u32, form: Form) -> impl Fn(&str) -> IResult<&str, (Number, Form)> {
    move |input| {
        let (rest, digits) = preceded(tag_no_case(mark), take_while1(|c: char| c.is_digit(radix))).parse(input)?;
        match u64::from_str_radix(digits, radix) {
            Ok(value) if value <= 1 << 53 => Ok((rest, (Number::Value(value as f64), form))),
            _ => Err(nom::Err::Error(nom::error::Error::new(input, nom::error::ErrorKind::Float))),
        }
    }
}

fn number_text(input: &str) -> IResult<&str, (Number, Form)> {
    alt((based("#H", 16, Form::Hexadecimal), based("#Q", 8, Form::Octal), based("#B", 2, Form::Binary), decimal))
        .parse(input)
}

fn unit_text(input: &str) -> IResult<&str, &str> {
    preceded(
        space0,
        recognize((
            one_of("abcdfghijklmnopqrstuvwxyzABCDFGHIJKLMNOPQRSTUVWXYZ%"),
            take_while(|c: char| c.is_ascii_alphanumeric() || "/.%".contains(c)),
        )),
    )
    .parse(input)
}

fn wrong(expected: &str, text: &str) -> Trouble {
    let shown: String = text.chars().take(60).map(|c| if c.is_control() { '.' } else { c }).collect();
    Trouble::Wrong(format!("expected {expected}, but `{shown}` came"))
}

/// A number in any form, alone, with its form and a unit that may follow it.
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn numeric(text: &str) -> Result<Numeric, Trouble> {
    match all_consuming((delimited(space0, number_text, space0), opt(unit_text))).parse(text.trim_end()) {
        Ok((_, ((number, form), unit))) => Ok(Numeric { number, form, unit: unit.map(str::to_owned) }),
        Err(_) => Err(wrong("a number", text)),
    }
}

/// Units that answers carry, the longest first so that `S` does not hide in `PTS`; and whether `M` before one
/// is mega (IEEE 488.2, 7.7.3: `MHZ` and `MOHM`; of samples and points by custom: common practice, no source).
const UNITS: [(&str, bool); 13] = [
    ("DIV", false),
    ("OHM", true),
    ("PTS", true),
    ("PCT", false),
    ("HZ", true),
    ("PT", true),
    ("SA", true),
    ("V", false),
    ("S", false),
    ("A", false),
    ("W", false),
    ("X", false),
    ("%", false),
];

/// What a unit with its multiplier makes of the number before it (IEEE 488.2, 7.7.3); none for a unit that is
/// not known: then the number means nothing. Small multipliers divide, so that `20 us` is the number nearest
/// to 20e-6.
fn multiplied(value: f64, unit: &str) -> Option<f64> {
    let unit = unit.split_once('/').map_or(unit, |(unit, _)| unit).to_ascii_uppercase();
    let find = |(base, mega): &(&str, bool)| Some((unit.strip_suffix(base)?.to_owned(), *mega));
    UNITS.iter().filter_map(find).find_map(|(prefix, mega)| {
        Some(match prefix.as_str() {
            "" => value,
            "T" => value * 1e12,
            "G" => value * 1e9,
            "MA" => value * 1e6,
            "M" if mega => value * 1e6,
            "K" => value * 1e3,
            "M" => value / 1e3,
            "U" => value / 1e6,
            "N" => value / 1e9,
            "P" => value / 1e12,
            "F" => value / 1e15,
            _ => return None,
        })
    })
}

/// A number, special or not; a unit after it counts.
///
/// # Errors
/// [`Trouble::Wrong`], also for a unit that is not known.
pub fn number(text: &str) -> Result<Number, Trouble> {
    let Numeric { number, unit, .. } = numeric(text)?;
    match (number, unit) {
        (number, None) => Ok(number),
        (Number::Value(value), Some(unit)) => match multiplied(value, &unit) {
            Some(value) => Ok(Number::from_sent(value)),
            None => Err(wrong("a number with a unit that is known", text)),
        },
        (special, Some(_)) => Ok(special),
    }
}

/// A number that is one.
///
/// # Errors
/// [`Trouble::Wrong`], also for a value that stands for none.
pub fn value(text: &str) -> Result<f64, Trouble> {
    number(text)?.value().ok_or_else(|| wrong("a number that is one, not a special value", text))
}

/// An integer, in any form of number.
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn integer(text: &str) -> Result<i64, Trouble> {
    number(text)?.integer().ok_or_else(|| wrong("an integer", text))
}

/// Numbers with commas between them; a comma after the last is let pass (some sets send one).
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn numbers(text: &str) -> Result<Vec<Number>, Trouble> {
    let item = delimited(space0, number_text, space0);
    match all_consuming((separated_list1(char(','), item), opt((char(','), space0)))).parse(text) {
        Ok((_, (list, _))) => Ok(list.into_iter().map(|(number, _)| number).collect()),
        Err(_) => Err(wrong("numbers with commas between them", text)),
    }
}

/// A truth value: `1`, `0`, `ON` or `OFF`.
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn boolean(text: &str) -> Result<bool, Trouble> {
    match text.trim() {
        on if on == "1" || on.eq_ignore_ascii_case("on") => Ok(true),
        off if off == "0" || off.eq_ignore_ascii_case("off") => Ok(false),
        _ => Err(wrong("1 or 0", text)),
    }
}

/// A word: character data, upper-cased (IEEE 488.2, 8.7.1).
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn word(text: &str) -> Result<String, Trouble> {
    let text = text.trim();
    let good = text.starts_with(|c: char| c.is_ascii_alphabetic())
        && text.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    if good && text.len() <= 64 { Ok(text.to_ascii_uppercase()) } else { Err(wrong("a word", text)) }
}

fn quoted(quote: char) -> impl Fn(&str) -> IResult<&str, String> {
    move |input| {
        let (mut rest, _) = char(quote).parse(input)?;
        let mut out = String::new();
        loop {
            let (after, part) = take_while(|c| c != quote).parse(rest)?;
            out.push_str(part);
            let (after, _) = char(quote).parse(after)?;
            // A doubled quote is a quote of the text.
            match char::<_, nom::error::Error<&str>>(quote).parse(after) {
                Ok((more, _)) => {
                    out.push(quote);
                    rest = more;
                }
                Err(_) => return Ok((after, out)),
            }
        }
    }
}

fn string_text(input: &str) -> IResult<&str, String> {
    alt((quoted('"'), quoted('\''))).parse(input)
}

/// A string, its doubled quotes undone (IEEE 488.2, 8.7.8; single quotes are seen too).
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn string(text: &str) -> Result<String, Trouble> {
    match all_consuming(delimited(space0, string_text, space0)).parse(text) {
        Ok((_, string)) => Ok(string),
        Err(_) => Err(wrong("a string in quotes", text)),
    }
}

/// Writes a string as an instrument would answer it.
#[must_use]
pub fn print_string(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

/// Parts of a list, cut at commas outside quotes, blanks around them taken off.
#[must_use]
pub fn parts(text: &str) -> Vec<&str> {
    let (mut out, mut start, mut quote) = (Vec::new(), 0, None);
    for (i, c) in text.char_indices() {
        match (quote, c) {
            (None, '"' | '\'') => quote = Some(c),
            (Some(open), c) if c == open => quote = None,
            (None, ',') => {
                out.push(text[start..i].trim());
                start = i + 1;
            }
            _ => {}
        }
    }
    out.push(text[start..].trim());
    out
}

/// An entry of the error queue.
///
/// # Errors
/// [`Trouble::Wrong`].
pub fn error_entry(text: &str) -> Result<ErrorEntry, Trouble> {
    let code = delimited(space0, number_text, space0);
    let message = preceded((char(','), space0), string_text);
    let parsed = all_consuming((code, opt(message), space0)).parse(text);
    let entry = parsed.ok().and_then(|(_, ((number, _), message, _))| {
        let code = i32::try_from(number.integer()?).ok()?;
        let message = message.unwrap_or_default();
        let (text, info) = match message.split_once(';') {
            Some((text, info)) => (text.to_owned(), Some(info.to_owned())),
            None => (message, None),
        };
        Some(ErrorEntry { code, text, info })
    });
    entry.ok_or_else(|| wrong("an entry of the error queue, NUMBER,\"TEXT\"", text))
}

/// An identity. It never fails hard: fields are cut at the first three commas, what is missing is empty.
///
/// # Errors
/// [`Trouble::Wrong`] for an empty answer.
pub fn identity(text: &str) -> Result<Identity, Trouble> {
    if text.trim().is_empty() {
        return Err(wrong("an identity", text));
    }
    let mut fields = text.splitn(4, ',').map(|field| field.trim().to_owned());
    let mut next = || fields.next().unwrap_or_default();
    Ok(Identity { maker: next(), model: next(), serial: next(), firmware: next() })
}

/// Takes the header off the front of an answer, for sets that send one: `:CHAN1:SCAL 1.0`, `C1:VDIV 1.0V`,
/// `*ESR 0`. What was asked tells whether the first word is a header: of a text such as an identity it is not.
#[must_use]
pub fn without_header<'a>(asked: &str, text: &'a str) -> &'a str {
    let Some((word, rest)) = text.split_once(' ') else { return text };
    let question = asked.rsplit(';').next().unwrap_or(asked);
    let question = question.trim().split(['?', ' ']).next().unwrap_or_default();
    if is_header_of(word.trim_start_matches(':'), question.trim_start_matches(':')) { rest.trim_start() } else { text }
}

/// Whether a header that was sent is the one that was asked for: its last node is, in its long or short form
/// (one begins as the other does), and it has no more nodes than may have been left out.
fn is_header_of(word: &str, question: &str) -> bool {
    let good = word.chars().all(|c| c.is_ascii_alphanumeric() || ":_*".contains(c));
    let last = |path: &str| path.rsplit(':').next().unwrap_or_default().to_ascii_uppercase();
    let (word, question) = (last(word), last(question));
    let alike = |a: &str, b: &str| {
        let split = |text: &str| text.find(|c: char| c.is_ascii_digit()).unwrap_or(text.len());
        let ((a, m), (b, n)) = (a.split_at(split(a)), b.split_at(split(b)));
        m == n && !a.is_empty() && !b.is_empty() && (a.starts_with(b) || b.starts_with(a) || abbreviates(a, b))
    };
    good && alike(&word, &question)
}

/// Whether the shorter word is an abbreviation of the longer one: its letters, in their order.
fn abbreviates(a: &str, b: &str) -> bool {
    let (short, long) = if a.len() < b.len() { (a, b) } else { (b, a) };
    let mut letters = long.chars();
    short.len() >= 2 && short.chars().next() == long.chars().next() && short.chars().all(|c| letters.any(|l| l == c))
}

#[cfg(test)]
#[path = "answer_tests.rs"]
mod tests;
