//! What a scope can do and how wrong it may be; how wrong this one is.

use crate::rng::Rng;

/// Specification of a scope. The errors are limits; the seed draws the actual ones within them.
///
/// The figures of [`Specs::modest`] and [`Specs::large`] are ordinary ones for such instruments:
/// common practice, no source.
#[derive(Debug, Clone, PartialEq)]
pub struct Specs {
    /// Vertical channels.
    pub channels: usize,
    /// Whether there is a trigger-only input.
    pub external: bool,
    /// Points after power-on.
    pub points_default: u32,
    /// Greatest number of points.
    pub points_greatest: u32,
    /// Greatest sample rate; peak detection looks at this rate.
    pub rate_greatest_hz: f64,
    /// Analogue bandwidth.
    pub bandwidth_hz: f64,
    /// Lower corner of AC coupling at the connector.
    pub ac_corner_hz: f64,
    /// Limit of the relative gain error.
    pub gain_error: f64,
    /// Limit of the part of the offset error that follows the range, in divisions.
    pub offset_error_div: f64,
    /// Limit of the fixed part of the offset error, at the connector.
    pub offset_error_v: f64,
    /// Limit of the relative time-base error.
    pub timebase_error: f64,
    /// How far the trigger may lie from where the record says, in samples (of pairs: in bins): 0 for a scope that measures
    /// where between two samples it came, up to 0.5 for one whose clock runs on by itself.
    pub trigger_place: f64,
    /// Root mean square of the front end's noise that follows the range, in divisions.
    pub noise_div: f64,
    /// Root mean square of the front end's fixed noise, at the connector.
    pub noise_v: f64,
    /// How long automatic triggering waits for an edge.
    pub auto_s: f64,
    /// Time from a command to what it does.
    pub latency_s: f64,
    /// Mains frequency, for triggering on the line.
    pub mains_hz: f64,
}

impl Specs {
    /// The bench scope: two channels, a trigger-only input, 2,500 points, 100 MS/s, 60 MHz.
    #[must_use]
    pub const fn modest() -> Self {
        Self {
            channels: 2,
            external: true,
            points_default: 2_500,
            points_greatest: 2_500,
            rate_greatest_hz: 100e6,
            bandwidth_hz: 60e6,
            ac_corner_hz: 5.0,
            gain_error: 0.03,
            offset_error_div: 0.1,
            offset_error_v: 1e-3,
            timebase_error: 50e-6,
            trigger_place: 0.0,
            noise_div: 0.012,
            noise_v: 50e-6,
            auto_s: 0.05,
            latency_s: 2e-3,
            mains_hz: 60.0,
        }
    }

    /// The large scope: four channels, a trigger-only input, 2,000,000 points, 200 MS/s, 100 MHz.
    #[must_use]
    pub const fn large() -> Self {
        Self {
            channels: 4,
            points_default: 20_000,
            points_greatest: 2_000_000,
            rate_greatest_hz: 200e6,
            bandwidth_hz: 100e6,
            ..Self::modest()
        }
    }

    /// Without noise or errors, for tests of everything else.
    #[must_use]
    pub const fn without_errors(mut self) -> Self {
        self.gain_error = 0.0;
        self.offset_error_div = 0.0;
        self.offset_error_v = 0.0;
        self.timebase_error = 0.0;
        self.trigger_place = 0.0;
        self.noise_div = 0.0;
        self.noise_v = 0.0;
        self
    }
}

/// Exact errors of one channel: it shows `v * (1 + gain) + offset_div * (volts a division) + offset_v`
/// for `v` volts at its connector.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ChannelErrors {
    /// Relative error of the gain.
    pub gain: f64,
    /// Offset error that follows the range, in divisions.
    pub offset_div: f64,
    /// Fixed offset error at the connector.
    pub offset_v: f64,
}

impl ChannelErrors {
    /// What the channel takes `volts` at its connector for, when set to `division_v` a division.
    #[must_use]
    pub fn seen_v(&self, volts: f64, division_v: f64) -> f64 {
        volts * (1.0 + self.gain) + self.offset_div * division_v + self.offset_v
    }

    /// The volts at the connector that the channel takes for `seen_v`.
    #[must_use]
    pub fn true_v(&self, seen_v: f64, division_v: f64) -> f64 {
        (seen_v - self.offset_div * division_v - self.offset_v) / (1.0 + self.gain)
    }
}

/// The exact errors of one scope: the truth that an uncertainty has to cover.
#[derive(Debug, Clone, PartialEq)]
pub struct Errors {
    /// Of the channels, in their order.
    pub channels: Vec<ChannelErrors>,
    /// Relative error of the time base: what it calls one second lasts `1 + timebase` seconds.
    pub timebase: f64,
}

impl Errors {
    /// Drawn evenly within the limits of the specification.
    pub(crate) fn draw(specs: &Specs, seed: u64) -> Self {
        let channels = (0..specs.channels as u64).map(|channel| {
            let mut rng = Rng::new(seed, "scope channel error", channel);
            ChannelErrors {
                gain: specs.gain_error * rng.symmetric(),
                offset_div: specs.offset_error_div * rng.symmetric(),
                offset_v: specs.offset_error_v * rng.symmetric(),
            }
        });
        let timebase = specs.timebase_error * Rng::new(seed, "scope time base error", 0).symmetric();
        Self { channels: channels.collect(), timebase }
    }
}
