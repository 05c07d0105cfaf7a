//! Everything that stays the same between two events: the machine, its faults and its tape, worked
//! out to the numbers that the signals need.

use super::config::{DropoutConfig, GuideCurve, HeadConfig, MachineConfig, TapeConfig, VideoConfig};
use super::faults::Faults;
use super::losses;
use super::video::FrameTable;
use std::sync::Arc;
use tapewright_formats::pilots::pilots_hz;
use tapewright_formats::relations::{pitch_um, running_angle_deg, writing_speed_m_s};
use tapewright_formats::{Format, TapeKind};

/// Distance from the tape of a perfect head, for which the RF level counts (common practice, no source).
pub(crate) const GOOD_SPACING_UM: f64 = 0.1;

/// Which head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Head {
    /// Head A.
    A,
    /// Head B.
    B,
}

impl Head {
    /// The head of a scan: A takes the even ones.
    pub(crate) const fn of_scan(scan: i64) -> Self {
        if scan.rem_euclid(2) == 0 { Self::A } else { Self::B }
    }

    pub(crate) const fn index(self) -> usize {
        match self {
            Self::A => 0,
            Self::B => 1,
        }
    }
}

/// A head in numbers.
#[derive(Debug, Clone)]
pub(crate) struct HeadState {
    pub(crate) width_um: f64,
    pub(crate) height_um: f64,
    /// Volts at sync tip for a whole track of the machine's own pitch.
    pub(crate) level_v: f64,
    /// Volts of the colour-under burst likewise.
    pub(crate) colour_v: f64,
    /// Volts of a pilot tone likewise; 0: the format has none.
    pub(crate) pilot_v: f64,
    /// Gain at `f` over that at sync tip: `1 + slope d + curve d^2`, `d = f - f_sync` in hertz.
    pub(crate) slope_per_hz: f64,
    pub(crate) curve_per_hz2: f64,
}

impl HeadState {
    /// Gain at a frequency that lies `above_hz` above sync tip, over the gain at sync tip.
    pub(crate) fn gain(&self, above_hz: f64) -> f64 {
        1.0 + above_hz * (self.slope_per_hz + above_hz * self.curve_per_hz2)
    }

    fn new(
        config: &HeadConfig,
        format: &Format,
        level_v: f64,
        (colour_ratio, pilot_ratio): (f64, f64),
        (gain, more_dirt_um, height_um): (f64, f64, Option<f64>),
    ) -> Self {
        let speed = writing_speed_m_s(format);
        let (sync, white, under) = (format.fm_sync_hz.value, format.fm_white_hz.value, format.colour_under_hz.value);
        let gap = config.gap_um.unwrap_or(format.gap_um.value);
        let spacing = config.spacing_um + config.dirt_um + more_dirt_um;
        let keeps = |f: f64| losses::head(spacing, gap, f, speed);
        let good = |f: f64| losses::head(GOOD_SPACING_UM, format.gap_um.value, f, speed);
        let at_sync = keeps(sync);
        // A parabola through sync tip, the middle and white.
        let (half, whole) = ((white - sync) / 2.0, white - sync);
        let (mid, end) = (keeps(sync + half) / at_sync - 1.0, keeps(white) / at_sync - 1.0);
        let curve = (end / whole - mid / half) / (whole - half);
        Self {
            width_um: config.width_um.unwrap_or_else(|| pitch_um(format)),
            height_um: height_um.unwrap_or(config.height_um),
            level_v: level_v * gain * at_sync / good(sync),
            colour_v: level_v * gain * colour_ratio * keeps(under) / good(under),
            // Its wavelength is so long that distance and gap take nothing worth counting.
            pilot_v: if format.has_pilots() { level_v * gain * pilot_ratio } else { 0.0 },
            slope_per_hz: mid / half - curve * half,
            curve_per_hz2: curve,
        }
    }
}

/// The tape in numbers.
#[derive(Debug, Clone)]
pub(crate) struct TapeState {
    pub(crate) seed: u64,
    pub(crate) kind: TapeKind,
    pub(crate) format: &'static Format,
    pub(crate) pitch_um: f64,
    pub(crate) track_width_um: f64,
    pub(crate) recorded_on: GuideCurve,
    pub(crate) level: f64,
    pub(crate) colour: bool,
    pub(crate) tracking_pitch: f64,
    pub(crate) switch_lines: f64,
    pub(crate) control_track: bool,
    pub(crate) control_level: f64,
    pub(crate) full_width_tone: bool,
    /// Height error of the audio and control head that recorded it.
    pub(crate) sound_height_um: f64,
    pub(crate) blank: bool,
    pub(crate) table: Arc<FrameTable>,
    /// Share of a scan by which neighbouring tracks lie apart along the track (R6 over the lines of a scan).
    pub(crate) neighbour_shift: f64,
    /// `x` of the azimuth loss for a micrometre, at sync tip and at the colour-under carrier.
    pub(crate) azimuth_x: f64,
    pub(crate) azimuth_x_colour: f64,
    /// The same in the middle of the pilots.
    pub(crate) azimuth_x_pilot: f64,
    /// Places where heads lose contact.
    pub(crate) dropouts: DropoutConfig,
}

impl TapeState {
    pub(crate) fn new(
        config: &TapeConfig,
        format: &'static Format,
        machine: &MachineConfig,
        table: Arc<FrameTable>,
        seed: u64,
    ) -> Self {
        let pitch = pitch_um(format);
        let speed = writing_speed_m_s(format);
        let own_path = if config.kind == TapeKind::Own { machine.guides } else { GuideCurve::default() };
        let azimuth = format.azimuth_deg.value;
        Self {
            seed,
            kind: config.kind,
            format,
            pitch_um: pitch,
            track_width_um: config.track_width_um.unwrap_or(pitch).min(pitch),
            recorded_on: config.recorded_on.unwrap_or(own_path),
            level: config.level,
            colour: config.colour,
            tracking_pitch: config.tracking_pitch,
            switch_lines: config.switch_lines,
            control_track: config.control_track && format.control_track,
            control_level: config.control_level,
            full_width_tone: config.full_width_tone.unwrap_or(config.kind == TapeKind::Alignment),
            sound_height_um: if config.kind == TapeKind::Own { machine.audio.height_um } else { 0.0 },
            blank: config.blank,
            table,
            neighbour_shift: neighbour_shift(format),
            azimuth_x: losses::azimuth_x_a_um(azimuth, format.fm_sync_hz.value, speed),
            azimuth_x_colour: losses::azimuth_x_a_um(azimuth, format.colour_under_hz.value, speed),
            azimuth_x_pilot: losses::azimuth_x_a_um(azimuth, pilots_hz(format.lines)[1], speed),
            dropouts: config.dropouts,
        }
    }
}

impl TapeState {
    /// The tape as it is after this machine recorded on it, over its present path. The old picture stands for the new one.
    pub(crate) fn recorded_by(&self, conditions: &Conditions, sound_height_um: f64, seed: u64) -> Self {
        let pitch = conditions.machine_pitch_um;
        let width = conditions.heads[0].width_um.min(conditions.heads[1].width_um);
        Self {
            seed,
            kind: TapeKind::Own,
            track_width_um: width.min(pitch),
            recorded_on: conditions.guides,
            level: 1.0,
            tracking_pitch: 0.0,
            switch_lines: conditions.switch_lines(),
            control_track: conditions.format.control_track,
            control_level: 1.0,
            full_width_tone: false,
            sound_height_um,
            blank: false,
            ..self.clone()
        }
    }
}

/// Shift along the track between neighbours, as a share of a scan: R6, `v cos(th) / v_w`.
pub(crate) fn neighbour_shift(format: &Format) -> f64 {
    format.tape_speed_mm_s.value * 1e-3 * running_angle_deg(format).to_radians().cos() / writing_speed_m_s(format)
}

/// The whole state between two events.
#[derive(Debug, Clone)]
pub(crate) struct Conditions {
    pub(crate) config: Arc<MachineConfig>,
    pub(crate) format: &'static Format,
    pub(crate) machine_pitch_um: f64,
    pub(crate) heads: [HeadState; 2],
    pub(crate) guides: GuideCurve,
    pub(crate) noise_v: f64,
    /// The video output, with its faults.
    pub(crate) video: VideoConfig,
    pub(crate) tape: Option<Arc<TapeState>>,
    pub(crate) faults: Faults,
}

impl Conditions {
    pub(crate) fn new(
        config: &Arc<MachineConfig>,
        format: &'static Format,
        tape: Option<Arc<TapeState>>,
        faults: &Faults,
    ) -> Self {
        let gains = [faults.head_a.unwrap_or(config.head_a.gain), faults.head_b.unwrap_or(config.head_b.gain)];
        let rf = &config.rf;
        // A dead preamplifier passes neither signal nor most of its own noise.
        let (level, noise) = if faults.preamp_dead {
            (0.0, 0.1 * rf.noise_v)
        } else {
            (rf.level_v, faults.noise_v.unwrap_or(rf.noise_v))
        };
        let head = |head: &HeadConfig, of_it| {
            HeadState::new(head, format, level, (rf.colour_under_ratio, rf.pilot_ratio), of_it)
        };
        Self {
            config: Arc::clone(config),
            format,
            machine_pitch_um: pitch_um(format),
            heads: [
                head(&config.head_a, (gains[0], faults.head_a_dirt_um, faults.head_a_height_um)),
                head(&config.head_b, (gains[1], faults.head_b_dirt_um, faults.head_b_height_um)),
            ],
            guides: GuideCurve {
                entrance_um: faults.entrance_um.unwrap_or(config.guides.entrance_um),
                exit_um: faults.exit_um.unwrap_or(config.guides.exit_um),
            },
            noise_v: noise,
            video: VideoConfig {
                gain: faults.video_gain.unwrap_or(config.video.gain),
                sync_ratio: faults.video_sync.unwrap_or(config.video.sync_ratio),
                burst_ratio: faults.video_burst.unwrap_or(config.video.burst_ratio),
                set_up_v: faults.video_set_up_v.unwrap_or(config.video.set_up_v),
                time_base_s: faults.video_time_base_s.unwrap_or(config.video.time_base_s),
                ..config.video.clone()
            },
            tape,
            faults: faults.clone(),
        }
    }

    /// The tape, if tracks can be read off it.
    pub(crate) fn tracks(&self) -> Option<&TapeState> {
        self.tape.as_deref().filter(|tape| !tape.blank && !self.faults.blank_tape)
    }

    /// Whether control pulses come off the tape when it runs.
    pub(crate) fn pulses_on_tape(&self) -> bool {
        self.tracks().is_some_and(|tape| tape.control_track)
    }

    /// Whether control pulses reach the servo and the test point when the tape runs.
    pub(crate) fn pulses_arrive(&self) -> bool {
        self.pulses_on_tape() && !self.faults.control_open
    }

    /// Machine's tape speed over the speed that the tape was recorded at.
    pub(crate) fn speed_ratio(&self) -> f64 {
        let recorded =
            self.tape.as_ref().map_or(self.format.tape_speed_mm_s.value, |tape| tape.format.tape_speed_mm_s.value);
        self.faults.speed_ratio.unwrap_or(self.format.tape_speed_mm_s.value / recorded)
    }

    /// Whether the capstan servo has what it needs to lock to this tape.
    pub(crate) fn capstan_can_lock(&self) -> bool {
        let speed_fits = (self.speed_ratio() - 1.0).abs() < 0.05;
        // Formats without a control track follow pilot tones in the RF.
        let guided = if self.format.control_track { self.pulses_arrive() } else { self.tracks().is_some() };
        guided && speed_fits && self.faults.capstan_free.is_none() && !self.faults.reference_missing
    }

    /// Whether the drum servo has what it needs to lock.
    pub(crate) fn drum_can_lock(&self) -> bool {
        self.faults.drum_unlocked.is_none() && !self.faults.reference_missing
    }

    /// Lines from the machine's switching to vertical sync.
    pub(crate) fn switch_lines(&self) -> f64 {
        self.faults.switch_lines.unwrap_or(self.config.head_switch.lines_before_sync)
    }

    /// Share of the level that air between tape and heads leaves at a position of the scan: a lift that is greatest
    /// in the middle and fades as a parabola to both ends (shape: common practice, no source; loss: R9).
    pub(crate) fn lift_keeps(&self, y: f64) -> f64 {
        let lift_um = self.faults.middle_lift_um * (1.0 - (2.0 * y - 1.0).powi(2)).max(0.0);
        if lift_um > 0.0 {
            losses::spacing(lift_um, self.format.fm_sync_hz.value, writing_speed_m_s(self.format))
        } else {
            1.0
        }
    }

    /// Places along the track: position in the scan plus this is position on the tape's own tracks.
    pub(crate) fn switch_shift(&self) -> f64 {
        let recorded = self.tape.as_ref().map_or(6.5, |tape| tape.switch_lines);
        (recorded - self.switch_lines()) / self.format.lines.lines_a_scan()
    }

    /// By how much the switching edge that starts a scan lies away from where the drum's phase is whole, in seconds.
    pub(crate) fn switch_displacement_s(&self, scan: i64, normal: f64) -> f64 {
        let switch = &self.config.head_switch;
        let b_lines = self.faults.switch_b_earlier_lines.unwrap_or(switch.b_earlier_lines);
        let earlier = if Head::of_scan(scan) == Head::B { b_lines / self.format.lines.line_rate_hz() } else { 0.0 };
        self.faults.switch_jitter_s.unwrap_or(switch.jitter_s) * normal - earlier
    }

    /// How far the audio and control head's place puts the heads off their tracks, in pitches: R13.
    pub(crate) fn x_pitch(&self) -> f64 {
        let x_mm = self.faults.x_error_mm.unwrap_or(self.config.tracking.x_error_mm);
        tapewright_formats::relations::tracking_of_x_error(self.format, x_mm)
    }
}
