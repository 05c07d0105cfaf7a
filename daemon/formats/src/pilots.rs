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

#[cfg(test)]
mod tests {
    use super::*;

    /// In kilohertz to a hertz, computed by another program from the clock and the dividers: the pilots in the order of the
    /// tracks, then how far apart the pilots of neighbouring tracks are, from the first pair on round to the first track.
    const COMPUTED: [(LineStandard, [f64; 4], [f64; 4]); 2] = [
        (LineStandard::L525, [102.544, 118.951, 165.210, 148.689], [16.407, 46.259, 16.521, 46.145]),
        (LineStandard::L625, [101.024, 117.188, 162.760, 146.484], [16.164, 45.573, 16.276, 45.461]),
    ];

    #[test]
    fn pilots_and_beats_have_their_computed_values() {
        for (lines, pilots, beats) in COMPUTED {
            let got = pilots_hz(lines);
            for k in 0..4 {
                let beat = (got[(k + 1) % 4] - got[k]).abs();
                for (what, hz, want) in [("pilot", got[k], pilots[k]), ("beat", beat, beats[k])] {
                    assert!((hz / 1e3 - want).abs() <= 5.1e-4, "{lines:?}, {what} {k}: {hz} Hz, expected {want} kHz");
                }
                // Small and large beats take turns (rule of the patent).
                let lines_apart = (beat / lines.line_rate_hz()).round();
                assert_eq!(lines_apart, if k % 2 == 0 { 1.0 } else { 3.0 }, "{lines:?}, beat {k}");
            }
        }
    }
}
