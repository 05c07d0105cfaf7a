//! Signals given by a formula, with their noise, and the spikes of the control head.

use super::Machine;
use super::pulses::Train;
use super::random::Noise;
use tapewright_formats::Signal;

/// Half width of a control head's spike along the tape, micrometres (common practice, no source).
const SPIKE_UM: f64 = 6.0;

impl Machine {
    /// Volts off the control head without noise: the derivative of the recorded square, one spike an
    /// edge, as high as the tape is fast.
    pub(crate) fn spikes_v(&self, edges: &[super::pulses::Edge], t_s: f64) -> f64 {
        let epoch = self.timeline.at(t_s);
        if !epoch.start_s.is_finite() {
            return 0.0;
        }
        let nominal = self.format.lines.field_rate_hz();
        let ratio = (epoch.tape.speed(t_s) / nominal).abs();
        let speed_um_s = ratio * self.format.tape_speed_mm_s.value * 1e3;
        let width_s = SPIKE_UM / speed_um_s.max(1.0);
        let height = 0.5 * self.config.control.spike_v * ratio * self.control_share(t_s);
        let near = edges.partition_point(|edge| edge.at_s < t_s - 20.0 * width_s);
        let mut sum = 0.0;
        for edge in edges[near..].iter().take_while(|edge| edge.at_s < t_s + 20.0 * width_s) {
            let d = (t_s - edge.at_s) / width_s;
            let pulse = height / (1.0 + d * d);
            sum += if edge.rising { pulse } else { -pulse };
        }
        sum
    }

    /// Volts of a signal that is given by a formula at one instant.
    pub(crate) fn formula_v(&self, signal: Signal, t_s: f64, noise: &mut Noise) -> f64 {
        let audio_noise_v = self.config.audio.noise_v;
        match signal {
            Signal::Supply => self.supply_v(t_s) + self.config.supply.noise_v * noise.at(t_s),
            Signal::AudioLeft => self.audio_v(false, t_s) + audio_noise_v * noise.at(t_s),
            Signal::AudioRight => self.audio_v(true, t_s) + audio_noise_v * noise.at(t_s),
            _ => self.hifi_v(t_s) + self.config.hifi_heads.noise_v * noise.at(t_s),
        }
    }

    /// The train of a signal, if it is one.
    pub(crate) fn train(signal: Signal) -> Option<Train> {
        match signal {
            Signal::HeadSwitch => Some(Train::HeadSwitch),
            Signal::ControlTrack => Some(Train::Control),
            Signal::DrumPulse => Some(Train::Drum),
            Signal::CapstanPulse => Some(Train::Capstan),
            Signal::Reference => Some(Train::Reference),
            _ => None,
        }
    }
}
