//! What is on the bench for guides: the RF, the pitch, and the control pulses that tell the tracking position.

use tapewright_sdk::control::pulses_of;
use tapewright_sdk::formats::relations::pitch_um;
use tapewright_sdk::measure::pulses::delays_to_switch;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

/// The bench as this procedure sees it.
pub(crate) struct Eye {
    pub(crate) front: Front,
    pub(crate) subject: Subject,
    pub(crate) pitch_um: f64,
    /// Where the control pulses can be sampled.
    control: Option<Point>,
}

impl Eye {
    pub(crate) fn new(subject: &Subject, front: Front) -> Result<Self> {
        let control = hookup()?.into_iter().find(|p| p.signal == Signal::ControlTrack && !p.trigger_only);
        let control = control.filter(|_| subject.format.control_track && abilities().channels >= 2);
        Ok(Self { front, pitch_um: pitch_um(subject.format), control, subject: subject.clone() })
    }

    /// Whether the control pulses tell which way the tracking was moved.
    pub(crate) const fn sign_is_told(&self) -> bool {
        self.control.is_some()
    }

    /// Why no control pulses told the tracking sides, and what to do.
    pub(crate) fn why_untold(&self) -> &'static str {
        match &self.control {
            None => {
                "without control pulses nothing tells that tracking was turned to both sides, and which is which: hook up the control track to a channel beside the RF, and run once more"
            }
            Some(_) => {
                "the control track is hooked up, but no pulse was found in the captures beside the RF, so nothing tells that tracking was turned to both sides: look at the probe on the control track, and run once more"
            }
        }
    }

    /// What is captured beside the RF.
    pub(crate) fn beside(&self) -> &'static [Signal] {
        if self.control.is_some() { &[Signal::ControlTrack] } else { &[] }
    }

    /// Delay from the control pulse to the switching to head A, in seconds, of a capture that began at that
    /// switching; none where nothing tells.
    pub(crate) fn delay_s(&self, capture: &Capture) -> Option<f64> {
        let point = self.control.as_ref()?;
        let pulses = pulses_of(capture, point.form).ok()?;
        delays_to_switch(&pulses.times_s, &[0.0], self.frame_s()).ok()?.first().copied()
    }

    pub(crate) fn frame_s(&self) -> f64 {
        1.0 / self.front.lines.frame_rate_hz()
    }

    /// How far the head lies from where it lay at another delay, in pitches, positive towards the track
    /// recorded next: the tape further on lets its pulse pass earlier, and a pitch is half a frame of tape.
    pub(crate) fn pitches(&self, delay_s: f64, centre_s: f64) -> f64 {
        let frame_s = self.frame_s();
        let away = (delay_s - centre_s + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s;
        2.0 * away / frame_s
    }
}
