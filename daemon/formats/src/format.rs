//! The table of formats. Values and how sure we are of each follow the project's reference tables.

mod table;

use table::FORMATS;

/// How sure a table value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Surety {
    /// Read on a page about the format.
    Read,
    /// From memory, and it closes a consistency relation.
    MemoryAndRelation,
    /// From memory alone.
    Memory,
    /// Computed from the other values of the row.
    Computed,
    /// Common practice, no source.
    Practice,
}

/// A value and how sure it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sourced {
    /// The value, in the unit that the field's name ends with.
    pub value: f64,
    /// How sure.
    pub surety: Surety,
}

/// The two line standards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineStandard {
    /// 525 lines, 60000/1001 fields a second.
    L525,
    /// 625 lines, 50 fields a second.
    L625,
}

impl LineStandard {
    /// Fields a second.
    #[must_use]
    pub const fn field_rate_hz(self) -> f64 {
        match self {
            Self::L525 => 60000.0 / 1001.0,
            Self::L625 => 50.0,
        }
    }

    /// Frames a second: the rate of a two-head drum, and of control pulses.
    #[must_use]
    pub const fn frame_rate_hz(self) -> f64 {
        self.field_rate_hz() / 2.0
    }

    /// Lines a second.
    #[must_use]
    pub const fn line_rate_hz(self) -> f64 {
        match self {
            Self::L525 => 4.5e6 / 286.0,
            Self::L625 => 15_625.0,
        }
    }

    /// Lines in one scan of a head.
    #[must_use]
    pub const fn lines_a_scan(self) -> f64 {
        match self {
            Self::L525 => 262.5,
            Self::L625 => 312.5,
        }
    }
}

/// Tape speed of a format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TapeSpeed {
    /// Standard play.
    Sp,
    /// Long play: half.
    Lp,
    /// Extended play: a third.
    Ep,
}

/// One format at one tape speed. Lengths in the unit that the name ends with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Format {
    /// Our name of it, e.g. `vhs-525-sp`.
    pub name: &'static str,
    /// Line standard.
    pub lines: LineStandard,
    /// Tape speed.
    pub speed: TapeSpeed,
    /// Drum diameter, of the full-size drum.
    pub drum_diameter_mm: Sourced,
    /// Tape speed.
    pub tape_speed_mm_s: Sourced,
    /// Track pitch as tables give it; see [`crate::relations::pitch_um`] for the computed one.
    pub pitch_um: Sourced,
    /// Track angle with the tape at rest.
    pub still_angle_deg: Sourced,
    /// Azimuth of head A's gap; head B has the other sign.
    pub azimuth_deg: Sourced,
    /// FM carrier at sync tip.
    pub fm_sync_hz: Sourced,
    /// FM carrier at peak white.
    pub fm_white_hz: Sourced,
    /// Colour-under carrier (of head A where the heads differ).
    pub colour_under_hz: Sourced,
    /// Whether control pulses lie on the tape.
    pub control_track: bool,
    /// Head gap length.
    pub gap_um: Sourced,
}

/// Every format of the table.
#[must_use]
pub fn formats() -> &'static [Format] {
    FORMATS
}

/// A format by its name.
#[must_use]
pub fn format_named(name: &str) -> Option<&'static Format> {
    FORMATS.iter().find(|f| f.name == name)
}
