//! Faults of the machine that come and go by command, and settings that a hand can turn.

use serde::{Deserialize, Serialize};

/// A fault or setting could not be understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FaultError {
    /// No such fault.
    #[error("no fault or setting is called `{given}`; there are: {known}")]
    Unknown {
        /// What was given.
        given: String,
        /// What there is.
        known: String,
    },
    /// The value does not fit.
    #[error("`{name}` cannot be set to `{given}`: give {wanted}")]
    Value {
        /// Of which fault.
        name: &'static str,
        /// What was given.
        given: String,
        /// What it takes.
        wanted: &'static str,
    },
}

/// The faults in force. Where a field is `None` the machine's configuration counts.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(crate) struct Faults {
    pub(crate) control_open: bool,
    pub(crate) control_level: Option<f64>,
    pub(crate) control_missing: Option<f64>,
    pub(crate) head_a: Option<f64>,
    pub(crate) head_b: Option<f64>,
    pub(crate) head_a_dirt_um: f64,
    pub(crate) head_b_dirt_um: f64,
    pub(crate) head_a_height_um: Option<f64>,
    pub(crate) head_b_height_um: Option<f64>,
    pub(crate) entrance_um: Option<f64>,
    pub(crate) exit_um: Option<f64>,
    /// Share of the carrier's level that a dirty spot near the exit takes.
    pub(crate) contact_dip: f64,
    pub(crate) tracking_pitch: Option<f64>,
    pub(crate) tracking_keys_dead: bool,
    /// Pitches from the place that both tracking keys give to the one that they give the next time.
    pub(crate) tracking_centre_wanders: Option<f64>,
    /// Where both tracking keys set the control the next time, in pitches.
    pub(crate) tracking_centre_pitch: f64,
    /// A tracking key was pressed: automatic tracking is off.
    pub(crate) tracking_manual: bool,
    pub(crate) hunting_pitch: Option<f64>,
    pub(crate) speed_ratio: Option<f64>,
    pub(crate) preamp_dead: bool,
    pub(crate) head_switch_dead: bool,
    pub(crate) drum_unlocked: Option<f64>,
    pub(crate) capstan_free: Option<f64>,
    pub(crate) reference_missing: bool,
    pub(crate) blank_tape: bool,
    pub(crate) noise_v: Option<f64>,
    pub(crate) supply_v: Option<f64>,
    pub(crate) ripple_v: Option<f64>,
    pub(crate) audio_dead: bool,
    pub(crate) transport_stuck: bool,
    pub(crate) switch_lines: Option<f64>,
    pub(crate) switch_b_earlier_lines: Option<f64>,
    pub(crate) switch_jitter_s: Option<f64>,
    pub(crate) drum_hunting_s: Option<f64>,
    pub(crate) x_error_mm: Option<f64>,
    pub(crate) video_gain: Option<f64>,
    pub(crate) video_sync: Option<f64>,
    pub(crate) video_burst: Option<f64>,
    pub(crate) video_set_up_v: Option<f64>,
    pub(crate) video_time_base_s: Option<f64>,
    pub(crate) middle_lift_um: f64,
    pub(crate) brush_noise: f64,
    pub(crate) video_dead: bool,
    pub(crate) search_speed: Option<f64>,
    pub(crate) audio_azimuth_min: Option<f64>,
    pub(crate) audio_height_um: Option<f64>,
    pub(crate) audio_tilt_min: Option<f64>,
    pub(crate) audio_right: Option<f64>,
    pub(crate) audio_tone_hz: Option<f64>,
    pub(crate) flutter_drum: Option<f64>,
    pub(crate) flutter_capstan: Option<f64>,
    pub(crate) flutter_reel: Option<f64>,
    pub(crate) ripple_hz: Option<f64>,
    pub(crate) switching_v: Option<f64>,
    pub(crate) dropouts_a_minute: Option<f64>,
    pub(crate) hifi_left: Option<f64>,
    pub(crate) hifi_head_b: Option<f64>,
    pub(crate) hifi_off_hz: Option<f64>,
}

/// One fault as a list shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultKind {
    /// Its name.
    pub name: &'static str,
    /// What it does.
    pub meaning: &'static str,
    /// Unit of its value; empty: it takes none.
    pub unit: &'static str,
    /// Value when none is given.
    pub usual: f64,
    /// Least value.
    pub least: f64,
    /// Greatest value.
    pub greatest: f64,
}

const fn plain(name: &'static str, meaning: &'static str) -> FaultKind {
    FaultKind { name, meaning, unit: "", usual: 1.0, least: 0.0, greatest: 1.0 }
}

const fn valued(
    name: &'static str,
    meaning: &'static str,
    unit: &'static str,
    usual: f64,
    least: f64,
    greatest: f64,
) -> FaultKind {
    FaultKind { name, meaning, unit, usual, least, greatest }
}

/// Every fault and setting.
pub const FAULTS: &[FaultKind] = &[
    plain("control-contact-open", "control pulses do not arrive: a bad contact"),
    valued("control-weak", "control pulses have this share of their amplitude", "1", 0.4, 0.0, 10.0),
    valued("control-missing", "share of control pulses that are missing", "1", 0.01, 0.0, 1.0),
    valued("head-a-gain", "output of head A against a perfect head", "1", 0.5, 0.0, 10.0),
    valued("head-b-gain", "output of head B against a perfect head", "1", 0.5, 0.0, 10.0),
    plain("head-a-dead", "head A gives nothing"),
    plain("head-b-dead", "head B gives nothing"),
    valued("head-a-dirt", "dirt between head A and tape", "um", 0.3, 0.0, 20.0),
    valued("head-b-dirt", "dirt between head B and tape", "um", 0.3, 0.0, 20.0),
    valued("head-a-height", "height error of head A across the track", "um", 15.0, -500.0, 500.0),
    valued("head-b-height", "height error of head B across the track", "um", 15.0, -500.0, 500.0),
    valued("entrance-guide", "height error of the entrance guide", "um", 25.0, -500.0, 500.0),
    valued("exit-guide", "height error of the exit guide", "um", 25.0, -500.0, 500.0),
    valued(
        "contact-dip",
        "share of the carrier's level that dirt on the drum near the exit takes",
        "1",
        0.4,
        0.0,
        0.99,
    ),
    valued("tracking", "tracking control, in track pitches", "pitch", 0.3, -2.0, 2.0),
    plain("tracking-keys-dead", "the tracking keys do nothing"),
    valued(
        "tracking-centre-wanders",
        "both tracking keys at once give another place each time, by so many pitches",
        "pitch",
        0.1,
        -1.0,
        1.0,
    ),
    valued("hunting", "tracking servo hunts by this many pitches", "pitch", 0.4, 0.0, 5.0),
    valued("wrong-tape-speed", "play speed over recorded speed", "1", 0.5, 0.05, 10.0),
    plain("preamp-dead", "head preamplifier gives nothing"),
    plain("head-switch-dead", "head switch stands in its low state"),
    valued("drum-unlocked", "drum runs free with this relative speed error", "1", 0.02, -0.5, 0.5),
    valued(
        "capstan-free",
        "capstan runs free with this relative speed error, though control pulses are there",
        "1",
        0.007,
        -0.5,
        0.5,
    ),
    plain("reference-missing", "the servos' reference is missing"),
    plain("blank-tape", "nothing is recorded on the tape"),
    valued("noise", "preamplifier noise, RMS", "V", 0.02, 0.0, 10.0),
    valued("supply", "voltage of the supply rail", "V", 0.0, -100.0, 100.0),
    valued("ripple", "ripple of the supply rail, peak to peak", "V", 0.5, 0.0, 100.0),
    plain("audio-dead", "no audio"),
    plain("transport-stuck", "keys do nothing"),
    valued("head-switch-lines", "lines from both switching edges to vertical sync", "line", 3.0, 0.0, 50.0),
    valued(
        "head-switch-b",
        "lines by which the switching to head B lies earlier than that to A",
        "line",
        2.5,
        -50.0,
        50.0,
    ),
    valued("head-switch-jitter", "standard deviation of the switching instants", "s", 3e-5, 0.0, 1e-3),
    valued("drum-hunting", "the drum's phase swings by so much", "s", 3e-4, 0.0, 0.01),
    valued("x-position", "displacement of the audio and control head along the tape", "mm", 0.15, -10.0, 10.0),
    valued("video-gain", "gain of the video output", "1", 0.6, 0.0, 10.0),
    valued("video-sync", "height of sync over its right one", "1", 0.5, 0.0, 10.0),
    valued("video-burst", "level of colour over its right one", "1", 0.4, 0.0, 10.0),
    valued("video-set-up", "picture stands so far above its right place over blanking", "V", 0.08, -1.0, 1.0),
    valued("search-speed", "search speed over play speed", "1", 5.0, 1.0, 50.0),
    valued("video-time-base", "greatest displacement of lines in time", "s", 2e-5, 0.0, 1e-4),
    valued("middle-lift", "air between tape and heads in the middle of the scan", "um", 0.3, 0.0, 20.0),
    valued(
        "brush",
        "level of each scan scatters by this share: a bad contact that turns with the drum",
        "1",
        0.3,
        0.0,
        1.0,
    ),
    plain("video-dead", "no video comes out"),
    valued("audio-azimuth", "the audio head leans by so much", "'", 8.0, -600.0, 600.0),
    valued("audio-height", "the audio and control head stands so much too high", "um", 150.0, -500.0, 500.0),
    valued("audio-tilt", "the audio and control head is tilted, its top away from the tape", "'", 60.0, -600.0, 600.0),
    valued("audio-right", "level of the right audio channel over its right one", "1", 0.6, 0.0, 10.0),
    valued("audio-tone", "the tape is at a place with this tone alone", "Hz", 3150.0, 1.0, 20_000.0),
    valued("flutter-drum", "speed error that turns with the drum, peak", "%", 1.0, 0.0, 20.0),
    valued("flutter-capstan", "speed error that turns with the capstan, peak", "%", 0.8, 0.0, 20.0),
    valued("flutter-reel", "speed error that turns with a reel, peak", "%", 2.0, 0.0, 20.0),
    valued("ripple-frequency", "frequency of the supply rail's ripple", "Hz", 60.0, 1.0, 1e6),
    valued("switching-ripple", "ripple of the supply's switching converter, peak to peak", "V", 0.5, 0.0, 100.0),
    valued("dropouts", "dropouts a minute, whatever the tape is like", "/min", 120.0, 0.0, 2000.0),
    valued("hifi-left", "level of the left FM sound carrier over its right one", "1", 0.4, 0.0, 10.0),
    valued("hifi-head-b", "output of the audio head that goes with head B", "1", 0.4, 0.0, 10.0),
    valued("hifi-off", "FM sound carriers lie so far above their frequency", "Hz", 3e4, -3e5, 3e5),
];

/// A fault by its name.
pub(crate) fn fault_kind(name: &str) -> Result<&'static FaultKind, FaultError> {
    FAULTS.iter().find(|kind| kind.name == name).ok_or_else(|| FaultError::Unknown {
        given: name.to_owned(),
        known: FAULTS.iter().map(|kind| kind.name).collect::<Vec<_>>().join(", "),
    })
}

impl Faults {
    /// Sets a fault; an empty value takes the usual one.
    pub(crate) fn set(&mut self, name: &str, value: &str) -> Result<(), FaultError> {
        let kind = fault_kind(name)?;
        let text = value.trim();
        let number = match text {
            "" | "on" | "true" => Some(kind.usual),
            "off" | "false" => None,
            other => {
                let wrong = FaultError::Value {
                    name: kind.name,
                    given: value.to_owned(),
                    wanted: if kind.unit.is_empty() {
                        "on, off or nothing"
                    } else {
                        "a number within its range, off, or nothing"
                    },
                };
                let parsed =
                    other.parse::<f64>().ok().filter(|x| x.is_finite() && *x >= kind.least && *x <= kind.greatest);
                Some(parsed.ok_or(wrong)?)
            }
        };
        self.put(kind, number);
        Ok(())
    }

    /// Takes a fault away.
    pub(crate) fn clear(&mut self, name: &str) -> Result<(), FaultError> {
        self.put(fault_kind(name)?, None);
        Ok(())
    }

    fn put(&mut self, kind: &FaultKind, value: Option<f64>) {
        let on = value.is_some_and(|v| v != 0.0);
        match kind.name {
            "control-contact-open" => self.control_open = on,
            "control-weak" => self.control_level = value,
            "control-missing" => self.control_missing = value,
            "head-a-gain" => self.head_a = value,
            "head-b-gain" => self.head_b = value,
            "head-a-dead" => self.head_a = on.then_some(0.0),
            "head-b-dead" => self.head_b = on.then_some(0.0),
            "head-a-dirt" => self.head_a_dirt_um = value.unwrap_or(0.0),
            "head-b-dirt" => self.head_b_dirt_um = value.unwrap_or(0.0),
            "head-a-height" => self.head_a_height_um = value,
            "head-b-height" => self.head_b_height_um = value,
            "entrance-guide" => self.entrance_um = value,
            "exit-guide" => self.exit_um = value,
            "contact-dip" => self.contact_dip = value.unwrap_or(0.0),
            "tracking" => self.tracking_pitch = value,
            "tracking-keys-dead" => self.tracking_keys_dead = on,
            "tracking-centre-wanders" => {
                self.tracking_centre_wanders = value;
                self.tracking_centre_pitch = 0.0;
            }
            "hunting" => self.hunting_pitch = value,
            "wrong-tape-speed" => self.speed_ratio = value,
            "preamp-dead" => self.preamp_dead = on,
            "head-switch-dead" => self.head_switch_dead = on,
            "drum-unlocked" => self.drum_unlocked = value,
            "capstan-free" => self.capstan_free = value,
            "reference-missing" => self.reference_missing = on,
            "blank-tape" => self.blank_tape = on,
            "noise" => self.noise_v = value,
            "supply" => self.supply_v = value,
            "ripple" => self.ripple_v = value,
            "audio-dead" => self.audio_dead = on,
            "transport-stuck" => self.transport_stuck = on,
            "head-switch-lines" => self.switch_lines = value,
            "head-switch-b" => self.switch_b_earlier_lines = value,
            "head-switch-jitter" => self.switch_jitter_s = value,
            "drum-hunting" => self.drum_hunting_s = value,
            "x-position" => self.x_error_mm = value,
            "video-gain" => self.video_gain = value,
            "video-sync" => self.video_sync = value,
            "video-burst" => self.video_burst = value,
            "video-set-up" => self.video_set_up_v = value,
            "search-speed" => self.search_speed = value,
            "video-time-base" => self.video_time_base_s = value,
            "middle-lift" => self.middle_lift_um = value.unwrap_or(0.0),
            "brush" => self.brush_noise = value.unwrap_or(0.0),
            "video-dead" => self.video_dead = on,
            "audio-azimuth" => self.audio_azimuth_min = value,
            "audio-height" => self.audio_height_um = value,
            "audio-tilt" => self.audio_tilt_min = value,
            "audio-right" => self.audio_right = value,
            "audio-tone" => self.audio_tone_hz = value,
            "flutter-drum" => self.flutter_drum = value,
            "flutter-capstan" => self.flutter_capstan = value,
            "flutter-reel" => self.flutter_reel = value,
            "ripple-frequency" => self.ripple_hz = value,
            "switching-ripple" => self.switching_v = value,
            "dropouts" => self.dropouts_a_minute = value,
            "hifi-left" => self.hifi_left = value,
            "hifi-head-b" => self.hifi_head_b = value,
            "hifi-off" => self.hifi_off_hz = value,
            other => unreachable!("fault `{other}` is listed and not handled"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_listed_fault_can_be_set_and_cleared() {
        for kind in FAULTS {
            let mut faults = Faults::default();
            faults.set(kind.name, "").unwrap();
            assert_ne!(faults, Faults::default(), "{} does nothing", kind.name);
            faults.clear(kind.name).unwrap();
            assert_eq!(faults, Faults::default(), "{} stays", kind.name);
        }
    }

    #[test]
    fn wrong_names_and_values_are_told() {
        let mut faults = Faults::default();
        assert!(faults.set("no-such", "1").unwrap_err().to_string().contains("entrance-guide"));
        assert!(faults.set("exit-guide", "much").unwrap_err().to_string().contains("`much`"));
        assert!(faults.set("exit-guide", "nan").is_err());
    }
}
