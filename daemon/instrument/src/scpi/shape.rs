//! Blocks of instruments that leave the standard, as their dialect says: text before them, a count of
//! something else, a checksum inside (instrument makers' manuals, not named).

use super::frame::{BlockHeader, block_header};
use super::{BlockShape, Trouble};

/// Reads a block's header with what stands before it; the header's length includes that.
///
/// # Errors
/// As [`block_header`].
pub fn shaped_header(input: &[u8], most: usize, shape: &BlockShape) -> Result<BlockHeader, Trouble> {
    let before = text_before(input, shape.text_before)?;
    let input = &input[before..];
    let found = match shape.digits {
        Some(digits) => counted(input, usize::from(digits))?,
        // The count may be of more than the data, so that it is bounded below.
        None if shape.count_of_packet || shape.count_excess != 0 => block_header(input, most.saturating_add(64))?,
        None => block_header(input, most)?,
    };
    let off = i64::from(shape.count_excess) + if shape.count_of_packet { found.header as i64 } else { 0 };
    let data = match found.data {
        None => None,
        Some(count) => match usize::try_from(count as i64 - off) {
            Ok(data) if data <= most => Some(data),
            Ok(data) => {
                let why = format!("the block announces {data} bytes, but at most {most} can be right");
                return Err(Trouble::Hopeless(why));
            }
            Err(_) => {
                return Err(Trouble::Hopeless(format!("the block's count of {count} bytes is less than nothing")));
            }
        },
    };
    Ok(BlockHeader { header: before + found.header, data })
}

/// Bytes of text before the `#`.
fn text_before(input: &[u8], most: usize) -> Result<usize, Trouble> {
    match input.iter().take(most + 1).position(|&byte| byte == b'#') {
        Some(place) => Ok(place),
        None if input.len() > most && most > 0 => {
            Err(Trouble::Hopeless(format!("no block begins within the first {most} bytes")))
        }
        None if most > 0 => Err(Trouble::Incomplete(Some(1))),
        // The standard's reader says what came instead.
        None => Ok(0),
    }
}

/// `#`, any digit, and then this many digits of count.
fn counted(input: &[u8], digits: usize) -> Result<BlockHeader, Trouble> {
    let header = 2 + digits;
    if input.len() < header && input.iter().skip(1).all(u8::is_ascii_digit) {
        return Err(Trouble::Incomplete(Some(header - input.len())));
    }
    let text = input.get(2..header).and_then(|text| core::str::from_utf8(text).ok());
    let count = text.filter(|text| text.bytes().all(|b| b.is_ascii_digit())).and_then(|text| text.parse().ok());
    match (input.first(), count) {
        (Some(b'#'), Some(count)) => Ok(BlockHeader { header, data: Some(count) }),
        _ => {
            let shown = input[..input.len().min(header)].escape_ascii();
            Err(Trouble::Hopeless(format!("`{shown}` is no header of a block with {digits} digits of count")))
        }
    }
}

/// Takes the format byte and the checksum byte off data.
///
/// # Errors
/// [`Trouble::Wrong`] when the sum is not right.
pub fn unwrapped(data: &[u8]) -> Result<&[u8], Trouble> {
    let [_, inner @ .., told] = data else {
        return Err(Trouble::Wrong(format!("{} bytes hold no format byte and checksum", data.len())));
    };
    let sum = inner.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    if sum == *told {
        return Ok(inner);
    }
    Err(Trouble::Wrong(format!("the block's checksum is {told}, but its bytes make {sum}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(input: &[u8], shape: BlockShape, expected: &str) {
        let got = match shaped_header(input, 1000, &shape) {
            Ok(BlockHeader { header, data }) => format!("{header} {data:?}"),
            Err(Trouble::Incomplete(missing)) => format!("incomplete {missing:?}"),
            Err(Trouble::Wrong(why)) => format!("wrong: {why}"),
            Err(Trouble::Hopeless(why)) => format!("hopeless: {why}"),
        };
        assert_eq!(got, expected, "{}", input.escape_ascii());
    }

    #[test]
    fn shapes() {
        let plain = BlockShape::default();
        check(b"#15hello\n", plain, "3 Some(5)");
        check(b"X,#15hello\n", plain, "hopeless: a block starts with `#`, but `X,#15hello\\n` came");
        let text = BlockShape { text_before: 8, ..plain };
        check(b"DAT1,#15hello\n", text, "8 Some(5)");
        check(b"DAT1", text, "incomplete Some(1)");
        check(b"DAT1,DAT1,#15hello", text, "hopeless: no block begins within the first 8 bytes");
        let packet = BlockShape { count_of_packet: true, ..plain };
        check(b"#18hello\n", packet, "3 Some(5)");
        check(b"#12hello\n", packet, "hopeless: the block's count of 2 bytes is less than nothing");
        check(b"#41007", packet, "hopeless: the block announces 1001 bytes, but at most 1000 can be right");
        let excess = BlockShape { count_excess: 1, ..plain };
        check(b"#16hello\n", excess, "3 Some(5)");
        let eight = BlockShape { digits: Some(8), ..plain };
        check(b"#900000005hello\n", eight, "10 Some(5)");
        check(b"#90000", eight, "incomplete Some(4)");
        check(b"#9000x0005", eight, "hopeless: `#9000x0005` is no header of a block with 8 digits of count");
        check(b"#0abc", plain, "2 None");
    }

    #[test]
    fn checksums() {
        assert_eq!(unwrapped(&[1, 10, 250, 4]), Ok(&[10, 250][..]));
        assert!(unwrapped(&[1, 10, 250, 5]).is_err());
        assert!(unwrapped(&[1]).is_err());
        assert_eq!(unwrapped(&[1, 0]), Ok(&[][..]));
    }

    proptest! {
        #[test]
        fn any_bytes_are_survived(
            bytes in proptest::collection::vec(any::<u8>(), 0..60),
            text_before in 0_usize..40,
            digits in proptest::option::of(1_u8..18),
            count_of_packet in any::<bool>(),
            count_excess in -16_i32..16,
        ) {
            let shape = BlockShape { text_before, count_of_packet, count_excess, digits, wrapped: false };
            if let Ok(head) = shaped_header(&bytes, 50, &shape) {
                prop_assert!(head.header <= bytes.len() && head.data.unwrap_or(0) <= 50);
            }
            let _outcome = unwrapped(&bytes);
        }
    }
}
