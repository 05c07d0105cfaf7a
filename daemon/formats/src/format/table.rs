//! The rows. Values that were read, or recalled, and how sure we are of each.
//!
//! To be checked in: IEC 60774-1 (VHS), 60774-3 (S-VHS), IEC 60767 (Beta), IEC 60843-1 (8 mm), IEC 60712
//! (U). None of them was open in full when this was written; `MemoryAndRelation` closes a relation of
//! [`crate::relations`], which proves the set more than the single value.

use super::{Format, LineStandard, Sourced, Surety, TapeSpeed};
use LineStandard::{L525, L625};
use TapeSpeed::{Ep, Lp, Sp};

const fn read(value: f64) -> Sourced {
    Sourced { value, surety: Surety::Read }
}

const fn memory(value: f64) -> Sourced {
    Sourced { value, surety: Surety::Memory }
}

const fn related(value: f64) -> Sourced {
    Sourced { value, surety: Surety::MemoryAndRelation }
}

const fn dms(degrees: f64, minutes: f64, seconds: f64) -> f64 {
    degrees + minutes / 60.0 + seconds / 3600.0
}

pub(super) const FORMATS: &[Format] = &[
    vhs("vhs-525-sp", L525, Sp, read(33.35), related(58.0)),
    vhs("vhs-525-lp", L525, Lp, memory(16.67), related(29.0)),
    vhs("vhs-525-ep", L525, Ep, memory(11.12), related(19.3)),
    vhs("vhs-625-sp", L625, Sp, read(23.39), read(49.0)),
    vhs("vhs-625-lp", L625, Lp, read(11.70), related(24.5)),
    vhs("vhs-625-ep", L625, Ep, read(7.80), related(16.0)),
    s_vhs("s-vhs-525-sp", L525, read(33.35), related(58.0)),
    s_vhs("s-vhs-625-sp", L625, read(23.39), read(49.0)),
    beta("beta-525-i", L525, Sp, read(40.0), related(58.5)),
    beta("beta-525-ii", L525, Lp, read(20.0), related(29.2)),
    beta("beta-525-iii", L525, Ep, memory(13.33), related(19.5)),
    beta("beta-625", L625, Sp, read(18.73), read(32.8)),
    eight("8mm-525-sp", L525, Sp, read(14.345), read(20.5)),
    eight("8mm-525-lp", L525, Lp, related(7.186), related(10.3)),
    // Pages print 20.05 and 10.06. The last digits of 20.051 and 10.058 are from memory; with 20.051 R2 and R6 close to their
    // own last digit.
    eight("8mm-625-sp", L625, Sp, related(20.051), read(34.4)),
    eight("8mm-625-lp", L625, Lp, related(10.058), related(17.2)),
    u("u-525", L525, related(137.0)),
    u("u-625", L625, related(165.0)),
];

const fn vhs(
    name: &'static str,
    lines: LineStandard,
    speed: TapeSpeed,
    tape_speed_mm_s: Sourced,
    pitch_um: Sourced,
) -> Format {
    let (fm_sync_hz, fm_white_hz, colour_under_hz) = match lines {
        L525 => (read(3.4e6), memory(4.4e6), read(40.0 * L525.line_rate_hz())),
        L625 => (read(3.8e6), read(4.8e6), read(40.125 * L625.line_rate_hz())),
    };
    Format {
        name,
        lines,
        speed,
        drum_diameter_mm: read(62.0),
        tape_speed_mm_s,
        pitch_um,
        still_angle_deg: related(dms(5.0, 56.0, 7.4)),
        azimuth_deg: read(6.0),
        fm_sync_hz,
        fm_white_hz,
        colour_under_hz,
        control_track: true,
        // A textbook prints 0.25, in a doubtful scan; 0.25 to 0.3 is usual. The 0.3 is from memory, no page has it.
        gap_um: memory(0.3),
    }
}

const fn s_vhs(name: &'static str, lines: LineStandard, tape_speed_mm_s: Sourced, pitch_um: Sourced) -> Format {
    Format {
        fm_sync_hz: read(5.4e6),
        fm_white_hz: read(7.0e6),
        colour_under_hz: match lines {
            L525 => read(40.0 * L525.line_rate_hz()),
            L625 => memory(40.125 * L625.line_rate_hz()),
        },
        gap_um: memory(0.25),
        ..vhs(name, lines, TapeSpeed::Sp, tape_speed_mm_s, pitch_um)
    }
}

const fn beta(
    name: &'static str,
    lines: LineStandard,
    speed: TapeSpeed,
    tape_speed_mm_s: Sourced,
    pitch_um: Sourced,
) -> Format {
    let (fm_sync_hz, fm_white_hz, colour_under_hz) = match lines {
        L525 => (memory(3.5e6), memory(4.8e6), memory(43.75 * L525.line_rate_hz())),
        // Head A; head B's is 44.125 lines.
        L625 => (read(3.8e6), read(5.2e6), read(43.875 * L625.line_rate_hz())),
    };
    Format {
        name,
        lines,
        speed,
        drum_diameter_mm: read(74.487),
        tape_speed_mm_s,
        pitch_um,
        still_angle_deg: related(5.0),
        azimuth_deg: read(7.0),
        fm_sync_hz,
        fm_white_hz,
        colour_under_hz,
        control_track: true,
        gap_um: memory(0.4),
    }
}

const fn eight(
    name: &'static str,
    lines: LineStandard,
    speed: TapeSpeed,
    tape_speed_mm_s: Sourced,
    pitch_um: Sourced,
) -> Format {
    Format {
        name,
        lines,
        speed,
        drum_diameter_mm: read(40.0),
        tape_speed_mm_s,
        pitch_um,
        still_angle_deg: related(dms(4.0, 53.0, 6.0)),
        azimuth_deg: read(10.0),
        fm_sync_hz: read(4.2e6),
        fm_white_hz: read(5.4e6),
        colour_under_hz: match lines {
            L525 => memory(47.25 * L525.line_rate_hz()),
            L625 => read(46.875 * L625.line_rate_hz()),
        },
        // Pilot tones under the video tracks instead.
        control_track: false,
        gap_um: memory(0.25),
    }
}

const fn u(name: &'static str, lines: LineStandard, pitch_um: Sourced) -> Format {
    Format {
        name,
        lines,
        speed: TapeSpeed::Sp,
        drum_diameter_mm: related(110.0),
        // 3.75 inches a second, rounded up in tables.
        tape_speed_mm_s: read(95.3),
        pitch_um,
        still_angle_deg: related(dms(4.0, 54.0, 49.1)),
        // A guard band keeps the tracks apart: the track is narrower than the pitch (85 and 125 um, from memory).
        azimuth_deg: memory(0.0),
        fm_sync_hz: memory(3.8e6),
        fm_white_hz: memory(5.4e6),
        colour_under_hz: match lines {
            L525 => memory(43.75 * L525.line_rate_hz()),
            L625 => memory(43.875 * L625.line_rate_hz()),
        },
        control_track: true,
        gap_um: memory(0.6),
    }
}
