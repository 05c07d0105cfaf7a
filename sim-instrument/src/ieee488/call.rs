//! One call of a command: its numeric suffixes and its parameters, read with the checks that the
//! standard asks for.

use super::fault::{Code, Fault};
use super::parse::Param;
use super::table::{short_form, spells};

/// What a numeric setting may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Range {
    pub(crate) least: f64,
    pub(crate) greatest: f64,
    pub(crate) default: f64,
}

/// How far beyond a limit rounding may put a value (relative).
const HAIR: f64 = 1e-9;

/// A call.
#[derive(Debug)]
pub(crate) struct Call<'a> {
    /// Suffixes of the numbered nodes, in the order of the printed header.
    pub(crate) suffixes: Vec<u32>,
    pub(crate) params: &'a [Param],
}

/// A real number as NR3 (IEEE 488.2 clause 8.7.4), with as many digits as tell it from its neighbours.
pub(crate) fn real(value: f64) -> String {
    if !value.is_finite() {
        // SCPI-99 volume 1 clause 7.2.1: infinity, its negative, not a number.
        return if value.is_nan() {
            "9.91E+37"
        } else if value > 0.0 {
            "9.9E+37"
        } else {
            "-9.9E+37"
        }
        .to_owned();
    }
    let text = format!("{value:E}");
    let (mantissa, exponent) = text.split_once('E').unwrap_or((&text, "0"));
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let sign = if exponent.starts_with('-') { "" } else { "+" };
    format!("{mantissa}{point}E{sign}{exponent}")
}

/// A number times the multiplier of its unit (IEEE 488.2 clause 7.7.3): `M` is milli but for `MHZ` and
/// `MOHM`. Small multipliers divide, so that `20 us` is the number nearest to 20e-6.
fn multiplied(value: f64, prefix: &str, unit: &str) -> Option<f64> {
    Some(match prefix {
        "" => value,
        "EX" => value * 1e18,
        "PE" => value * 1e15,
        "T" => value * 1e12,
        "G" => value * 1e9,
        "M" if matches!(unit, "HZ" | "OHM") => value * 1e6,
        "MA" => value * 1e6,
        "K" => value * 1e3,
        "M" => value / 1e3,
        "U" => value / 1e6,
        "N" => value / 1e9,
        "P" => value / 1e12,
        "F" => value / 1e15,
        "A" => value / 1e18,
        _ => return None,
    })
}

impl Call<'_> {
    /// Refuses too few and too many parameters.
    pub(crate) fn takes(&self, least: usize, most: usize) -> Result<(), Fault> {
        if self.params.len() < least {
            Err(Code::MissingParameter.about(format!("{} of {least}", self.params.len())))
        } else if self.params.len() > most {
            Err(Code::ParameterNotAllowed.about(format!("{} given, {most} allowed", self.params.len())))
        } else {
            Ok(())
        }
    }

    /// A numbered node's suffix as an index below `count`.
    pub(crate) fn index(&self, place: usize, count: usize) -> Result<usize, Fault> {
        let number = self.suffixes.get(place).copied().unwrap_or(1) as usize;
        match number.checked_sub(1) {
            Some(index) if index < count => Ok(index),
            _ => Err(Code::HeaderSuffixOutOfRange.about(format!("{number}, there are {count}"))),
        }
    }

    fn param(&self, place: usize) -> Result<&Param, Fault> {
        self.params.get(place).ok_or_else(|| Code::MissingParameter.into())
    }

    /// A number in `unit` (empty: none is allowed) within `range`; also MINimum, MAXimum, DEFault.
    pub(crate) fn number(&self, place: usize, unit: &str, range: Range) -> Result<f64, Fault> {
        let value = match self.param(place)? {
            Param::Word(word) => extreme(word, range)?,
            Param::Binary(value) => *value as f64,
            Param::Number { value, unit: given } if given.is_empty() => *value,
            Param::Number { .. } if unit.is_empty() => return Err(Code::SuffixNotAllowed.into()),
            Param::Number { value, unit: given } => {
                let prefix = given.strip_suffix(unit).ok_or_else(|| Code::InvalidSuffix.about(given.clone()))?;
                multiplied(*value, prefix, unit).ok_or_else(|| Code::InvalidSuffix.about(given.clone()))?
            }
            _ => return Err(Code::DataType.into()),
        };
        // A limit times a factor, written and read back, is still within the limits.
        let clamped = value.clamp(range.least, range.greatest);
        if (value - clamped).abs() <= HAIR * clamped.abs() {
            Ok(clamped)
        } else {
            Err(Code::DataOutOfRange.about(format!("{value} is not within {} to {}", range.least, range.greatest)))
        }
    }

    /// A whole number within `range`; a value is rounded before the range is checked
    /// (SCPI-99 volume 1 clause 7.2).
    pub(crate) fn whole(&self, place: usize, range: Range) -> Result<u32, Fault> {
        let open = Range { least: f64::MIN, greatest: f64::MAX, ..range };
        let value = match self.param(place)? {
            Param::Word(word) => extreme(word, range)?,
            _ => self.number(place, "", open)?.round(),
        };
        if (range.least..=range.greatest).contains(&value) {
            Ok(value as u32)
        } else {
            Err(Code::DataOutOfRange.about(format!("{value} is not within {} to {}", range.least, range.greatest)))
        }
    }

    /// The answer of a numeric query, which may ask for MINimum, MAXimum or DEFault instead.
    pub(crate) fn asked(&self, value: f64, range: Range) -> Result<f64, Fault> {
        match self.params {
            [] => Ok(value),
            [Param::Word(word)] => extreme(word, range),
            [_] => Err(Code::DataType.into()),
            _ => Err(Code::ParameterNotAllowed.into()),
        }
    }

    /// ON, OFF, or a number (rounded; not zero is on).
    pub(crate) fn flag(&self, place: usize) -> Result<bool, Fault> {
        match self.param(place)? {
            Param::Word(word) if word == "ON" => Ok(true),
            Param::Word(word) if word == "OFF" => Ok(false),
            Param::Word(word) => Err(Code::IllegalParameterValue.about(word.clone())),
            Param::Number { value, unit } if unit.is_empty() => Ok(value.round() != 0.0),
            Param::Number { .. } => Err(Code::SuffixNotAllowed.into()),
            _ => Err(Code::DataType.into()),
        }
    }

    /// One of some words, printed with their short form in capitals: its place among them.
    pub(crate) fn choice(&self, place: usize, words: &[&str]) -> Result<usize, Fault> {
        match self.param(place)? {
            Param::Word(word) => {
                let found = words.iter().position(|printed| spells(word, printed));
                found.ok_or_else(|| Code::IllegalParameterValue.about(format!("{word}, not {}", words.join("|"))))
            }
            _ => Err(Code::DataType.into()),
        }
    }

    /// A word with a number behind it, such as `CHANnel2`; other words are looked for in `others`.
    pub(crate) fn numbered(&self, place: usize, printed: &str, others: &[&str]) -> Result<Numbered, Fault> {
        let Param::Word(word) = self.param(place)? else { return Err(Code::DataType.into()) };
        if let Some(other) = others.iter().position(|other| spells(word, other)) {
            return Ok(Numbered::Other(other));
        }
        let letters = word.trim_end_matches(|c: char| c.is_ascii_digit());
        let digits = word.get(letters.len()..).unwrap_or_default();
        let number: Option<u32> = if digits.is_empty() { Some(1) } else { digits.parse().ok() };
        match number {
            Some(number) if spells(letters, printed) => Ok(Numbered::Number(number)),
            _ => Err(Code::IllegalParameterValue.about(format!("{word}, not {printed}<n>|{}", others.join("|")))),
        }
    }

    /// A channel list `(@1,3:5)`: each number within 1 to `count`.
    pub(crate) fn channels(&self, place: usize, count: u32) -> Result<Vec<u32>, Fault> {
        let Param::Expression(text) = self.param(place)? else { return Err(Code::DataType.into()) };
        let list = text.trim().strip_prefix('@').ok_or_else(|| Code::InvalidExpression.about(text.clone()))?;
        let mut channels = Vec::new();
        for part in list.split(',') {
            let (first, last) = part.split_once(':').unwrap_or((part, part));
            let number = |text: &str| {
                let number: u32 = text.trim().parse().map_err(|_| Code::InvalidExpression.about(text))?;
                if (1..=count).contains(&number) {
                    Ok(number)
                } else {
                    Err(Code::DataOutOfRange.about(format!("relay {number}, there are {count}")))
                }
            };
            let (first, last) = (number(first)?, number(last)?);
            if first <= last {
                channels.extend(first..=last);
            } else {
                channels.extend((last..=first).rev());
            }
        }
        Ok(channels)
    }
}

/// What [`Call::numbered`] found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Numbered {
    Number(u32),
    Other(usize),
}

fn extreme(word: &str, range: Range) -> Result<f64, Fault> {
    if spells(word, "MINimum") {
        Ok(range.least)
    } else if spells(word, "MAXimum") {
        Ok(range.greatest)
    } else if spells(word, "DEFault") {
        Ok(range.default)
    } else {
        Err(Code::IllegalParameterValue.about(word))
    }
}

/// The reply of a word setting: the short form in capitals.
pub(crate) fn word_reply(printed: &str) -> String {
    short_form(printed)
}

#[cfg(test)]
mod tests {
    use super::super::parse::Reader;
    use super::*;

    fn call(text: &str) -> Vec<Param> {
        let unit = Reader::new(format!("X {text}").into_bytes()).next_unit();
        unit.expect("one unit").expect("it parses").params
    }

    #[test]
    fn numbers_with_units_and_extremes() {
        let range = Range { least: -10.0, greatest: 5e6, default: 1.0 };
        for (text, unit, expected) in [
            ("2.5E-1", "V", Ok(0.25)),
            ("500 mV", "V", Ok(0.5)),
            ("500UV", "V", Ok(500e-6)),
            ("1MAV", "V", Ok(1e6)),
            ("3 MHZ", "HZ", Ok(3e6)),
            ("3 kHz", "HZ", Ok(3e3)),
            ("MIN", "V", Ok(-10.0)),
            ("maximum", "V", Ok(5e6)),
            ("DEF", "V", Ok(1.0)),
            ("#H10", "V", Ok(16.0)),
            ("1 S", "V", Err(-131)),
            ("1 QV", "V", Err(-131)),
            ("1 V", "", Err(-138)),
            ("-11", "V", Err(-222)),
            ("\"1\"", "V", Err(-104)),
            ("MINI", "V", Err(-224)),
        ] {
            let params = call(text);
            let got = Call { suffixes: Vec::new(), params: &params }.number(0, unit, range);
            match (got, expected) {
                (Ok(got), Ok(expected)) => assert!((got - expected).abs() <= 1e-12 * expected.abs(), "{text}: {got}"),
                (got, expected) => assert_eq!(got.map_err(|f| f.code.number()), expected, "{text}"),
            }
        }
    }

    #[test]
    fn channel_lists() {
        for (text, expected) in [
            ("(@1,3:5)", Ok(vec![1, 3, 4, 5])),
            ("(@ 5:3 , 1)", Ok(vec![5, 4, 3, 1])),
            ("(@9)", Ok(vec![9])),
            ("(@10)", Err(-222)),
            ("(@0)", Err(-222)),
            ("(1)", Err(-171)),
            ("(@)", Err(-171)),
            ("(@1:)", Err(-171)),
            ("1", Err(-104)),
        ] {
            let params = call(text);
            let got = Call { suffixes: Vec::new(), params: &params }.channels(0, 9);
            assert_eq!(got.map_err(|fault| fault.code.number()), expected, "{text}");
        }
    }

    #[test]
    fn reals_read_back_as_themselves() {
        for value in [0.0, 1.0, -2.5e-9, 1.0 / 3.0, 6.02e23, f64::MIN_POSITIVE] {
            let text = real(value);
            assert!(text.contains('.') && text.contains('E'), "{text}");
            assert_eq!(text.parse::<f64>().map(f64::to_bits), Ok(value.to_bits()), "{text}");
        }
        assert_eq!(real(0.5), "5.0E-1");
        assert_eq!(real(100.0), "1.0E+2");
        assert_eq!(real(f64::NAN), "9.91E+37");
    }
}
