//! What a tape is like: what is recorded on it, and on what path.

use super::dropouts::DropoutConfig;
use serde::{Deserialize, Serialize};
use tapewright_formats::TapeKind;

/// What is recorded as picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "kebab-case")]
pub enum Picture {
    /// Eight colour bars of 75 per cent.
    #[default]
    Bars,
    /// Half grey.
    Grey,
    /// Dark above, white in the lower third.
    BrightBottom,
    /// Patches of random brightness, another for each line, from the seed.
    Random,
    /// Black.
    Black,
}

/// A tape and what is recorded on it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TapeConfig {
    /// Kind, as the operator would say it.
    pub kind: TapeKind,
    /// Format it was recorded in; none: that of the machine.
    pub format: Option<String>,
    /// Level it plays back with, 1.0 is nominal (ratio).
    pub level: f64,
    /// Picture.
    pub picture: Picture,
    /// Whether the picture is in colour.
    pub colour: bool,
    /// Path it was recorded on: a bent path leaves bent tracks. Of an own tape none means this machine's path at the start.
    pub recorded_on: Option<GuideCurve>,
    /// Width of recorded tracks; none: the pitch (no guard band).
    pub track_width_um: Option<f64>,
    /// Place of its control pulses against its tracks, in track pitches: another machine's X position.
    pub tracking_pitch: f64,
    /// Lines from the recorder's head switching to its vertical sync.
    pub switch_lines: f64,
    /// Whether control pulses are on it.
    pub control_track: bool,
    /// Amplitude of its control pulses, 1.0 is nominal (ratio).
    pub control_level: f64,
    /// Its tone lies over the whole width of the sound's edge, as a single track does; none: on a test tape it does (from
    /// memory), on others it lies as the machine's tracks do.
    pub full_width_tone: Option<bool>,
    /// Nothing is recorded on it.
    pub blank: bool,
    /// Its dropouts.
    pub dropouts: DropoutConfig,
}

impl Default for TapeConfig {
    fn default() -> Self {
        Self {
            kind: TapeKind::Unknown,
            format: None,
            level: 1.0,
            picture: Picture::Bars,
            colour: true,
            recorded_on: None,
            track_width_um: None,
            tracking_pitch: 0.0,
            switch_lines: 6.5,
            control_track: true,
            control_level: 1.0,
            full_width_tone: None,
            blank: false,
            dropouts: DropoutConfig::default(),
        }
    }
}

/// Height errors of the guides, as the sideways place of the tape along a scan.
///
/// A guide moves the tape by its whole error at its own end, fading as a parabola to nothing at
/// `GUIDE_REACH` of the scan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct GuideCurve {
    /// Entrance guide, micrometres across the track.
    pub entrance_um: f64,
    /// Exit guide, micrometres across the track.
    pub exit_um: f64,
}

/// Share of the scan over which a guide's error fades (common practice, no source).
pub const GUIDE_REACH: f64 = 0.4;

impl GuideCurve {
    /// Sideways place in micrometres at position `y` along the scan, 0 to 1.
    #[must_use]
    pub fn at_um(&self, y: f64) -> f64 {
        let fade = |share: f64| (1.0 - share.max(0.0) / GUIDE_REACH).max(0.0).powi(2);
        self.entrance_um * fade(y) + self.exit_um * fade(1.0 - y)
    }
}
