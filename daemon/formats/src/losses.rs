//! Losses between tape and head, as elementary formulas.
//!
//! All in decibels, never positive. `wavelength` is writing speed over frequency. Each result is the
//! loss of the fundamental alone; nothing here knows of heads, tracks or machines.

use core::f64::consts::PI;

/// Ratio of effective to mechanical gap length (a handbook's equation for gap loss in playback).
pub const EFFECTIVE_GAP: f64 = 1.11;

/// Wavelength on the tape, in micrometres, at a speed in metres a second.
#[must_use]
pub fn wavelength_um(speed_m_s: f64, frequency_hz: f64) -> f64 {
    speed_m_s / frequency_hz * 1e6
}

/// Spacing loss in dB: flux falls as `exp(-2 pi d / wavelength)`, that is 54.575 dB a wavelength
/// (from memory; the constant is `40 pi / ln 10`).
#[must_use]
pub fn spacing_db(distance_um: f64, wavelength_um: f64) -> f64 {
    -40.0 * PI / core::f64::consts::LN_10 * distance_um / wavelength_um
}

/// `sin(x) / x`.
#[must_use]
pub fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-6 { 1.0 - x * x / 6.0 } else { x.sin() / x }
}

fn amplitude_db(ratio: f64) -> f64 {
    20.0 * ratio.abs().log10()
}

/// Gap loss in dB: `sin(x)/x` with `x = pi g / wavelength`, `g` the effective gap
/// ([`EFFECTIVE_GAP`] times the mechanical one). Minus infinity at the nulls.
#[must_use]
pub fn gap_db(effective_gap_um: f64, wavelength_um: f64) -> f64 {
    amplitude_db(sinc(PI * effective_gap_um / wavelength_um))
}

/// Argument `x` of the azimuth loss for two heads whose gaps lean by `recorded_deg` and `played_deg`
/// from the track's normal: `x = pi w (tan a - tan b) / wavelength`. Along the track the two slopes
/// subtract as tangents; `tan(a - b)` would be wrong by a per cent at 12 degrees.
#[must_use]
pub fn azimuth_x(width_um: f64, recorded_deg: f64, played_deg: f64, wavelength_um: f64) -> f64 {
    PI * width_um * (recorded_deg.to_radians().tan() - played_deg.to_radians().tan()) / wavelength_um
}

/// Azimuth loss in dB: `sin(x)/x` of [`azimuth_x`]. The nulls move with width and frequency, so a
/// real, modulated carrier is better described by [`azimuth_envelope_db`].
#[must_use]
pub fn azimuth_db(width_um: f64, recorded_deg: f64, played_deg: f64, wavelength_um: f64) -> f64 {
    amplitude_db(sinc(azimuth_x(width_um, recorded_deg, played_deg, wavelength_um)))
}

/// The curve through the lobes of the azimuth loss: `1/x` beyond `x = pi/2`, the `sinc` below it.
#[must_use]
pub fn azimuth_envelope_db(width_um: f64, recorded_deg: f64, played_deg: f64, wavelength_um: f64) -> f64 {
    let x = azimuth_x(width_um, recorded_deg, played_deg, wavelength_um).abs();
    amplitude_db(if x > PI / 2.0 { 1.0 / x } else { sinc(x) })
}

/// Thickness loss in dB: `(1 - exp(-y)) / y`, `y = 2 pi t / wavelength` (from memory).
#[must_use]
pub fn thickness_db(thickness_um: f64, wavelength_um: f64) -> f64 {
    let y = 2.0 * PI * thickness_um / wavelength_um;
    amplitude_db(if y < 1e-9 { 1.0 - y / 2.0 } else { -(-y).exp_m1() / y })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(what: &str, got: f64, want: f64, within: f64) {
        assert!((got - want).abs() <= within, "{what}: {got}, expected {want} within {within}");
    }

    #[test]
    fn worked_numbers_of_each_loss() {
        near("gap at half a wavelength, plain", gap_db(0.5, 1.0), -3.92, 0.005);
        near("gap at half a wavelength, effective", gap_db(EFFECTIVE_GAP * 0.5, 1.0), -4.96, 0.005);
        for (gap, want) in [(0.1, -0.177), (0.25, -1.130), (0.8, -18.16)] {
            near("gap, effective", gap_db(EFFECTIVE_GAP * gap, 1.0), want, 0.005);
        }
        for (wavelength, want) in [(1.0, -5.46), (0.78, -7.00), (0.58, -9.41), (0.40, -13.64)] {
            near("spacing of 0.1 um", spacing_db(0.1, wavelength), want, 0.006);
        }
        for (loss, want) in [(3.0, 0.0550), (6.0, 0.1099), (10.0, 0.1832), (20.0, 0.3665)] {
            near("spacing for a loss", spacing_db(want, 1.0), -loss, 0.004);
        }
        for (speed, frequency, want) in
            [(5.8044, 3.4e6, 1.707), (5.8044, 4.4e6, 1.319), (5.8044, 5.4e6, 1.075), (5.8044, 7.0e6, 0.829)]
        {
            near("wavelength", wavelength_um(speed, frequency), want, 6e-4);
        }
        near("crossed heads, x", azimuth_x(58.0, 6.0, -6.0, 1.707), 22.44, 0.01);
        near("crossed heads, envelope", azimuth_envelope_db(58.0, 6.0, -6.0, 1.707), -27.0, 0.05);
        near("crossed heads, sinc", azimuth_db(58.0, 6.0, -6.0, 1.707), -34.3, 0.3);
        let under = wavelength_um(5.8044, 629_371.0);
        near("colour-under, x", azimuth_x(58.0, 6.0, -6.0, under), 4.153, 0.005);
        near("colour-under, sinc", azimuth_db(58.0, 6.0, -6.0, under), -13.8, 0.1);
    }

    #[test]
    fn no_length_no_loss() {
        near("spacing", spacing_db(0.0, 1.0), 0.0, 1e-12);
        near("gap", gap_db(0.0, 1.0), 0.0, 1e-12);
        near("azimuth", azimuth_db(58.0, 6.0, 6.0, 1.7), 0.0, 1e-12);
        near("thickness", thickness_db(0.0, 1.0), 0.0, 1e-12);
        near("thickness, y = 2 pi", thickness_db(1.0, 1.0), -15.98, 0.01);
    }
}
