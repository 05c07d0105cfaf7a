//! Timing and levels of composite video, for both line standards.
//!
//! Widths are between 50 % points, levels are counted from blanking into 75 ohm. Where sources
//! disagree, the comment says which value was taken and which others were seen; the tolerance then
//! covers them.

use crate::format::{LineStandard, Sourced, Surety};

const fn read(value: f64) -> Sourced {
    Sourced { value, surety: Surety::Read }
}

const fn memory(value: f64) -> Sourced {
    Sourced { value, surety: Surety::Memory }
}

const fn computed(value: f64) -> Sourced {
    Sourced { value, surety: Surety::Computed }
}

/// Timing and levels of one line standard. Lengths in the unit that the name ends with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VideoTiming {
    /// Line period.
    pub line_us: Sourced,
    /// Horizontal blanking.
    pub h_blanking_us: Sourced,
    /// Start of blanking to the leading edge of sync.
    pub front_porch_us: Sourced,
    /// Horizontal sync pulse.
    pub h_sync_us: Sourced,
    /// Rise and fall of sync, 10 % to 90 %.
    pub sync_edge_us: Sourced,
    /// Leading edge of sync to the start of the colour burst.
    pub burst_start_us: Sourced,
    /// Whole cycles of the burst.
    pub burst_cycles: Sourced,
    /// Colour subcarrier.
    pub subcarrier_hz: Sourced,
    /// Equalising pulses before the field sync, and as many after it; half a line apart.
    pub equalising_pulses: u32,
    /// Width of an equalising pulse.
    pub equalising_us: Sourced,
    /// Broad pulses of the field sync; half a line apart.
    pub broad_pulses: u32,
    /// Width of a broad pulse (its low part).
    pub broad_us: Sourced,
    /// High part between two broad pulses.
    pub serration_us: Sourced,
    /// Lines of field blanking.
    pub field_blanking_lines: Sourced,
    /// Level of the sync tip.
    pub sync_tip_mv: Sourced,
    /// Level of black: the set-up (525 lines; none in the Japanese variant).
    pub black_mv: Sourced,
    /// Level of white.
    pub white_mv: Sourced,
    /// Colour burst, peak to peak.
    pub burst_pp_mv: Sourced,
    /// Head-switching point before the leading edge of the first broad pulse, in lines (nominal; 5 to 8 are
    /// allowed, from memory: `6.5 H +-1.5 H`; a textbook says seven lines).
    pub switching_lines: Sourced,
}

/// 525 lines. To be checked in SMPTE 170M and ITU-R BT.1700.
pub const VIDEO_525: VideoTiming = VideoTiming {
    line_us: computed(572.0 / 9.0),
    h_blanking_us: read(10.9),
    // From memory +-0.1; closes h_blanking together with 9.4 us from sync to the end of blanking.
    front_porch_us: memory(1.5),
    h_sync_us: read(4.7),
    // From memory 0.140 +-0.020; a page prints 0.25.
    sync_edge_us: memory(0.140),
    // 19 cycles of the subcarrier.
    burst_start_us: computed(19.0 / 3.579_545_454_545_454_6),
    burst_cycles: read(9.0),
    subcarrier_hz: computed(315.0e6 / 88.0),
    equalising_pulses: 6,
    // From memory 2.3 +-0.1; a page prints 2.35.
    equalising_us: memory(2.3),
    broad_pulses: 6,
    broad_us: computed(572.0 / 18.0 - 4.7),
    serration_us: read(4.7),
    // From memory 20; a page prints 21.
    field_blanking_lines: read(21.0),
    sync_tip_mv: computed(-2000.0 / 7.0),
    black_mv: computed(7.5 * 50.0 / 7.0),
    white_mv: computed(5000.0 / 7.0),
    burst_pp_mv: computed(2000.0 / 7.0),
    switching_lines: memory(6.5),
};

/// 625 lines. To be checked in ITU-R BT.470 and BT.1700.
pub const VIDEO_625: VideoTiming = VideoTiming {
    line_us: computed(64.0),
    // A page prints 12.05; from memory 12.0 +-0.3.
    h_blanking_us: read(12.05),
    // Pages print 1.5, 1.55 and 1.65: the one that closes blanking with 10.5 us is taken.
    front_porch_us: read(1.55),
    h_sync_us: read(4.7),
    sync_edge_us: read(0.20),
    burst_start_us: read(5.6),
    burst_cycles: read(10.0),
    subcarrier_hz: computed(283.75 * 15_625.0 + 25.0),
    equalising_pulses: 5,
    equalising_us: read(2.35),
    broad_pulses: 5,
    broad_us: computed(32.0 - 4.7),
    serration_us: read(4.7),
    field_blanking_lines: read(25.0),
    sync_tip_mv: computed(-300.0),
    black_mv: computed(0.0),
    white_mv: memory(700.0),
    burst_pp_mv: read(300.0),
    switching_lines: memory(6.5),
};

impl LineStandard {
    /// Timing and levels of the composite signal.
    #[must_use]
    pub const fn video(self) -> &'static VideoTiming {
        match self {
            Self::L525 => &VIDEO_525,
            Self::L625 => &VIDEO_625,
        }
    }
}

impl VideoTiming {
    /// Share of the step from sync tip to white at which blanking lies: R9's `sync / (sync + white)`.
    #[must_use]
    pub fn blanking_share(&self) -> f64 {
        self.sync_tip_mv.value / (self.sync_tip_mv.value - self.white_mv.value)
    }

    /// Length of the burst, in microseconds.
    #[must_use]
    pub fn burst_us(&self) -> f64 {
        self.burst_cycles.value / self.subcarrier_hz.value * 1e6
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_of_a_line_and_a_field_add_up() {
        for (lines, to_blanking_end_us) in [(LineStandard::L525, 9.4), (LineStandard::L625, 10.5)] {
            let v = lines.video();
            let near = |what: &str, got: f64, want: f64, within: f64| {
                assert!((got - want).abs() <= within, "{lines:?} {what}: {got}, expected {want}");
            };
            near("line", v.line_us.value, 1e6 / lines.line_rate_hz(), 1e-9);
            near("blanking", v.front_porch_us.value + to_blanking_end_us, v.h_blanking_us.value, 1e-9);
            near("broad", v.broad_us.value + v.serration_us.value, v.line_us.value / 2.0, 1e-9);
            near("levels", v.white_mv.value - v.sync_tip_mv.value, 1000.0, 1e-9);
            let burst_end = v.burst_start_us.value + v.burst_us();
            assert!(burst_end < to_blanking_end_us, "{lines:?}: the burst lies inside blanking");
        }
    }

    #[test]
    fn subcarriers_and_bursts_have_their_known_values() {
        assert!((VIDEO_525.subcarrier_hz.value / LineStandard::L525.line_rate_hz() - 227.5).abs() < 1e-9);
        assert!((VIDEO_525.burst_us() - 2.514).abs() < 5e-4);
        assert!((VIDEO_625.burst_us() - 2.255).abs() < 6e-4);
        assert!((VIDEO_525.burst_start_us.value - 5.308).abs() < 5e-4);
        assert!((VIDEO_525.blanking_share() - 40.0 / 140.0).abs() < 1e-12);
        assert!((VIDEO_625.blanking_share() - 0.3).abs() < 1e-12);
    }
}
