//! What an instrument can do, and how true it is, by its own data sheet.

use super::fields::Fields;

/// Which settings a knob has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steps {
    /// Any value.
    Any,
    /// 1, 2, 5, 10, 20...
    OneTwoFive,
}

impl Steps {
    /// The least setting that is not below `value`.
    #[must_use]
    pub fn at_least(self, value: f64) -> f64 {
        if self == Self::Any || !(value.is_finite() && value > 0.0) {
            return value;
        }
        let decade = 10_f64.powf(value.log10().floor());
        // A hair of slack, so that rounding never turns 2 into 5.
        [1.0, 2.0, 5.0, 10.0]
            .iter()
            .map(|m| m * decade)
            .find(|step| *step >= value * (1.0 - 1e-9))
            .unwrap_or(10.0 * decade)
    }
}

/// Limits of an instrument. Volts are at its input connector, before any probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Fewest points a trace.
    pub least_points: u32,
    /// Most points a trace.
    pub greatest_points: u32,
    /// Points where nobody asks for a number.
    pub usual_points: u32,
    /// The only point counts there are, rising; empty: any.
    pub point_counts: Vec<u32>,
    /// Most points in one reading of data.
    pub points_a_read: u32,
    /// Greatest sample rate.
    pub greatest_rate_hz: f64,
    /// Shortest record.
    pub least_span_s: f64,
    /// Longest record.
    pub greatest_span_s: f64,
    /// Settings of the time base.
    pub span_steps: Steps,
    /// Divisions of the screen in time.
    pub time_divisions: f64,
    /// Divisions of the screen in level.
    pub level_divisions: f64,
    /// Steps of the converter a division.
    pub steps_a_division: f64,
    /// Bits of the converter.
    pub converter_bits: u32,
    /// Most sensitive setting.
    pub least_volts_a_division: f64,
    /// Least sensitive setting.
    pub greatest_volts_a_division: f64,
    /// Settings of the vertical range.
    pub range_steps: Steps,
    /// Farthest offset.
    pub greatest_offset_v: f64,
    /// Farthest offset in divisions too, where the instrument has such a limit.
    pub greatest_offset_divisions: Option<f64>,
    /// Shortest pulse that peak detection catches; none: it has no peak detection.
    pub peak_pulse_s: Option<f64>,
    /// Whether it triggers on video fields and lines.
    pub video_trigger: bool,
    /// Analogue bandwidth.
    pub bandwidth_hz: f64,
    /// Rest after a change of range.
    pub settle_s: f64,
    /// Largest relative error of the gain.
    pub gain_tolerance: f64,
    /// Largest error of the offset: this part in divisions...
    pub offset_tolerance_divisions: f64,
    /// ...and this in volts.
    pub offset_tolerance_v: f64,
    /// Largest relative error of the time base.
    pub timebase_tolerance: f64,
}

impl Limits {
    /// Steps of the converter in all.
    #[must_use]
    pub fn steps(&self) -> f64 {
        f64::from(1_u32 << self.converter_bits)
    }

    /// Volts over all steps at a setting.
    #[must_use]
    pub fn full_scale(&self, volts_a_division: f64) -> f64 {
        volts_a_division * self.steps() / self.steps_a_division
    }

    /// The fewest points there are that are not below `points`; none if it is too many.
    #[must_use]
    pub fn points_for(&self, points: u32) -> Option<u32> {
        if self.point_counts.is_empty() {
            return (points <= self.greatest_points).then_some(points.max(self.least_points));
        }
        self.point_counts.iter().copied().find(|&count| count >= points)
    }

    /// Reads the table; what is missing comes from `base`, and is a fault where there is none.
    pub(super) fn read(fields: &mut Fields<'_>, base: Option<&Self>) -> Self {
        let b = base;
        let steps = |fields: &mut Fields<'_>, key, base: Option<Steps>| match fields.one_of(
            key,
            &["any", "1-2-5"],
            base.map(|_| ""),
        ) {
            Some(1) => Steps::OneTwoFive,
            Some(_) => Steps::Any,
            None => base.unwrap_or(Steps::Any),
        };
        Self {
            least_points: fields.integer("least-points", 2, 1 << 30, b.map(|b| b.least_points)),
            greatest_points: fields.integer("greatest-points", 2, 1 << 30, b.map(|b| b.greatest_points)),
            usual_points: fields.integer("usual-points", 2, 1 << 30, b.map(|b| b.usual_points)),
            point_counts: fields.integers("point-counts", b.map_or(&[], |b| &b.point_counts)),
            points_a_read: fields.integer("points-a-read", 2, 1 << 30, b.map(|b| b.points_a_read)),
            greatest_rate_hz: fields.number("greatest-rate-hz", 1.0, 1e13, b.map(|b| b.greatest_rate_hz)),
            least_span_s: fields.number("least-span-s", 1e-12, 1e6, b.map(|b| b.least_span_s)),
            greatest_span_s: fields.number("greatest-span-s", 1e-9, 1e7, b.map(|b| b.greatest_span_s)),
            span_steps: steps(fields, "span-steps", b.map(|b| b.span_steps)),
            time_divisions: fields.number("time-divisions", 1.0, 100.0, b.map(|b| b.time_divisions)),
            level_divisions: fields.number("level-divisions", 1.0, 100.0, b.map(|b| b.level_divisions)),
            steps_a_division: fields.number("steps-a-division", 1.0, 65536.0, b.map(|b| b.steps_a_division)),
            converter_bits: fields.integer("converter-bits", 4, 16, b.map(|b| b.converter_bits)),
            least_volts_a_division: fields.number(
                "least-volts-a-division",
                1e-9,
                1e4,
                b.map(|b| b.least_volts_a_division),
            ),
            greatest_volts_a_division: fields.number(
                "greatest-volts-a-division",
                1e-9,
                1e5,
                b.map(|b| b.greatest_volts_a_division),
            ),
            range_steps: steps(fields, "range-steps", b.map(|b| b.range_steps)),
            greatest_offset_v: fields.number("greatest-offset-v", 0.0, 1e6, b.map(|b| b.greatest_offset_v)),
            greatest_offset_divisions: fields.maybe_number(
                "greatest-offset-divisions",
                1.0,
                1e6,
                b.and_then(|b| b.greatest_offset_divisions),
            ),
            peak_pulse_s: fields.maybe_number("peak-pulse-s", 1e-12, 1.0, b.and_then(|b| b.peak_pulse_s)),
            video_trigger: fields.boolean("video-trigger", b.map(|b| b.video_trigger)),
            bandwidth_hz: fields.number("bandwidth-hz", 1.0, 1e13, b.map(|b| b.bandwidth_hz)),
            settle_s: fields.number("settle-s", 0.0, 60.0, b.map(|b| b.settle_s)),
            gain_tolerance: fields.number("gain-tolerance", 0.0, 1.0, b.map(|b| b.gain_tolerance)),
            offset_tolerance_divisions: fields.number(
                "offset-tolerance-divisions",
                0.0,
                10.0,
                b.map(|b| b.offset_tolerance_divisions),
            ),
            offset_tolerance_v: fields.number("offset-tolerance-v", 0.0, 1e3, b.map(|b| b.offset_tolerance_v)),
            timebase_tolerance: fields.number("timebase-tolerance", 0.0, 1.0, b.map(|b| b.timebase_tolerance)),
        }
    }
}
