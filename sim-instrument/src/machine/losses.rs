//! What is lost between tape and head, as ratios of amplitude.
//!
//! The formulas of spacing and gap are those of the formats crate. The azimuth loss is rounded here:
//! `1 / sqrt(1 + x^2)` instead of the zeros and lobes of `sin x / x`, since track edges are never
//! clean lines and a modulated carrier fills the zeros (common practice, no source).

use tapewright_formats::losses::{EFFECTIVE_GAP, azimuth_x, gap_db, spacing_db, wavelength_um};

fn ratio(loss_db: f64) -> f64 {
    10f64.powf(loss_db / 20.0)
}

/// What a head with this distance and gap keeps of a frequency (ratio), at a writing speed in metres a second.
pub(crate) fn head(spacing_um: f64, gap_um: f64, frequency_hz: f64, speed_m_s: f64) -> f64 {
    let wavelength = wavelength_um(speed_m_s, frequency_hz);
    ratio(spacing_db(spacing_um, wavelength) + gap_db(EFFECTIVE_GAP * gap_um, wavelength))
}

/// What a distance between tape and head alone keeps of a frequency (ratio), at a writing speed in metres a second.
pub(crate) fn spacing(spacing_um: f64, frequency_hz: f64, speed_m_s: f64) -> f64 {
    ratio(spacing_db(spacing_um, wavelength_um(speed_m_s, frequency_hz)))
}

/// What is kept over an overlap of `x = 2 pi w tan(alpha) / lambda` with a track of the other azimuth.
pub(crate) fn azimuth(x: f64) -> f64 {
    1.0 / (1.0 + x * x).sqrt()
}

/// `x` of [`azimuth`] for one micrometre of overlap between gaps that lean by plus and minus `azimuth_deg`.
pub(crate) fn azimuth_x_a_um(azimuth_deg: f64, frequency_hz: f64, speed_m_s: f64) -> f64 {
    azimuth_x(1.0, azimuth_deg, -azimuth_deg, wavelength_um(speed_m_s, frequency_hz)).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_numbers_of_the_reference() {
        let db = |x: f64| 20.0 * x.log10();
        let crossed = db(azimuth(58.0 * azimuth_x_a_um(6.0, 3.4e6, 5.8044)));
        assert!((crossed + 27.0).abs() < 0.1, "{crossed}");
        assert!((db(spacing(0.1, 1e6, 1.0)) + 5.46).abs() < 0.01);
        assert!((db(head(0.1, 0.0, 1e6, 1.0)) + 5.46).abs() < 0.01);
        assert!((db(head(0.0, 0.5, 1e6, 1.0)) + 4.96).abs() < 0.01);
    }
}
