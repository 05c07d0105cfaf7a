//! The settings that families B and C have in common, and what they make of the acquisition engine.

use super::{DIVISION_V, DIVISIONS};
use crate::ieee488::Range;
use crate::scope::{ChannelSetup, Coupling, STEPS, STEPS_A_DIVISION, Setup, Specs, TriggerFrom, TriggerOn};
use crate::source::Slope;

pub(super) const PROBE: Range = Range { least: 0.01, greatest: 10_000.0, default: 1.0 };
pub(super) const TIME_SCALE: Range = Range { least: 5e-9, greatest: 50.0, default: 1e-3 };
pub(super) const LEVEL: Range = Range { least: -1e5, greatest: 1e5, default: 0.0 };

/// One channel.
#[derive(Debug, Clone, Copy)]
pub(super) struct Channel {
    pub(super) on: bool,
    /// At the connector; the words multiply by the probe's factor.
    pub(super) division_v: f64,
    /// Volts taken off, at the connector.
    pub(super) offset_v: f64,
    /// Divisions by which the trace stands above the middle.
    pub(super) position: f64,
    pub(super) coupling: Coupling,
    pub(super) probe: f64,
}

impl Channel {
    /// Volts at the connector at the middle of the converter's range.
    pub(super) fn centre_v(&self) -> f64 {
        self.offset_v - self.position * self.division_v
    }
}

/// The settings.
#[derive(Debug)]
pub(super) struct Panel {
    pub(super) channels: Vec<Channel>,
    pub(super) time_scale_s: f64,
    /// From the trigger to the middle of the screen.
    pub(super) time_position_s: f64,
    pub(super) peak: bool,
    pub(super) points: u32,
    pub(super) video: bool,
    pub(super) auto: bool,
    pub(super) from: TriggerFrom,
    pub(super) slope: Slope,
    /// As the words have it: at the tip of a channel's probe.
    pub(super) level_v: f64,
    pub(super) video_from: usize,
    pub(super) lines: u32,
    /// None: either.
    pub(super) field: Option<u8>,
    /// Instead of a field.
    pub(super) line: Option<u32>,
    pub(super) positive_sync: bool,
}

impl Panel {
    pub(super) fn new(specs: &Specs) -> Self {
        let channel = Channel {
            on: false,
            division_v: DIVISION_V.default,
            offset_v: 0.0,
            position: 0.0,
            coupling: Coupling::Dc,
            probe: 1.0,
        };
        let mut channels = vec![channel; specs.channels];
        if let Some(first) = channels.first_mut() {
            first.on = true;
        }
        Self {
            channels,
            time_scale_s: TIME_SCALE.default,
            time_position_s: 0.0,
            peak: false,
            points: specs.points_default,
            video: false,
            auto: true,
            from: TriggerFrom::Channel(0),
            slope: Slope::Rising,
            level_v: 0.0,
            video_from: 0,
            lines: 525,
            field: None,
            line: None,
            positive_sync: false,
        }
    }

    /// Values that the next record will have, and the time from one to the next.
    pub(super) fn timing(&self, specs: &Specs) -> (u32, f64) {
        let span_s = DIVISIONS * self.time_scale_s;
        // A hair more, so that a rate that fits exactly is not lost to rounding.
        let most = (specs.rate_greatest_hz * span_s * (1.0 + 1e-9)).floor().max(2.0);
        let mut points = self.points.min(most.min(f64::from(u32::MAX)) as u32);
        if self.peak {
            points -= points % 2;
        }
        (points, span_s / f64::from(points))
    }

    /// No more than the whole screen may lie before the trigger.
    pub(super) fn position_range(&self) -> Range {
        Range { least: -0.5 * DIVISIONS * self.time_scale_s, greatest: 1000.0, default: 0.0 }
    }

    pub(super) fn line_range(&self) -> Range {
        Range { least: 1.0, greatest: f64::from(self.lines), default: 1.0 }
    }

    pub(super) fn setup(&self, specs: &Specs) -> Setup {
        let (points, step_s) = self.timing(specs);
        let span_s = DIVISIONS * self.time_scale_s;
        let (from, on) = if self.video {
            let on = match (self.positive_sync, self.line) {
                (true, _) => TriggerOn::Never,
                (false, Some(line)) => TriggerOn::Video { field: None, line: Some(line) },
                (false, None) => TriggerOn::Video { field: self.field, line: None },
            };
            (TriggerFrom::Channel(self.video_from), on)
        } else {
            let factor = match self.from {
                TriggerFrom::Channel(channel) => self.channels.get(channel).map_or(1.0, |channel| channel.probe),
                _ => 1.0,
            };
            (self.from, TriggerOn::Edge { slope: self.slope, level_v: self.level_v / factor })
        };
        let channel = |channel: &Channel| ChannelSetup {
            on: channel.on,
            coupling: channel.coupling,
            full_scale_v: channel.division_v * STEPS / STEPS_A_DIVISION,
            centre_v: channel.centre_v(),
        };
        Setup {
            channels: self.channels.iter().map(channel).collect(),
            points,
            dt_s: if self.peak { 2.0 * step_s } else { step_s },
            before_s: (0.5 * span_s - self.time_position_s).min(span_s),
            peak: self.peak,
            from,
            on,
            auto: self.auto,
        }
    }
}
