//! Numbers of an answer: in every form that is sent, the values that stand for none kept apart, and units.

use super::wrong;
use crate::scpi::Trouble;
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

    pub(super) fn from_sent(sent: f64) -> Self {
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

pub(super) fn number_text(input: &str) -> IResult<&str, (Number, Form)> {
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
