//! Cutting answers out of the stream: lines by their NL, blocks by their count of bytes.
//!
//! On serial lines and raw TCP only NL ends a message (IEEE 488.2, 8.5, without END), and NL may
//! stand inside a block, so blocks are cut by their count (IEEE 488.2, 8.7.9). Every length is
//! bounded before memory is taken.

use super::Trouble;
use nom::branch::alt;
use nom::bytes::streaming::{tag, take, take_while_m_n};
use nom::combinator::map_res;
use nom::sequence::delimited;
use nom::{IResult, Parser};

/// What a block's header says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BlockHeader {
    /// Bytes of the header itself.
    pub header: usize,
    /// Bytes of data; none: indefinite, it runs to the end of the message.
    pub data: Option<usize>,
}

/// White space as IEEE 488.2, 7.4.1.2 has it, and NL: what may stand between answers. It holds NUL,
/// which some USB links pad with, and CR.
#[must_use]
pub const fn is_blank(byte: u8) -> bool {
    byte <= b' '
}

/// How many blank bytes stand in front.
#[must_use]
pub fn blanks(input: &[u8]) -> usize {
    input.iter().take_while(|&&byte| is_blank(byte)).count()
}

/// Cuts one line: its text without blanks around it, and how many bytes were used.
///
/// # Errors
/// [`Trouble::Incomplete`] without NL, [`Trouble::Hopeless`] when `most` bytes hold none,
/// [`Trouble::Wrong`] when the line holds bytes that are no text.
pub fn line(input: &[u8], most: usize) -> Result<(usize, &str), Trouble> {
    let Some(end) = input.iter().take(most).position(|&byte| byte == b'\n') else {
        if input.len() >= most {
            return Err(Trouble::Hopeless(format!("{most} bytes came without an end of line")));
        }
        return Err(Trouble::Incomplete(Some(1)));
    };
    text_of(&input[..end]).map(|text| (end + 1, text))
}

/// Cuts one text off several answers of one response: up to the `;` outside of a string that stands before the
/// next, without blanks around it; and how many bytes were used.
///
/// # Errors
/// As [`line()`]; [`Trouble::Wrong`] when the response ends with it.
pub fn unit(input: &[u8], most: usize) -> Result<(usize, &str), Trouble> {
    let mut quote = None;
    for (place, &byte) in input.iter().take(most).enumerate() {
        match (quote, byte) {
            (_, b'\n') => {
                let shown = input[..place.min(60)].escape_ascii();
                return Err(Trouble::Wrong(format!("the response ends with `{shown}`, and more answers were due")));
            }
            (Some(open), byte) if byte == open => quote = None,
            (None, b'"' | b'\'') => quote = Some(byte),
            (None, b';') => return text_of(&input[..place]).map(|text| (place + 1, text)),
            _ => {}
        }
    }
    if input.len() >= most {
        return Err(Trouble::Hopeless(format!("{most} bytes came without an end of an answer")));
    }
    Err(Trouble::Incomplete(Some(1)))
}

/// Text without blanks around it.
fn text_of(bytes: &[u8]) -> Result<&str, Trouble> {
    match core::str::from_utf8(bytes) {
        Ok(text) if text.chars().all(|c| c == '\t' || !c.is_control() || c == '\r' || c == '\0') => {
            Ok(text.trim_matches(|c: char| c <= ' '))
        }
        _ => Err(Trouble::Wrong(format!(
            "the line `{}` holds bytes that are no text",
            bytes[..bytes.len().min(60)].escape_ascii()
        ))),
    }
}

/// A count in decimal digits only.
fn count_of(text: &[u8]) -> Result<usize, ()> {
    if !text.iter().all(u8::is_ascii_digit) {
        return Err(());
    }
    core::str::from_utf8(text).map_err(|_| ())?.parse().map_err(|_| ())
}

fn digits(count: usize) -> impl Fn(&[u8]) -> IResult<&[u8], usize> {
    move |input| map_res(take(count), count_of).parse(input)
}

/// `#` and one digit, then so many digits of count; `0` for an indefinite block.
fn standard(input: &[u8]) -> IResult<&[u8], Option<usize>> {
    let (rest, mark) = take(1_usize).parse(input)?;
    match mark[0] {
        b'0' => Ok((rest, None)),
        digit @ b'1'..=b'9' => digits(usize::from(digit - b'0')).map(Some).parse(rest),
        // Seen in an instrument maker's manual, not named: a hexadecimal digit, for more than nine digits.
        letter @ b'B'..=b'F' => digits(usize::from(letter - b'A') + 10).map(Some).parse(rest),
        _ => Err(nom::Err::Error(nom::error::Error::new(input, nom::error::ErrorKind::Digit))),
    }
}

/// The count in round brackets (seen in an instrument maker's manual, not named).
fn bracketed(input: &[u8]) -> IResult<&[u8], Option<usize>> {
    let count = map_res(take_while_m_n(1, 19, |byte: u8| byte.is_ascii_digit()), count_of);
    delimited(tag(&b"("[..]), count, tag(&b")"[..])).map(Some).parse(input)
}

/// Reads a block's header; the input starts with its `#`.
///
/// # Errors
/// [`Trouble::Incomplete`] while it is not whole; [`Trouble::Hopeless`] when it is none, or when it
/// announces more than `most` bytes.
pub fn block_header(input: &[u8], most: usize) -> Result<BlockHeader, Trouble> {
    let Some(&first) = input.first() else { return Err(Trouble::Incomplete(Some(2))) };
    if first != b'#' {
        return Err(Trouble::Hopeless(format!(
            "a block starts with `#`, but `{}` came",
            input[..input.len().min(30)].escape_ascii()
        )));
    }
    match alt((bracketed, standard)).parse(&input[1..]) {
        Ok((rest, data)) => {
            let header = input.len() - rest.len();
            match data.filter(|&data| data > most) {
                Some(data) => {
                    Err(Trouble::Hopeless(format!("the block announces {data} bytes, but at most {most} can be right")))
                }
                None => Ok(BlockHeader { header, data }),
            }
        }
        Err(nom::Err::Incomplete(nom::Needed::Size(size))) => Err(Trouble::Incomplete(Some(size.get()))),
        Err(nom::Err::Incomplete(nom::Needed::Unknown)) => Err(Trouble::Incomplete(None)),
        Err(_) => {
            let shown = input[..input.len().min(14)].escape_ascii();
            Err(Trouble::Hopeless(format!("`{shown}` is no header of a block: `#`, a digit N, N digits of byte count")))
        }
    }
}

/// Cuts one definite block with its end of line: its data, and how many bytes were used.
///
/// The end of line is demanded: without it a block that lost a byte would swallow it as data. `cr` lets
/// CR NL pass for it; by default only NL does, since a doubled CR of the data would look the same.
///
/// # Errors
/// As [`block_header`]; [`Trouble::Hopeless`] when the count is off, and for an indefinite block.
pub fn block(input: &[u8], most: usize, cr: bool) -> Result<(usize, &[u8]), Trouble> {
    let head = block_header(input, most)?;
    let Some(length) = head.data else {
        return Err(Trouble::Hopeless("the block is indefinite (`#0`): its end cannot be found on this link".into()));
    };
    let end = head.header + length;
    let data = input.get(head.header..end).ok_or(Trouble::Incomplete(Some(end.saturating_sub(input.len()) + 1)))?;
    block_end(input, head.header, length, cr).map(|used| (used, data))
}

/// Looks for the end of line after a block with a header and data of these lengths; how many bytes were used
/// in all.
///
/// # Errors
/// [`Trouble::Incomplete`] while it has not come; [`Trouble::Hopeless`] for anything else.
pub fn block_end(input: &[u8], header: usize, length: usize, cr: bool) -> Result<usize, Trouble> {
    let end = header + length;
    match (input.get(end), input.get(end + 1)) {
        (Some(b'\n'), _) => Ok(end + 1),
        (Some(b'\r'), Some(b'\n')) if cr => Ok(end + 2),
        (None, _) => Err(Trouble::Incomplete(Some(1))),
        (Some(b'\r'), None) if cr => Err(Trouble::Incomplete(Some(1))),
        (Some(&byte), _) => Err(Trouble::Hopeless(format!(
            "the block's count of {length} bytes is off: `{}` follows it instead of an end of line",
            [byte].escape_ascii()
        ))),
    }
}

/// Writes a definite block, with its end of line.
///
/// # Panics
/// Never: a length has at most 20 digits, and ten or more get the hexadecimal digit.
#[must_use]
pub fn print_block(data: &[u8]) -> Vec<u8> {
    let count = data.len().to_string();
    let mark = char::from_digit(u32::try_from(count.len()).unwrap_or(15), 16).unwrap_or('F').to_ascii_uppercase();
    let mut out = format!("#{mark}{count}").into_bytes();
    out.extend_from_slice(data);
    out.push(b'\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check_block(input: &[u8], expected: &str) {
        let got = match block(input, 1000, true) {
            Ok((used, data)) => format!("{used}: {}", data.escape_ascii()),
            Err(Trouble::Incomplete(missing)) => format!("incomplete {missing:?}"),
            Err(Trouble::Wrong(why)) => format!("wrong: {why}"),
            Err(Trouble::Hopeless(why)) => format!("hopeless: {why}"),
        };
        assert_eq!(got, expected, "{}", input.escape_ascii());
    }

    #[test]
    fn blocks() {
        check_block(b"#15hello\n", "9: hello");
        check_block(b"#15hello\r\nrest", "10: hello");
        check_block(b"#800000003a\nb\n", "14: a\\nb");
        check_block(b"#10\n", "4: ");
        check_block(b"#(3)abc\n", "8: abc");
        check_block(b"#B00000000003abc\n", "17: abc");
        check_block(b"", "incomplete Some(2)");
        check_block(b"#", "incomplete Some(1)");
        check_block(b"#3", "incomplete Some(3)");
        check_block(b"#15hel", "incomplete Some(3)");
        check_block(b"#15hello", "incomplete Some(1)");
        check_block(b"#0abc\n", "hopeless: the block is indefinite (`#0`): its end cannot be found on this link");
        check_block(b"#41001", "hopeless: the block announces 1001 bytes, but at most 1000 can be right");
        check_block(b"#9999999999", "hopeless: the block announces 999999999 bytes, but at most 1000 can be right");
        check_block(
            b"#14helloo\n",
            "hopeless: the block's count of 4 bytes is off: `o` follows it instead of an end of line",
        );
        check_block(b"#Axx", "hopeless: `#Axx` is no header of a block: `#`, a digit N, N digits of byte count");
        check_block(b"#2x1", "hopeless: `#2x1` is no header of a block: `#`, a digit N, N digits of byte count");
        check_block(b"1.5\n", "hopeless: a block starts with `#`, but `1.5\\n` came");
    }

    #[test]
    fn lines() {
        assert_eq!(line(b"1.5\nrest", 100), Ok((4, "1.5")));
        assert_eq!(line(b"1.5\r\n", 100), Ok((5, "1.5")));
        assert_eq!(line(b"\0\r 1.5\n", 100), Ok((7, "1.5")));
        assert_eq!(line(b"1.5", 100), Err(Trouble::Incomplete(Some(1))));
        assert!(matches!(line(b"123456", 6), Err(Trouble::Hopeless(_))));
        assert!(matches!(line(b"\xff\xfe\n", 100), Err(Trouble::Wrong(_))));
        assert!(matches!(line(b"a\x1bb\n", 100), Err(Trouble::Wrong(_))));
    }

    proptest! {
        #[test]
        fn a_printed_block_reads_back(data in proptest::collection::vec(any::<u8>(), 0..600)) {
            let printed = print_block(&data);
            prop_assert_eq!(block(&printed, 600, false), Ok((printed.len(), data.as_slice())));
            prop_assert_eq!(print_block(block(&printed, 600, false).unwrap().1), &printed[..]);
            // Every cut-off part is incomplete, never a shorter block.
            for end in 0..printed.len() {
                prop_assert!(matches!(block(&printed[..end], 600, false), Err(Trouble::Incomplete(_))));
            }
        }

        #[test]
        fn a_block_that_lost_or_doubled_one_byte_is_never_taken(data in proptest::collection::vec(any::<u8>(), 1..80), at in any::<prop::sample::Index>()) {
            let printed = print_block(&data);
            let header = printed.len() - data.len() - 1;
            let place = header + at.index(data.len());
            let mut short = printed.clone();
            short.remove(place);
            prop_assert!(block(&short, 100, false).is_err());
            let mut long = printed;
            long.insert(place, long[place]);
            // The last data byte now stands where the end of line belongs. Where that byte is NL itself, the
            // true end of line is left over, and the session's check for left-over bytes must catch it.
            match block(&long, 100, false) {
                Ok((used, _)) => prop_assert!(used < long.len()),
                Err(trouble) => prop_assert!(matches!(trouble, Trouble::Hopeless(_) | Trouble::Incomplete(_))),
            }
        }

        #[test]
        fn any_bytes_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _outcome = block(&bytes, 50, true);
            let _outcome = line(&bytes, 50);
            let mut marked = vec![b'#'];
            marked.extend_from_slice(&bytes);
            let _outcome = block(&marked, 50, true);
        }
    }
}
