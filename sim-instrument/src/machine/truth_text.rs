//! The truth as text, for whoever asks over a wire: one JSON value an answer.

use super::{Machine, MachineError};
use serde::Serialize;
use tapewright_formats::Signal;

/// What can be asked.
const QUESTIONS: &str = "curve [SECONDS], slip [SECONDS], control [SECONDS], head-switch [SECONDS], present SIGNAL [SECONDS], sound [SECONDS], audio-head [SECONDS], hifi [SECONDS], dropouts [SECONDS], supply, mode, settled, tape, guides, height; \
     a span starts at the instant asked for and lasts a second if nothing is said";

impl Machine {
    /// The exact truth about one thing from an instant on, as JSON.
    ///
    /// # Errors
    /// A question that is not understood, or has no answer then.
    pub fn truth(&self, what: &str, at_s: f64) -> Result<String, MachineError> {
        let words: Vec<&str> = what.split_whitespace().collect();
        let not_understood =
            || MachineError::Truth(format!("`{what}` is no question about the machine; there are: {QUESTIONS}"));
        let span = |place: usize| match words.get(place) {
            None => Ok(1.0),
            Some(text) => text.parse::<f64>().ok().filter(|s| *s > 0.0 && *s <= 3600.0).ok_or_else(not_understood),
        };
        let first = words.first().copied().unwrap_or_default();
        let longest = if first == "present" { 3 } else { 2 };
        if words.len() > longest {
            return Err(not_understood());
        }
        match first {
            "curve" => match self.curve_truth(at_s, at_s + span(1)?) {
                Some(curve) => json(&curve),
                None => Err(MachineError::Truth(
                    "no whole scan of both heads lies in the span: ask in a mode in which the drum turns, for longer"
                        .into(),
                )),
            },
            "slip" => json(&self.slip_truth(at_s, at_s + span(1)?)),
            "control" => json(&self.control_truth(at_s, at_s + span(1)?)),
            "head-switch" => json(&self.head_switch_rate_hz(at_s, at_s + span(1)?)),
            "present" => {
                let name = words.get(1).copied().unwrap_or_default();
                let signal = name.parse::<Signal>().map_err(|error| MachineError::Truth(error.to_string()))?;
                json(&self.really_present(signal, at_s, at_s + span(2)?))
            }
            "sound" => json(&self.sound_truth(at_s, at_s + span(1)?)),
            "audio-head" => json(&self.audio_head_truth(at_s, at_s + span(1)?)),
            "dropouts" => json(&self.dropout_truth(at_s, at_s + span(1)?)),
            "hifi" => match self.hifi_truth(at_s, at_s + span(1)?) {
                Some(truth) => json(&truth),
                None => Err(MachineError::Truth(
                    "there is no depth-recorded sound, or no whole scan of both heads in the span: ask in play".into(),
                )),
            },
            "supply" => json(&self.supply_truth(at_s)),
            "mode" => json(&self.mode_at(at_s)),
            "settled" => json(&(at_s >= self.settled_at_s())),
            "tape" => json(&self.tape()),
            "height" => json(&self.guide_truth(at_s)),
            "guides" => json(&self.timeline.at(at_s).conditions.guides),
            _ => Err(not_understood()),
        }
    }
}

fn json<T: Serialize>(value: &T) -> Result<String, MachineError> {
    serde_json::to_string(value)
        .map_err(|error| MachineError::Truth(format!("the answer could not be written as JSON: {error}")))
}
