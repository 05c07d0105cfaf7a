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

    /// What is printed of one quantity for one line standard, and how far the table may be from it.
    type Printed = (f64, f64);

    /// Its name, where the table has it, what is printed for 525 and for 625 lines. Times, counts of pulses, sync tips and
    /// bursts are read on pages, the pulses of field sync on the data sheet of a video encoder; set-up and white of 525 lines
    /// are computed from IRE units, white of 625 lines is from memory.
    type Row = (&'static str, fn(&VideoTiming) -> f64, Printed, Printed);

    const PRINTED: [Row; 16] = [
        ("line, us", |v| v.line_us.value, (63.5556, 5e-5), (64.0, 5e-4)),
        ("horizontal sync, us", |v| v.h_sync_us.value, (4.7, 1e-9), (4.7, 1e-9)),
        ("blanking, us", |v| v.h_blanking_us.value, (10.9, 1e-9), (12.05, 1e-9)),
        // A page's distance from the leading edge of sync to the end of blanking.
        ("end of blanking, us", |v| v.h_blanking_us.value - v.front_porch_us.value, (9.4, 1e-9), (10.5, 1e-9)),
        ("sync tip, mV", |v| v.sync_tip_mv.value, (-285.7, 0.05), (-300.0, 0.05)),
        ("set-up, mV", |v| v.black_mv.value, (53.6, 0.05), (0.0, 0.05)),
        ("white, mV", |v| v.white_mv.value, (714.3, 0.05), (700.0, 0.05)),
        ("sync to white, mV", |v| v.white_mv.value - v.sync_tip_mv.value, (1000.0, 1e-9), (1000.0, 1e-9)),
        ("burst, mV", |v| v.burst_pp_mv.value, (285.7, 0.05), (300.0, 0.05)),
        ("broad pulses", |v| f64::from(v.broad_pulses), (6.0, 0.0), (5.0, 0.0)),
        ("broad pulse, us", |v| v.broad_us.value, (27.1, 0.05), (27.3, 0.05)),
        ("serration, us", |v| v.serration_us.value, (4.7, 1e-9), (4.7, 1e-9)),
        ("equalising pulses", |v| f64::from(v.equalising_pulses), (6.0, 0.0), (5.0, 0.0)),
        // The sheet has 2.35 us for both. For 525 lines 2.3 +-0.1 is taken, from memory.
        ("equalising pulse, us", |v| v.equalising_us.value, (2.35, 0.1), (2.35, 1e-9)),
        ("equalising high part, us", equalising_high_us, (29.43, 0.1), (29.65, 5e-3)),
        ("field sync, lines", field_sync_lines, (9.0, 1e-9), (7.5, 1e-9)),
    ];

    fn equalising_high_us(v: &VideoTiming) -> f64 {
        v.line_us.value / 2.0 - v.equalising_us.value
    }

    /// From the first equalising pulse to the last: 3 + 3 + 3, or 2.5 + 2.5 + 2.5.
    fn field_sync_lines(v: &VideoTiming) -> f64 {
        f64::from(2 * v.equalising_pulses + v.broad_pulses) / 2.0
    }

    /// The first quantity that is not as printed for a line standard.
    fn contradiction(v: &VideoTiming, lines: LineStandard) -> Option<&'static str> {
        let differs = |(_, of, of_525, of_625): &&Row| {
            let (want, within) = if lines == LineStandard::L525 { *of_525 } else { *of_625 };
            (of(v) - want).abs() > within
        };
        PRINTED.iter().find(differs).map(|row| row.0)
    }

    #[test]
    fn timing_and_levels_are_as_printed() {
        for lines in [LineStandard::L525, LineStandard::L625] {
            assert_eq!(contradiction(lines.video(), lines), None, "{lines:?}");
        }
        // Sums to half a line: with 2.35 us the high part of 525 lines is the printed one.
        let sheet = VideoTiming { equalising_us: memory(2.35), ..VIDEO_525 };
        assert!((equalising_high_us(&sheet) - 29.43).abs() < 5e-3);
        assert!((equalising_high_us(&VIDEO_525) - 29.48).abs() < 5e-3);
    }

    /// What another standard, another variant and a wrong page would say.
    #[test]
    fn other_timing_and_levels_are_refused() {
        #[track_caller]
        fn refused(by: &str, lines: LineStandard, change: impl FnOnce(&mut VideoTiming)) {
            let mut changed = *lines.video();
            change(&mut changed);
            assert_eq!(contradiction(&changed, lines), Some(by), "{lines:?}");
        }
        use LineStandard::{L525, L625};
        refused("line, us", L525, |v| *v = VIDEO_625);
        refused("line, us", L625, |v| *v = VIDEO_525);
        // The other front porches that pages print do not close blanking.
        for porch in [1.5, 1.65] {
            refused("end of blanking, us", L625, |v| v.front_porch_us.value = porch);
        }
        // Levels of one standard in the other.
        refused("sync tip, mV", L525, |v| v.sync_tip_mv.value = -300.0);
        refused("white, mV", L525, |v| v.white_mv.value = 700.0);
        refused("burst, mV", L625, |v| v.burst_pp_mv.value = 285.7);
        // The variant without set-up; and a page that has black 51 mV above blanking for 625 lines.
        refused("set-up, mV", L525, |v| v.black_mv.value = 0.0);
        refused("set-up, mV", L625, |v| v.black_mv.value = 339.0 - 288.0);
        // Pulses.
        refused("broad pulses", L525, |v| v.broad_pulses = 5);
        refused("broad pulse, us", L625, |v| v.broad_us.value = 27.078);
        refused("equalising pulses", L625, |v| v.equalising_pulses = 6);
        refused("equalising pulse, us", L525, |v| v.equalising_us.value = 4.7);
    }

    #[test]
    fn the_burst_lies_inside_blanking() {
        for lines in [LineStandard::L525, LineStandard::L625] {
            let v = lines.video();
            assert!((v.line_us.value - 1e6 / lines.line_rate_hz()).abs() <= 1e-9, "{lines:?}");
            let blanking_end = v.h_blanking_us.value - v.front_porch_us.value;
            assert!(v.burst_start_us.value + v.burst_us() < blanking_end, "{lines:?}");
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
