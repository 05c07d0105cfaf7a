//! The known signals that a probe is held to, and whether a trace shows one.

use crate::bench::Point;
use tapewright_formats::{Signal, SignalForm};
use tapewright_measure::{Trace, pulses};

/// Rate of a scope's test output. Instrument maker's manual, not named.
const TEST_OUTPUT_HZ: f64 = 1000.0;
/// Its level: a square from 0 V to 3 V. Instrument maker's manual, not named.
pub(super) const TEST_OUTPUT_V: f64 = 3.0;
/// Least steps of the converter that a known signal must span.
const CLEAR_STEPS: f64 = 20.0;
/// The converter's range over what the hookup expects, at most.
const RANGE_OVER_EXPECTED: f64 = 1.6;
/// Steps of an 8-bit converter.
const STEPS: f64 = 256.0;

/// A signal that every probe can be held to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Known {
    TestOutput,
    HeadSwitch,
}

impl Known {
    /// The clearest one: the test output, which needs no turning drum, unless the channel's range is
    /// so wide that three volts do not stand out.
    pub(super) fn clearest_for(point: &Point) -> Self {
        let step_v = point.expected_v.unwrap_or(0.0) * RANGE_OVER_EXPECTED / STEPS;
        if point.signal != Signal::HeadSwitch && step_v * CLEAR_STEPS > TEST_OUTPUT_V {
            Self::HeadSwitch
        } else {
            Self::TestOutput
        }
    }

    pub(super) const fn as_str(self) -> &'static str {
        match self {
            Self::TestOutput => "test-output",
            Self::HeadSwitch => "head-switch",
        }
    }

    pub(super) const fn in_words(self) -> &'static str {
        match self {
            Self::TestOutput => "the scope's own test output (a square of about 1 kHz)",
            Self::HeadSwitch => "the head-switch test point (a square, one period a frame)",
        }
    }

    pub(super) const fn rate_hz(self, frame_rate_hz: f64) -> f64 {
        match self {
            Self::TestOutput => TEST_OUTPUT_HZ,
            Self::HeadSwitch => frame_rate_hz,
        }
    }
}

/// Whether a trace shows a square near a rate: within 5 % of it, high for a third to two thirds of the
/// time. Volts are not asked for: the probe may overdrive the channel, and a square stays one.
pub(super) fn is_square_of(trace: &Trace, rate_hz: f64) -> bool {
    let Ok(found) = pulses::pulses_in(trace, SignalForm::Square) else { return false };
    let near = |value: f64| (value / rate_hz - 1.0).abs() < 0.05;
    let even = |percent: f64| (33.0..=67.0).contains(&percent);
    found.rate(rate_hz, 0.0).is_ok_and(|rate| near(rate.value)) && found.duty().is_ok_and(|duty| even(duty.value))
}
