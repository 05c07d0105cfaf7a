//! The pilot tones of 8 mm (IEC 60843-1; divider ratios, order and level from memory): one a track, in turn.

use crate::format::LineStandard;

/// Dividers of the base clock, in the order in which tracks carry them.
const DIVIDERS: [f64; 4] = [58.0, 50.0, 36.0, 40.0];

/// Frequencies of the four pilots in hertz, in the order of the tracks: head A writes the first and third.
///
/// Neighbours differ by about one line rate on one side and three on the other; the sides change over from track
/// to track (rule of a patent on four-frequency pilots: `f1 - f2 = f4 - f3`, `f2 - f3 = f4 - f1` in size).
///
/// ```
/// use tapewright_formats::{LineStandard, pilots::pilots_hz};
/// let [f1, f2, f3, f4] = pilots_hz(LineStandard::L525);
/// let line = LineStandard::L525.line_rate_hz();
/// for (beat, lines) in [(f2 - f1, 1.0), (f3 - f4, 1.0), (f3 - f2, 3.0), (f4 - f1, 3.0)] {
///     assert!((beat / line - lines).abs() < 0.07);
/// }
/// assert!((f1 - 102_544.0).abs() < 1.0 && (f3 - 165_210.0).abs() < 1.0);
/// ```
#[must_use]
pub fn pilots_hz(lines: LineStandard) -> [f64; 4] {
    let clock = lines.line_rate_hz()
        * match lines {
            LineStandard::L525 => 378.0,
            LineStandard::L625 => 375.0,
        };
    DIVIDERS.map(|divider| clock / divider)
}
