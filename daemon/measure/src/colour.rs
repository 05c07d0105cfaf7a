//! What the colour-under signal hides of a dip in the level.
//!
//! What takes a head off the tape takes `exp(-2 pi d / wavelength)` (spacing loss, R. Wallace 1951): `g` of the carrier
//! leaves `g^q` of the colour, `q` being its frequency over the carrier's. A reading that holds both shows a dip too
//! shallow: of a colour that makes the share `c` of it, `g + c (g^q - g)`; amplitudes add where it is taken from peak to
//! peak, powers where it is a root of power. How much colour there is nobody knows: `c` lies anywhere from nothing to a bound.

/// Least of the colour-under frequency over the carrier's, among the formats of the table.
const FREQUENCY: f64 = 0.11;

/// Most of the colour-under signal in a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ColourPart {
    /// None: a filter about the carrier keeps it out.
    None,
    /// Of an amplitude from peak to peak, this share at the most (unit 1).
    Amplitude(f64),
    /// Of a power, this share at the most (unit 1).
    Power(f64),
}

impl ColourPart {
    /// Of peaks, colour being at most this much of the carrier.
    #[must_use]
    pub fn beside_amplitude(most: f64) -> Self {
        Self::Amplitude(most / (1.0 + most))
    }

    /// Of a root of power, colour being at most this much of the carrier.
    #[must_use]
    pub fn beside_power(most: f64) -> Self {
        Self::Power(most * most / (1.0 + most * most))
    }

    /// By how much less of a level may be left than the share `kept` that shows (unit 1).
    #[must_use]
    pub fn hides(self, kept: f64) -> f64 {
        let kept = kept.clamp(0.0, 1.0);
        match self {
            Self::None => 0.0,
            Self::Amplitude(share) => kept - left(kept, share),
            Self::Power(share) => kept - left(kept * kept, share).sqrt(),
        }
    }
}

/// The `g` that shows as `shown`.
fn left(shown: f64, share: f64) -> f64 {
    let shows = |g: f64| g + share * (g.powf(FREQUENCY) - g);
    let (mut low, mut high) = (0.0, shown);
    for _ in 0..40 {
        let g = 0.5 * (low + high);
        if shows(g) > shown { high = g } else { low = g }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_hidden_is_what_shows_less_what_is_left() {
        let amplitude = |g: f64, colour: f64| (g + colour * g.powf(FREQUENCY)) / (1.0 + colour);
        let power = |g: f64, colour: f64| {
            ((g * g + (colour * colour) * (g * g).powf(FREQUENCY)) / (1.0 + colour * colour)).sqrt()
        };
        for g in [0.2, 0.64, 0.9, 1.0] {
            for colour in [0.0, 0.1, 0.316] {
                let shown = amplitude(g, colour);
                assert!((shown - ColourPart::beside_amplitude(colour).hides(shown) - g).abs() < 1e-9, "{g} {colour}");
                let shown = power(g, colour);
                assert!((shown - ColourPart::beside_power(colour).hides(shown) - g).abs() < 1e-9, "{g} {colour}");
            }
        }
        assert_eq!(ColourPart::None.hides(0.5), 0.0);
    }
}
