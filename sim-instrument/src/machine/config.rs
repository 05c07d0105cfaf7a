//! What a simulated machine and its tapes are like. Every field has a default and its unit in its name.
//!
//! Defaults describe a healthy machine. Numbers without a source beside them are common practice, no source.

pub use super::audio::AudioConfig;
pub use super::dropouts::DropoutConfig;
pub use super::hifi::HifiConfig;
pub use super::supply::SupplyConfig;
pub use super::tape::{GUIDE_REACH, GuideCurve, Picture, TapeConfig};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use tapewright_formats::{ProbePlace, SignalForm, TapeKind};

/// A machine with its tapes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MachineConfig {
    /// Shelf mark.
    pub name: String,
    /// Format that the machine is set to, e.g. `vhs-525-sp`.
    pub format: String,
    /// Tapes at hand, by name.
    pub tapes: BTreeMap<String, TapeConfig>,
    /// The tape that is in at the start; none: the machine is empty.
    pub tape: Option<String>,
    /// Video head A.
    pub head_a: HeadConfig,
    /// Video head B.
    pub head_b: HeadConfig,
    /// The guides beside the drum.
    pub guides: GuideCurve,
    /// Tracking.
    pub tracking: TrackingConfig,
    /// RF test point.
    pub rf: RfConfig,
    /// Head switch.
    pub head_switch: HeadSwitchConfig,
    /// Drum and its servo.
    pub drum: DrumConfig,
    /// Capstan and its servo.
    pub capstan: CapstanConfig,
    /// Control-track test point.
    pub control: ControlConfig,
    /// Video output.
    pub video: VideoConfig,
    /// Tape transport.
    pub transport: TransportConfig,
    /// Supply test point.
    pub supply: SupplyConfig,
    /// Audio outputs.
    pub audio: AudioConfig,
    /// Whether depth-recorded audio carriers are on its test point.
    pub hifi: bool,
    /// Those carriers and their heads.
    pub hifi_heads: HifiConfig,
}

impl Default for MachineConfig {
    fn default() -> Self {
        let tapes = [
            ("ordinary", TapeKind::Own),
            ("second", TapeKind::Other),
            ("scrap", TapeKind::Unknown),
            ("alignment", TapeKind::Alignment),
        ];
        Self {
            name: "VC-00".into(),
            format: "vhs-525-sp".into(),
            tapes: tapes
                .into_iter()
                .map(|(n, kind)| (n.to_owned(), TapeConfig { kind, ..TapeConfig::default() }))
                .collect(),
            tape: None,
            head_a: HeadConfig::default(),
            head_b: HeadConfig::default(),
            guides: GuideCurve::default(),
            tracking: TrackingConfig::default(),
            rf: RfConfig::default(),
            head_switch: HeadSwitchConfig::default(),
            drum: DrumConfig::default(),
            capstan: CapstanConfig::default(),
            control: ControlConfig::default(),
            video: VideoConfig::default(),
            transport: TransportConfig::default(),
            supply: SupplyConfig::default(),
            audio: AudioConfig::default(),
            hifi: false,
            hifi_heads: HifiConfig::default(),
        }
    }
}

/// A video head.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HeadConfig {
    /// Width; none: the format's pitch.
    pub width_um: Option<f64>,
    /// Output against a perfect head (ratio). Nothing: the head is dead.
    pub gain: f64,
    /// Gap length; none: the format's.
    pub gap_um: Option<f64>,
    /// Distance from the tape. A good head has about 0.1, which is also what the RF level counts for.
    pub spacing_um: f64,
    /// Dirt between head and tape, on top of the spacing.
    pub dirt_um: f64,
    /// Height error across the track.
    pub height_um: f64,
}

impl Default for HeadConfig {
    fn default() -> Self {
        Self {
            width_um: None,
            gain: 1.0,
            gap_um: None,
            spacing_um: super::conditions::GOOD_SPACING_UM,
            dirt_um: 0.0,
            height_um: 0.0,
        }
    }
}

/// Tracking: the place of the tape against the heads that the capstan servo holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TrackingConfig {
    /// The tracking control, in track pitches.
    pub offset_pitch: f64,
    /// Whether it has two keys, for up and down, and both for its own centre; else it is a knob.
    pub keys: bool,
    /// By how much a press moves it, in track pitches; below zero: the other way.
    pub step_pitch: f64,
    /// How far from its own centre the keys move it, in track pitches.
    pub range_pitch: f64,
    /// Greatest excursion of a tracking servo that hunts, in track pitches; 0: it does not. A tracking key ends it: tracking
    /// is then manual.
    pub hunting_pitch: f64,
    /// About the period of the hunting.
    pub hunting_period_s: Option<f64>,
    /// Displacement of the audio and control head along the tape from its right place: with the tracking
    /// control at its centre the heads are off their tracks by `x f_V / v` pitches (R13).
    pub x_error_mm: f64,
}

impl Default for TrackingConfig {
    fn default() -> Self {
        Self {
            offset_pitch: 0.0,
            keys: false,
            // Common practice, no source.
            step_pitch: 0.07,
            range_pitch: 0.7,
            hunting_pitch: 0.0,
            hunting_period_s: None,
            x_error_mm: 0.0,
        }
    }
}

/// The RF test point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RfConfig {
    /// Carrier amplitude (peak) of a perfect head on a nominal track at sync tip.
    pub level_v: f64,
    /// Preamplifier noise, RMS over its bandwidth of 8 MHz.
    pub noise_v: f64,
    /// `raw` or `detected`.
    pub form: SignalForm,
    /// Before or after automatic gain.
    pub place: ProbePlace,
    /// Peak of the transient at each head switching.
    pub transient_v: f64,
    /// Lines for which both heads touch the tape at each end of the scan.
    pub overlap_lines: f64,
    /// Amplitude of the colour-under burst over the carrier's (ratio).
    pub colour_under_ratio: f64,
    /// Amplitude of a pilot tone over the carrier's, in formats that have them (ratio; common practice, no source).
    pub pilot_ratio: f64,
}

impl Default for RfConfig {
    fn default() -> Self {
        Self {
            level_v: 0.2,
            noise_v: 0.003,
            form: SignalForm::Raw,
            place: ProbePlace::BeforeAgc,
            transient_v: 0.05,
            overlap_lines: 7.0,
            colour_under_ratio: 0.1,
            pilot_ratio: 0.05,
        }
    }
}

/// Head-switch test point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HeadSwitchConfig {
    /// The high state selects head A.
    pub high_is_a: bool,
    /// Lines from the switching to vertical sync.
    pub lines_before_sync: f64,
    /// Lines by which the switching to head B lies earlier than that to head A.
    pub b_earlier_lines: f64,
    /// Standard deviation of the switching instants against the heads: of the switching pulse, not of the drum.
    pub jitter_s: f64,
    /// Low state.
    pub low_v: f64,
    /// High state.
    pub high_v: f64,
}

impl Default for HeadSwitchConfig {
    fn default() -> Self {
        Self { high_is_a: true, lines_before_sync: 6.5, b_earlier_lines: 0.0, jitter_s: 0.0, low_v: 0.0, high_v: 5.0 }
    }
}

/// Drum and its servo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DrumConfig {
    /// Standard deviation of each switching instant.
    pub jitter_s: f64,
    /// From rest to nominal speed.
    pub spin_up_s: f64,
    /// Time constant of the phase lock.
    pub lock_tau_s: f64,
    /// Head-switch edges come so long after the reference's.
    pub phase_s: f64,
    /// Greatest excursion of a drum servo that hunts; 0: it does not.
    pub hunting_s: f64,
    /// About the period of that.
    pub hunting_period_s: f64,
    /// Speed error when free running (ratio).
    pub free_running_error: f64,
    /// The drum's speed corrects the line rate in still and search.
    pub corrects_line_rate: bool,
    /// Generator pulses a turn.
    pub pulses_a_turn: f64,
}

impl Default for DrumConfig {
    fn default() -> Self {
        Self {
            jitter_s: 2e-6,
            spin_up_s: 1.5,
            lock_tau_s: 0.25,
            phase_s: 0.0,
            hunting_s: 0.0,
            hunting_period_s: 3.0,
            free_running_error: 0.02,
            corrects_line_rate: true,
            pulses_a_turn: 6.0,
        }
    }
}

/// Capstan and its servo.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CapstanConfig {
    /// From rest to speed.
    pub run_up_s: f64,
    /// Time constant of the phase lock.
    pub lock_tau_s: f64,
    /// Speed error when no control pulses hold it (ratio, e.g. 0.007).
    pub free_running_error: f64,
    /// Slow wander of the free-running speed (ratio, greatest).
    pub wander: f64,
    /// Generator pulses a second at nominal speed.
    pub pulse_hz: f64,
}

impl Default for CapstanConfig {
    fn default() -> Self {
        Self { run_up_s: 0.3, lock_tau_s: 0.3, free_running_error: 0.004, wander: 2e-4, pulse_hz: 720.0 }
    }
}

/// Control-track test point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ControlConfig {
    /// `square` after the amplifier, `spike` at the head.
    pub form: SignalForm,
    /// High state after the amplifier.
    pub square_v: f64,
    /// Spikes at the head, peak to peak (about 1 mV: common practice, no source).
    pub spike_v: f64,
    /// Noise at the head, RMS.
    pub spike_noise_v: f64,
    /// Noise after the amplifier, RMS.
    pub square_noise_v: f64,
    /// Share of the period from rising to falling edge: 0.6 for an ordinary pulse (a patent on the format's coding).
    pub duty: f64,
    /// Share of pulses that are missing.
    pub missing_ratio: f64,
    /// Standard deviation of each pulse's instant.
    pub jitter_s: f64,
    /// From a pulse's rising edge to the switching to head A, at tracking centre.
    pub delay_s: f64,
}

impl Default for ControlConfig {
    fn default() -> Self {
        Self {
            form: SignalForm::Square,
            square_v: 5.0,
            spike_v: 1e-3,
            spike_noise_v: 1e-5,
            square_noise_v: 0.01,
            duty: 0.6,
            missing_ratio: 0.0,
            jitter_s: 5e-6,
            delay_s: 5e-3,
        }
    }
}

/// Video output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct VideoConfig {
    /// Sends clean video of its own when there is no usable RF; otherwise snow.
    pub mute: bool,
    /// Noise at full RF level, RMS.
    pub noise_v: f64,
    /// Gain of the output stage (ratio).
    pub gain: f64,
    /// Height of sync over its right one (ratio): what a clipping stage leaves.
    pub sync_ratio: f64,
    /// Colour, burst included, over its right level (ratio).
    pub burst_ratio: f64,
    /// How far picture stands above its right place over blanking, before the output's gain.
    pub set_up_v: f64,
    /// Direct voltage that the video stands on.
    pub offset_v: f64,
    /// Hum on it, peak to peak, at the frequency of the supply's ripple.
    pub hum_v: f64,
    /// Time-base error: greatest displacement of picture off the tape, with about this period.
    pub time_base_s: f64,
    /// About the period of the time-base error.
    pub time_base_period_s: f64,
    /// Each line's own displacement, standard deviation.
    pub line_jitter_s: f64,
}

impl Default for VideoConfig {
    fn default() -> Self {
        Self {
            mute: true,
            noise_v: 0.005,
            gain: 1.0,
            sync_ratio: 1.0,
            burst_ratio: 1.0,
            set_up_v: 0.0,
            offset_v: 0.0,
            hum_v: 0.0,
            time_base_s: 0.0,
            time_base_period_s: 5e-3,
            line_jitter_s: 0.0,
        }
    }
}

impl VideoConfig {
    /// Brightness as the output stage shows it.
    pub(crate) fn through(&self, luma_v: f64, picture: bool) -> f64 {
        let sync = if luma_v < 0.0 { self.sync_ratio } else { 1.0 };
        self.gain * (luma_v * sync + if picture { self.set_up_v } else { 0.0 })
    }
}

/// Tape transport.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TransportConfig {
    /// Threading, and unthreading.
    pub threading_s: f64,
    /// From play to rest for still.
    pub still_stop_s: f64,
    /// Places where the tape stops in still, in track pitches from centre at mid-scan, one after the
    /// other; empty: anywhere, from the seed.
    pub still_stops_pitch: Vec<f64>,
    /// Search speed over play speed.
    pub search_speed: f64,
    /// Winding speed over play speed.
    pub wind_speed: f64,
}

impl Default for TransportConfig {
    fn default() -> Self {
        Self { threading_s: 2.5, still_stop_s: 0.2, still_stops_pitch: Vec::new(), search_speed: 7.0, wind_speed: 40.0 }
    }
}
