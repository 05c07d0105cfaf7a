//! From an instrument's codes to volts: four variants of family A and the standard's range scaling.
//!
//! | formula | volts of a raw code | raw codes |
//! |---|---|---|
//! | `a1` | `(raw - yref) * yinc + yorg`, yorg in volts | unsigned |
//! | `a2` | `(raw - yorg - yref) * yinc`, yorg in counts | unsigned |
//! | `a3` | `raw * yinc + yorg`, no reference | signed |
//! | `a4` | `yorg + yinc * raw` | unsigned |
//! | `b` | `(raw - yref) * yinc + yorg`, as a1 | as the dialect says |
//! | `range` | `offset + raw * range / steps`, steps 256 or 65536 | signed |
//!
//! Source: instrument makers' manuals, not named; `range` follows from SCPI-99 vol. 2, SENSe:VOLTage:RANGe:PTPeak.

use super::Dialect;
use crate::scpi::{Trouble, answer};

/// How raw codes become volts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Formula {
    /// `(raw - yref) * yinc + yorg`.
    A1,
    /// `(raw - yorg - yref) * yinc`.
    A2,
    /// `raw * yinc + yorg`.
    A3,
    /// `yorg + yinc * raw`.
    A4,
    /// `(raw - yref) * yinc + yorg`, signed or unsigned.
    B,
    /// `offset + raw * range / steps`.
    Range,
}

impl Formula {
    /// Its word in a file.
    pub(crate) const WORDS: &'static [&'static str] = &["a1", "a2", "a3", "a4", "b", "range"];
    pub(crate) const ALL: &'static [Self] = &[Self::A1, Self::A2, Self::A3, Self::A4, Self::B, Self::Range];
}

/// The ten fields, as sent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RawPreamble {
    /// Code of the data's form.
    pub format: i64,
    /// Code of the acquisition's kind.
    pub kind: i64,
    /// Points.
    pub points: u32,
    /// Seconds from point to point.
    pub x_increment_s: f64,
    /// Seconds of the reference point.
    pub x_origin_s: f64,
    /// Reference point.
    pub x_reference: f64,
    /// Volts a code.
    pub y_increment_v: f64,
    /// Volts or counts, by the formula.
    pub y_origin: f64,
    /// Reference code.
    pub y_reference: f64,
}

impl RawPreamble {
    /// Reads the ten fields; some sets add more, which are ignored.
    ///
    /// # Errors
    /// [`Trouble::Wrong`] says which field.
    pub fn parse(text: &str) -> Result<Self, Trouble> {
        let parts = answer::parts(text);
        if parts.len() < 10 {
            return Err(Trouble::Wrong(format!("the scaling has {} fields, expected 10: `{text}`", parts.len())));
        }
        let field = |i: usize, name: &str| {
            answer::value(parts[i])
                .map_err(|trouble| Trouble::Wrong(format!("field {} ({name}) of the scaling: {trouble}", i + 1)))
        };
        let whole = |i: usize, name: &str| match field(i, name)? {
            value if value.fract() == 0.0 && (0.0..=1e9).contains(&value) => Ok(value as i64),
            value => {
                Err(Trouble::Wrong(format!("field {} ({name}) of the scaling is {value}, expected a count", i + 1)))
            }
        };
        let positive = |i: usize, name: &str| match field(i, name)? {
            value if value > 0.0 => Ok(value),
            value => {
                Err(Trouble::Wrong(format!("field {} ({name}) of the scaling is {value}, expected more than 0", i + 1)))
            }
        };
        Ok(Self {
            format: whole(0, "format")?,
            kind: whole(1, "type")?,
            points: u32::try_from(whole(2, "points")?).unwrap_or(u32::MAX),
            x_increment_s: positive(4, "x increment")?,
            x_origin_s: field(5, "x origin")?,
            x_reference: field(6, "x reference")?,
            y_increment_v: positive(7, "y increment")?,
            y_origin: field(8, "y origin")?,
            y_reference: field(9, "y reference")?,
        })
    }
}

/// A line through codes and volts: volts = `offset_v + raw * gain_v`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CodeScale {
    /// Volts a code.
    pub gain_v: f64,
    /// Volts of raw code 0.
    pub offset_v: f64,
}

/// What is known of a record before its data come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preamble {
    /// Codes that the data will hold.
    pub codes: u32,
    /// Seconds from code to code.
    pub code_interval_s: f64,
    /// Seconds of the first code from the trigger.
    pub first_s: f64,
    /// Volts at the test point or at the input, as the dialect says.
    pub scale: CodeScale,
}

impl Formula {
    /// The line, from the ten fields.
    #[must_use]
    pub fn scale(self, preamble: &RawPreamble) -> CodeScale {
        let RawPreamble { y_increment_v: inc, y_origin: origin, y_reference: reference, .. } = *preamble;
        let offset_v = match self {
            Self::A1 | Self::B => origin - reference * inc,
            Self::A2 => -(origin + reference) * inc,
            Self::A3 | Self::A4 | Self::Range => origin,
        };
        CodeScale { gain_v: inc, offset_v }
    }
}

/// Codes of a block, how they are scaled as signed 16-bit numbers, and the converter's ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Decoded {
    /// Codes.
    pub codes: Vec<i16>,
    /// Their line.
    pub scale: CodeScale,
    /// Lowest code that the converter gives.
    pub code_low: i32,
    /// Highest code that the converter gives.
    pub code_high: i32,
}

/// Lowest and highest raw code of a record of this width.
#[must_use]
pub(super) fn raw_ends(dialect: &Dialect, bits: u32) -> (i32, i32) {
    let step = 1_i32 << bits.saturating_sub(dialect.limits.converter_bits);
    let steps = 1_i32 << dialect.limits.converter_bits.min(bits);
    if dialect.signed { (-steps / 2 * step, (steps / 2 - 1) * step) } else { (0, (steps - 1) * step) }
}

/// Turns the bytes of a block into codes. Unsigned 16-bit codes are shifted to be signed, and the
/// line with them, so the volts stay the same.
///
/// # Errors
/// [`Trouble::Wrong`] when the bytes make no whole number of codes.
pub fn decode(dialect: &Dialect, bytes: &[u8], bits: u32, scale: CodeScale) -> Result<Decoded, Trouble> {
    let (low, high) = raw_ends(dialect, bits);
    if bits == 8 {
        let codes =
            bytes.iter().map(|&b| if dialect.signed { i16::from(b.cast_signed()) } else { i16::from(b) }).collect();
        return Ok(Decoded { codes, scale, code_low: low, code_high: high });
    }
    if !bytes.len().is_multiple_of(2) {
        return Err(Trouble::Wrong(format!("{} bytes make no whole number of 16-bit codes", bytes.len())));
    }
    let shift: u16 = if dialect.signed { 0 } else { 0x8000 };
    let codes = bytes
        .as_chunks::<2>()
        .0
        .iter()
        .map(|&pair| {
            let raw = if dialect.most_significant_first { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) };
            (raw ^ shift).cast_signed()
        })
        .collect();
    let down = i32::from(shift);
    let scale = CodeScale { gain_v: scale.gain_v, offset_v: scale.offset_v + f64::from(down) * scale.gain_v };
    Ok(Decoded { codes, scale, code_low: low - down, code_high: high - down })
}
