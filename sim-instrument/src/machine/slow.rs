//! Supply, audio, depth-recorded carriers, and the spikes of the control head: signals given by a formula.

use super::Machine;
use super::pulses::Train;
use super::random::{Noise, cos_cycles};
use tapewright_formats::{Mode, Signal};

/// Half width of a control head's spike along the tape, micrometres (common practice, no source).
const SPIKE_UM: f64 = 6.0;

impl Machine {
    /// Volts of the supply rail.
    pub(crate) fn supply_v(&self, t_s: f64) -> f64 {
        let (supply, conditions) = (&self.config.supply, &self.timeline.at(t_s).conditions);
        let rail = conditions.faults.supply_v.unwrap_or(supply.rail_v);
        // The ripple of a rectifier: a sawtooth, rounded by its first two harmonics.
        let x = supply.ripple_hz * t_s;
        let shape = (cos_cycles(x) + 0.3 * cos_cycles(2.0 * x + 0.2)) / 2.4;
        rail + conditions.faults.ripple_v.unwrap_or(supply.ripple_v) * shape
    }

    /// Volts of an audio output without noise. The tone follows the tape's place, so slip and flutter are in it.
    pub(crate) fn audio_v(&self, right: bool, t_s: f64) -> f64 {
        let epoch = self.timeline.at(t_s);
        let playing = matches!(epoch.plan.mode, Mode::Play | Mode::Record) && epoch.plan.contact;
        if !playing || epoch.conditions.faults.audio_dead || epoch.conditions.tracks().is_none() {
            return 0.0;
        }
        let audio = &self.config.audio;
        let cycles = audio.tone_hz * epoch.tape.at(t_s) / self.format.lines.field_rate_hz();
        // A head that stands a little askew reads the right track a little late.
        core::f64::consts::SQRT_2 * audio.level_v * cos_cycles(cycles - if right { 0.01 } else { 0.0 })
    }

    /// Volts of the depth-recorded carriers (1.3 and 1.7 MHz on 525 lines, 0.1 more on 625: from memory).
    pub(crate) fn hifi_v(&self, t_s: f64) -> f64 {
        let stretch = self.timeline.stretch(t_s, self.seed);
        if !self.config.hifi || !stretch.contact || stretch.conditions.tracks().is_none() {
            return 0.0;
        }
        let low = if self.format.lines == tapewright_formats::LineStandard::L525 { 1.3e6 } else { 1.4e6 };
        let aside = stretch.kappa(t_s) - stretch.scan.map_or(0.0, |scan| scan as f64);
        let off = (aside - 2.0 * (aside / 2.0).round()).abs();
        0.05 * (1.0 - 0.9 * off) * (cos_cycles(low * t_s) + cos_cycles((low + 4e5) * t_s))
    }

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
            Signal::Supply => self.supply_v(t_s) + 1e-3 * noise.at(t_s),
            Signal::AudioLeft => self.audio_v(false, t_s) + audio_noise_v * noise.at(t_s),
            Signal::AudioRight => self.audio_v(true, t_s) + audio_noise_v * noise.at(t_s),
            _ => self.hifi_v(t_s) + 1e-3 * noise.at(t_s),
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
