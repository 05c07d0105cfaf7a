//! The relations of helical-scan geometry, by the numbers R1 to R14 of the project's reference.
//!
//! Geometry: `u = pi D f_d` is the speed of the head; head and tape move the same way along the track.
//! Derivations are elementary (velocity triangle of head and tape).

use crate::format::Format;
use core::f64::consts::PI;

/// Speed of a head, in metres a second: `u = pi D f_d`.
#[must_use]
pub fn head_speed_m_s(format: &Format) -> f64 {
    PI * format.drum_diameter_mm.value * 1e-3 * format.lines.frame_rate_hz()
}

/// R2: angle of the recorded track with the tape running, in degrees.
#[must_use]
pub fn running_angle_deg(format: &Format) -> f64 {
    let (u, v) = (head_speed_m_s(format), format.tape_speed_mm_s.value * 1e-3);
    let still = format.still_angle_deg.value.to_radians();
    (u * still.sin()).atan2(u * still.cos() - v).to_degrees()
}

/// R1: track pitch, in micrometres: `P = v sin(th) / f_V`.
#[must_use]
pub fn pitch_um(format: &Format) -> f64 {
    let angle = running_angle_deg(format).to_radians();
    format.tape_speed_mm_s.value * 1e3 * angle.sin() / format.lines.field_rate_hz()
}

/// R4: writing speed, in metres a second.
#[must_use]
pub fn writing_speed_m_s(format: &Format) -> f64 {
    let (u, v) = (head_speed_m_s(format), format.tape_speed_mm_s.value * 1e-3);
    let still = format.still_angle_deg.value.to_radians();
    (u * still.sin()).hypot(u * still.cos() - v)
}
