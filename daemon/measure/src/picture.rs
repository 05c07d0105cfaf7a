//! What the picture and the colour-under signal may do to the level of the RF.

use crate::beside::Beside;
use crate::blanking::FieldBlanking;
use crate::error::MeasureError;

/// What is known about the picture and the colour-under signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Picture {
    /// The picture is the same from top to bottom, so what it does to the level cancels in ratios.
    pub even: bool,
    /// Bounds of the colour-under signal's amplitude over the carrier's.
    pub colour_share: (f64, f64),
    /// Bounds of the carrier's level, averaged as the method does, over that at sync tip.
    pub content: (f64, f64),
    /// What lines of field blanking show less, where it was taken: see [`crate::blanking`].
    pub blanking: Option<FieldBlanking>,
    /// What the format says about the neighbouring track: see [`crate::beside`].
    pub beside: Option<Beside>,
    /// Greatest level of the head on its track, in volts, in a scan that lies beside it all along; none: the scan's own greatest
    /// lies on the track.
    pub on_track_v: Option<f64>,
}

/// Colour's share of the greatest amplitude in ordinary bars, and how many tips long a bar is; the next bar reaches
/// nearly as high (computed for bars of 75 per cent and a burst 20 dB below the carrier).
pub(crate) const BAR: (f64, f64) = (0.2, 1.4);
/// Amplitudes of the highest bars over the greatest.
pub(crate) const NEXT_BARS: [f64; 4] = [1.0, 0.97, 0.95, 0.94];

impl Picture {
    /// Nothing is known: colour-under up to 10 dB below the carrier, white up to 4 dB below sync
    /// (common practice, no source).
    #[must_use]
    pub const fn unknown() -> Self {
        Self {
            even: false,
            colour_share: (0.0, 0.316),
            content: (0.75, 1.0),
            blanking: None,
            beside: None,
            on_track_v: None,
        }
    }

    /// A test picture, the same from top to bottom.
    #[must_use]
    pub const fn even() -> Self {
        Self { even: true, ..Self::unknown() }
    }

    pub(crate) fn check(&self) -> Result<(), MeasureError> {
        let (a, b) = self.colour_share;
        let (c, d) = self.content;
        if !(a >= 0.0 && b >= a && b < 10.0 && c > 0.0 && d >= c && d < 10.0) {
            return Err(MeasureError::BadParameter {
                what: "bound of the picture's shares",
                given: b,
                expected: "in order, 0 or more",
            });
        }
        Ok(())
    }
}
