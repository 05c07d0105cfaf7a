//! Scaling by a binary descriptor of 346 bytes before the data (instrument maker's manual, not named).
//!
//! The order of its bytes stands in itself, at 34: 0 the high one first, 1 the low one. Whether that field looks
//! like 0 or like 1 tells how to read it.

use super::RawPreamble;
use crate::scpi::Trouble;

/// Least length: up to the last field that is used.
const LEAST: usize = 318;
/// What its first 8 bytes say.
const NAME: &[u8] = b"WAVEDESC";

/// Reads the fields by their offsets.
struct Bytes<'a> {
    bytes: &'a [u8],
    low_first: bool,
}

impl Bytes<'_> {
    fn at<const N: usize>(&self, place: usize) -> Result<[u8; N], Trouble> {
        let part = self.bytes.get(place..place + N).and_then(|part| <[u8; N]>::try_from(part).ok());
        let mut part = part.ok_or_else(|| Trouble::Wrong(format!("the descriptor ends before byte {place}")))?;
        if self.low_first {
            part.reverse();
        }
        Ok(part)
    }

    fn word(&self, place: usize) -> Result<u16, Trouble> {
        self.at(place).map(u16::from_be_bytes)
    }

    fn long(&self, place: usize) -> Result<u32, Trouble> {
        self.at(place).map(u32::from_be_bytes)
    }

    fn single(&self, place: usize, name: &str) -> Result<f64, Trouble> {
        Self::finite(f64::from(f32::from_be_bytes(self.at(place)?)), name)
    }

    fn double(&self, place: usize, name: &str) -> Result<f64, Trouble> {
        Self::finite(f64::from_be_bytes(self.at(place)?), name)
    }

    fn finite(value: f64, name: &str) -> Result<f64, Trouble> {
        if value.is_finite() { Ok(value) } else { Err(Trouble::Wrong(format!("the descriptor's {name} is {value}"))) }
    }
}

/// A single-precision number as what was meant: the decimal number of the fewest digits that is nearest to it
/// keeps the volts within the step, where its binary neighbour would be off in the eighth digit.
fn meant(value: f64) -> f64 {
    (value as f32).to_string().parse().unwrap_or(value)
}

/// Reads a descriptor. The form is 0 for bytes and 1 for words; the kind is 9 for pairs.
///
/// # Errors
/// [`Trouble::Wrong`] says which field.
pub(super) fn parse(block: &[u8], most_significant_first: bool) -> Result<RawPreamble, Trouble> {
    if !block.starts_with(NAME) || block.len() < LEAST {
        let shown = block.get(..block.len().min(12)).unwrap_or_default().escape_ascii();
        return Err(Trouble::Wrong(format!("{} bytes that begin with `{shown}` are no descriptor", block.len())));
    }
    let low_first = match (block.get(34), block.get(35)) {
        (Some(0), Some(0)) => false,
        (Some(1), Some(0)) => true,
        (Some(0), Some(1)) => {
            return Err(Trouble::Wrong("the descriptor says that the low byte is first, high byte first".into()));
        }
        _ => return Err(Trouble::Wrong("the descriptor's order of bytes is neither 0 nor 1".into())),
    };
    let bytes = Bytes { bytes: block, low_first };
    let format = i64::from(bytes.word(32)?);
    if format == 1 && low_first == most_significant_first {
        return Err(Trouble::Wrong("its bytes come in the other order than the dialect says".into()));
    }
    let sparsing = bytes.long(136)?;
    if sparsing > 1 {
        return Err(Trouble::Wrong(format!("the record is told to be thinned out to every {sparsing}th point")));
    }
    let positive = |value: f64, name: &str| {
        if value > 0.0 { Ok(value) } else { Err(Trouble::Wrong(format!("the descriptor's {name} is {value}"))) }
    };
    Ok(RawPreamble {
        format,
        kind: i64::from(bytes.word(316)?),
        points: bytes.long(116)?,
        x_increment_s: meant(positive(bytes.single(176, "interval")?, "interval")?),
        x_origin_s: bytes.double(180, "horizontal offset")?,
        x_reference: 0.0,
        y_increment_v: meant(positive(bytes.single(156, "gain")?, "gain")?),
        // Volts are gain times code, less the offset.
        y_origin: 0.0 - meant(bytes.single(160, "offset")?),
        y_reference: 0.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Length in full.
    const LENGTH: usize = 346;
    /// Record type of peak detection (from memory).
    const PEAK: u16 = 9;

    /// A descriptor with these values, in either order of bytes.
    fn made(low_first: bool, gain: f32, offset: f32, interval: f32, start: f64, points: u32) -> Vec<u8> {
        let mut block = vec![0_u8; LENGTH];
        block[..8].copy_from_slice(NAME);
        let mut put = |place: usize, mut bytes: Vec<u8>| {
            if low_first {
                bytes.reverse();
            }
            block[place..place + bytes.len()].copy_from_slice(&bytes);
        };
        put(34, u16::from(low_first).to_be_bytes().to_vec());
        put(116, points.to_be_bytes().to_vec());
        put(156, gain.to_be_bytes().to_vec());
        put(160, offset.to_be_bytes().to_vec());
        put(176, interval.to_be_bytes().to_vec());
        put(180, start.to_be_bytes().to_vec());
        put(316, PEAK.to_be_bytes().to_vec());
        block
    }

    #[test]
    fn either_order_of_bytes() {
        for low_first in [false, true] {
            let raw = parse(&made(low_first, 0.02, -1.5, 4e-6, -5e-3, 2500), true).expect("a descriptor");
            let expected = RawPreamble {
                format: 0,
                kind: 9,
                points: 2500,
                x_increment_s: 4e-6,
                x_origin_s: -5e-3,
                x_reference: 0.0,
                y_increment_v: 0.02,
                y_origin: 1.5,
                y_reference: 0.0,
            };
            assert_eq!(raw, expected, "low first: {low_first}");
        }
    }

    #[test]
    fn what_is_no_descriptor_is_refused() {
        let good = made(false, 0.02, 0.0, 4e-6, 0.0, 2500);
        let check = |change: &dyn Fn(&mut Vec<u8>), expected: &str| {
            let mut block = good.clone();
            change(&mut block);
            let why = parse(&block, true).expect_err("it is refused").to_string();
            assert!(why.contains(expected), "{why}");
        };
        check(&|b| b.truncate(300), "300 bytes that begin with `WAVEDESC");
        check(&|b| b[0] = b'X', "are no descriptor");
        check(&|b| b[34] = 7, "neither 0 nor 1");
        check(&|b| b[139] = 4, "every 4th point");
        check(&|b| b[156..160].copy_from_slice(&f32::NAN.to_be_bytes()), "gain is NaN");
        check(&|b| b[176..180].fill(0), "interval is 0");
    }

    proptest! {
        #[test]
        fn any_bytes_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
            let mut named = NAME.to_vec();
            named.extend(bytes);
            let _outcome = parse(&named, true);
        }

        #[test]
        fn printed_values_read_back(gain in 1e-6_f32..10.0, offset in -50_f32..50.0, start in -1.0_f64..1.0) {
            let raw = parse(&made(true, gain, offset, 1e-6, start, 100), true).unwrap();
            prop_assert_eq!(raw.y_increment_v as f32, gain);
            prop_assert_eq!(raw.y_origin as f32, 0.0 - offset);
            prop_assert_eq!(raw.x_origin_s, start);
        }
    }
}
