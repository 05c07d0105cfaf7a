//! Blocks of response data (IEEE 488.2 clause 8.7.9), as the standard has them and with the quirks of sets that
//! have them otherwise.

use crate::quirks::{Quirk, Quirks};

/// How many digits the count has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Digits {
    /// Always so many.
    Fixed(usize),
    /// As many as it needs.
    AsNeeded,
}

/// Writes a block, without the end of its message.
pub(crate) fn block(data: Vec<u8>, digits: Digits, quirks: Quirks) -> Vec<u8> {
    let data = if quirks.has(Quirk::WrappedBlock) { wrapped(data) } else { data };
    let mut out = Vec::new();
    if quirks.has(Quirk::TextBeforeBlock) {
        out.extend_from_slice(before(data.len()).as_bytes());
    }
    if quirks.has(Quirk::IndefiniteBlock) {
        out.extend_from_slice(b"#0");
        out.extend(data);
        return out;
    }
    let digits = if quirks.has(Quirk::DigitsAsNeeded) { Digits::AsNeeded } else { digits };
    let mut count = data.len() + usize::from(quirks.has(Quirk::CountOffByOne));
    let width = match digits {
        _ if quirks.has(Quirk::EightDigits) => 8,
        Digits::Fixed(width) => width,
        Digits::AsNeeded => count.to_string().len(),
    };
    if quirks.has(Quirk::CountOfPacket) {
        count += 2 + width;
    }
    let said = if quirks.has(Quirk::EightDigits) { 9 } else { width };
    out.extend_from_slice(format!("#{said}{count:0width$}").as_bytes());
    out.extend(data);
    out
}

/// A format byte in front, and the sum of the data modulo 256 behind.
fn wrapped(data: Vec<u8>) -> Vec<u8> {
    let sum = data.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    let mut out = vec![1];
    out.extend(data);
    out.push(sum);
    out
}

/// What some sets say before the block (instrument makers' manuals, not named: over a hundred bytes).
fn before(length: usize) -> String {
    format!(
        "form,byte;length,{length};coding,binary;order,most-significant;kind,record;unit-x,second;unit-y,volt;state,stopped;"
    )
}
