//! Reading the text of an answer: numbers, words, strings, lists, error entries, identities.
//!
//! The text is one line without its end. A talker that follows IEEE 488.2 sends far less than is
//! accepted here; what real sets add (a missing digit beside the point, lower case, single quotes,
//! a blank after a comma) is accepted because it cannot be mistaken.

mod number;

use super::{ErrorEntry, Identity, Trouble};
use nom::branch::alt;
use nom::bytes::complete::take_while;
use nom::character::complete::{char, space0};
use nom::combinator::{all_consuming, opt};
use nom::sequence::{delimited, preceded};
use nom::{IResult, Parser};
use number::number_text;
pub use number::{Form, Number, Numeric, integer, number, numbers, numeric, value};

fn wrong(expected: &str, text: &str) -> Trouble {
    let shown: String = text.chars().take(60).map(|c| if c.is_control() { '.' } else { c }).collect();
    Trouble::Wrong(format!("expected {expected}, but `{shown}` came"))
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
