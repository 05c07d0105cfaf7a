//! Which way from RF to a level a scope can go.

use crate::bench::Abilities;
use tapewright_formats::Format;
use tapewright_measure::carrier::LEAST_SAMPLES_A_CYCLE;

/// Seconds of transfer that a whole set of captures may take. Common practice, no source: a
/// technician waits half a minute for a better number, not ten.
pub const BEARABLE_S: f64 = 30.0;

/// The way from RF to a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Way {
    /// Sampled fast: at least so many samples a second.
    Carrier {
        /// Least sample rate.
        rate_hz: f64,
    },
    /// Pairs of least and greatest.
    Peaks,
    /// Under-sampled, by its power.
    Power,
}

impl Way {
    /// The best way that the scope can go for `captures` records of `span_s`: sampled fast where one
    /// record fits the memory and all of them take a bearable time, else as [`Self::slow`].
    #[must_use]
    pub fn choose(can: &Abilities, format: &Format, span_s: f64, captures: u32) -> Self {
        let rate_hz = LEAST_SAMPLES_A_CYCLE * format.fm_white_hz.value * 1.001;
        // The scope takes the next rate that it has, at most two and a half times as fast (1, 2, 5 steps).
        let points = 2.5 * span_s * rate_hz;
        let transfer_s = f64::from(captures) * points * can.seconds_a_point;
        if can.greatest_rate_hz >= rate_hz && points <= f64::from(can.greatest_points) && transfer_s <= BEARABLE_S {
            Self::Carrier { rate_hz }
        } else {
            Self::slow(can, format)
        }
    }

    /// The way for few points: peak detection where it catches a quarter cycle of the highest
    /// carrier, else the power of under-sampled RF.
    #[must_use]
    pub fn slow(can: &Abilities, format: &Format) -> Self {
        let quarter_s = 0.25 / format.fm_white_hz.value;
        if can.peak_pulse_s.is_some_and(|caught_s| caught_s <= quarter_s) { Self::Peaks } else { Self::Power }
    }

    /// The way in a few words, for a note.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Carrier { .. } => "RF sampled fast, its carrier's band filtered out",
            Self::Peaks => "peak-detect pairs, the lift of the noise taken off",
            Self::Power => "power of under-sampled RF, the noise's power taken off",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_formats::formats;

    fn scope(points: u32, rate: f64, peak_pulse_s: Option<f64>, seconds_a_point: f64) -> Abilities {
        Abilities {
            channels: 2,
            greatest_points: points,
            greatest_rate_hz: rate,
            peak_pulse_s,
            video_trigger: true,
            seconds_a_point,
        }
    }

    #[test]
    fn the_way_follows_from_what_the_scope_can_do() {
        let format = &formats()[0];
        let scan = 1.02 / format.lines.field_rate_hz();
        let is_fast = |way| matches!(way, Way::Carrier { .. });
        for (can, fast, slow) in [
            (scope(2_500, 100e6, Some(10e-9), 1.1e-5), false, Way::Peaks),
            (scope(2_500, 100e6, Some(500e-9), 1.1e-5), false, Way::Power),
            (scope(2_500, 100e6, None, 1.1e-5), false, Way::Power),
            (scope(2_000_000, 200e6, Some(10e-9), 1e-7), true, Way::Peaks),
            (scope(2_000_000, 10e6, Some(10e-9), 1e-7), false, Way::Peaks),
            // The same memory over a slow line would take minutes.
            (scope(2_000_000, 200e6, Some(10e-9), 1e-4), false, Way::Peaks),
        ] {
            assert_eq!(is_fast(Way::choose(&can, format, scan, 17)), fast, "{can:?}");
            assert_eq!(Way::slow(&can, format), slow, "{can:?}");
        }
    }
}
