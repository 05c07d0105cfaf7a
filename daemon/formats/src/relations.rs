//! The relations of helical-scan geometry, R1 to R14.
//!
//! Geometry: `u = pi D f_d` is the speed of the head, `v` the tape's; head and tape move the same way along
//! the track. Derivations are elementary (velocity triangle of head and tape). The numbers of the
//! relations are the project's own.

use crate::format::{Format, LineStandard};
use core::f64::consts::PI;

/// Speed of a head, in metres a second: `u = pi D f_d`.
#[must_use]
pub fn head_speed_m_s(format: &Format) -> f64 {
    PI * format.drum_diameter_mm.value * 1e-3 * format.lines.frame_rate_hz()
}

/// R1: track pitch, in micrometres: `P = v sin(th) / f_V`.
#[must_use]
pub fn pitch_um(format: &Format) -> f64 {
    let angle = running_angle_deg(format).to_radians();
    format.tape_speed_mm_s.value * 1e3 * angle.sin() / format.lines.field_rate_hz()
}

/// R2: angle of the recorded track with the tape running, in degrees:
/// `tan(th) = u sin(th0) / (u cos(th0) - v)`.
#[must_use]
pub fn running_angle_deg(format: &Format) -> f64 {
    let (u, v) = (head_speed_m_s(format), format.tape_speed_mm_s.value * 1e-3);
    let still = format.still_angle_deg.value.to_radians();
    (u * still.sin()).atan2(u * still.cos() - v).to_degrees()
}

/// R3: effective width of the video band of a 180 degree sweep, in millimetres: `W = (pi D / 2) sin(th0)`.
#[must_use]
pub fn band_width_mm(format: &Format) -> f64 {
    PI * format.drum_diameter_mm.value / 2.0 * format.still_angle_deg.value.to_radians().sin()
}

/// R4: writing speed, in metres a second.
#[must_use]
pub fn writing_speed_m_s(format: &Format) -> f64 {
    let (u, v) = (head_speed_m_s(format), format.tape_speed_mm_s.value * 1e-3);
    let still = format.still_angle_deg.value.to_radians();
    (u * still.sin()).hypot(u * still.cos() - v)
}

/// R5: how far a head drifts sideways in one sweep over resting tape, in micrometres:
/// `(pi D / 2) sin(th - th0)`. Exactly one pitch (R1 by the sine rule).
#[must_use]
pub fn still_drift_um(format: &Format) -> f64 {
    let difference = (running_angle_deg(format) - format.still_angle_deg.value).to_radians();
    PI * format.drum_diameter_mm.value * 1e3 / 2.0 * difference.sin()
}

/// R6: offset of neighbouring tracks along the track, in lines:
/// `(v cos(th) / f_V) / (v_w / f_H)`. A design constant, a multiple of a quarter line but for U.
#[must_use]
pub fn line_shift(format: &Format) -> f64 {
    let along = format.tape_speed_mm_s.value * 1e-3 * running_angle_deg(format).to_radians().cos();
    along / format.lines.field_rate_hz() / (writing_speed_m_s(format) / format.lines.line_rate_hz())
}

/// Length of a line on the tape, in micrometres: `v_w / f_H`.
#[must_use]
pub fn line_on_tape_um(format: &Format) -> f64 {
    writing_speed_m_s(format) / format.lines.line_rate_hz() * 1e6
}

/// R7: spacing of control pulses on the tape, in millimetres: `v / frame rate`. None where the format has none.
#[must_use]
pub fn control_spacing_mm(format: &Format) -> Option<f64> {
    format.control_track.then(|| format.tape_speed_mm_s.value / format.lines.frame_rate_hz())
}

/// R8: positions across half-inch tape from its lower edge, in millimetres (from memory; R8 closes).
pub mod half_inch_tape {
    /// Width of the tape.
    pub const WIDTH_MM: f64 = 12.65;
    /// Lower edge of the linear audio track, which reaches to the upper edge of the tape.
    pub const AUDIO_FROM_MM: f64 = 11.65;
    /// Width of the audio track.
    pub const AUDIO_MM: f64 = 1.0;
    /// Width of the control track, which begins at the lower edge.
    pub const CONTROL_MM: f64 = 0.75;
    /// Centre of the video band.
    pub const VIDEO_CENTRE_MM: f64 = 6.2;
    /// Total width of the video band.
    pub const VIDEO_MM: f64 = 10.60;
}

/// R9: deviation from sync tip to peak white, in hertz.
#[must_use]
pub fn deviation_hz(format: &Format) -> f64 {
    format.fm_white_hz.value - format.fm_sync_hz.value
}

/// R9: carrier at blanking, static and without pre-emphasis, in hertz: `f_s + df sync / (sync + white)`.
#[must_use]
pub fn blanking_hz(format: &Format) -> f64 {
    format.fm_sync_hz.value + deviation_hz(format) * format.lines.video().blanking_share()
}

/// R10: colour-under carrier in lines: `f_c / f_H`, a multiple of an eighth.
#[must_use]
pub fn colour_under_lines(format: &Format) -> f64 {
    format.colour_under_hz.value / format.lines.line_rate_hz()
}

/// R11: a smaller drum that writes the same track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SmallDrum {
    /// Diameter.
    pub diameter_mm: f64,
    /// Wrap that makes one field.
    pub wrap_deg: f64,
    /// Turns a second.
    pub rate_hz: f64,
}

/// R11: `D_c wrap_c = D 180 deg`, `D_c rate_c = D f_d`; with two thirds of the diameter the wrap is 270
/// degrees and the rate one and a half frames.
#[must_use]
pub fn small_drum(format: &Format) -> SmallDrum {
    let share = 2.0 / 3.0;
    SmallDrum {
        diameter_mm: format.drum_diameter_mm.value * share,
        wrap_deg: 180.0 / share,
        rate_hz: format.lines.frame_rate_hz() / share,
    }
}

/// R12: lines a sweep: `f_H / f_V`.
#[must_use]
pub fn lines_a_sweep(lines: LineStandard) -> f64 {
    lines.line_rate_hz() / lines.field_rate_hz()
}

/// R13: what an error of the control head's place does to tracking, in pitches: `dX f_V / v`.
#[must_use]
pub fn tracking_of_x_error(format: &Format, x_error_mm: f64) -> f64 {
    x_error_mm * format.lines.field_rate_hz() / format.tape_speed_mm_s.value
}

/// R13: and as a delay of the control pulse, in seconds: `dX / v`.
#[must_use]
pub fn delay_of_x_error_s(format: &Format, x_error_mm: f64) -> f64 {
    x_error_mm / format.tape_speed_mm_s.value
}

/// R14: turn of a two-head drum in one line, in degrees: `360 f_d / f_H`.
#[must_use]
pub fn degrees_a_line(lines: LineStandard) -> f64 {
    360.0 * lines.frame_rate_hz() / lines.line_rate_hz()
}
