//! Control pulses as procedures need them that look at something else beside: over a stretch of time, from whichever capture
//! shows them.

use crate::bench::abilities;
use crate::captures::{Acquire, Capture};
use crate::unable::{Result, Unable};
use tapewright_formats::{Signal, SignalForm, UnableCode};
use tapewright_measure::pulses::{Pulses, pulses_in, pulses_in_pairs};

/// Points of a capture of control pulses.
const POINTS: u32 = 2_500;

/// Longest step of samples in which spikes are sought that hardly stand out of the noise: several lie on each, a spike lasts a third
/// of a millisecond to one, by the tape's speed (common practice, no source).
const FAINT_STEP_S: f64 = 1e-4;

/// Most points of these: more take long on a slow link.
const FAINT_POINTS: u32 = 20_000;

/// The control pulses in a capture, of samples or of pairs.
///
/// # Errors
/// As of [`pulses_in`].
pub fn pulses_of(capture: &Capture, form: SignalForm) -> Result<Pulses> {
    let codes = capture.trace(Signal::ControlTrack)?;
    Ok(if codes.info.pairs { pulses_in_pairs(&codes.pairs()?, form)? } else { pulses_in(&codes.samples()?, form)? })
}

/// A gap between pulses that is off its typical length by this share is odd, and so many of them are too many (common practice,
/// no source): no tape wanders like that from pulse to pulse.
const ODD_GAP: f64 = 0.4;
const MOST_ODD: f64 = 0.1;

/// Refuses spikes that come at odd places: the noise hides some and makes others, and what these do is not what the tape does.
///
/// # Errors
/// `in-noise`.
pub fn demand_even(gaps_s: &[f64]) -> Result<()> {
    let mut sorted = gaps_s.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let Some(&typical_s) = sorted.get(sorted.len() / 2) else { return Ok(()) };
    let odd = gaps_s.iter().filter(|gap_s| (**gap_s / typical_s - 1.0).abs() > ODD_GAP).count();
    if odd as f64 <= MOST_ODD * gaps_s.len() as f64 {
        return Ok(());
    }
    let why = format!(
        "{odd} of {} spikes come at odd places, as noise does: put the probe behind the amplifier",
        gaps_s.len()
    );
    Err(Unable::new(UnableCode::InNoise, why))
}

/// Looks at the control pulses. (Permission `captures`.)
///
/// Spikes off a head are taken in pairs, which miss none. Where they hardly stand out of the noise, whose extremes pairs hold, and
/// where the scope gives no pairs, they are taken in close samples instead: over as much of the span as the scope's memory
/// holds of these, which [`Pulses::observed`] tells.
#[derive(Debug)]
pub struct ControlPulses {
    form: SignalForm,
    /// In close samples, as an earlier look showed to be needed.
    close: bool,
}

impl ControlPulses {
    /// At a point of this form.
    #[must_use]
    pub fn new(form: SignalForm) -> Self {
        Self { form, close: form == SignalForm::Spike && abilities().peak_pulse_s.is_none() }
    }

    /// A look over `span_s`: the pulses, and the relative standard uncertainty of the scope's time base.
    ///
    /// # Errors
    /// `in-noise` where none stand out, and those of a capture.
    pub fn look(&mut self, span_s: f64) -> Result<(Pulses, f64)> {
        let (points, is_spike) = (abilities().greatest_points, self.form == SignalForm::Spike);
        if !self.close {
            let ask = Acquire::of(&[Signal::ControlTrack]).span_s(span_s).least_points(points.min(POINTS));
            let capture = if is_spike { ask.peak() } else { ask }.take_one()?;
            let told = pulses_of(&capture, self.form).and_then(|pulses| {
                // Of noise that pairs make of weak spikes, close samples tell.
                if is_spike { demand_even(&pulses.gaps()).map(|()| pulses) } else { Ok(pulses) }
            });
            match told {
                Err(unable) if is_spike && unable.code == UnableCode::InNoise => {}
                seen => return Ok((seen?, capture.info.timebase_uncertainty)),
            }
        }
        let points = points.min(FAINT_POINTS);
        let span_s = close_span_s(span_s, points);
        let capture = Acquire::of(&[Signal::ControlTrack]).span_s(span_s).least_points(points).take_one()?;
        let pulses = pulses_of(&capture, self.form)?;
        self.close = true;
        Ok((pulses, capture.info.timebase_uncertainty))
    }
}

/// Span of a look in so many close samples.
fn close_span_s(asked_s: f64, points: u32) -> f64 {
    let holds_s = FAINT_STEP_S * f64::from(points);
    if asked_s <= holds_s { asked_s } else { step_down(holds_s) }
}

/// Steps of a scope's time base: 1, 2, 5 in each decade (instrument maker's manual, not named).
const STEPS: [f64; 4] = [1.0, 2.0, 5.0, 10.0];

/// The longest step of a time base that is no longer than that.
#[must_use]
pub fn step_down(seconds: f64) -> f64 {
    let decade = 10.0_f64.powf(seconds.log10().floor());
    STEPS.iter().rev().map(|step| step * decade).find(|step| *step <= seconds * (1.0 + 1e-9)).unwrap_or(decade)
}

/// The shortest step of a time base that is no shorter than that.
#[must_use]
pub fn step_up(seconds: f64) -> f64 {
    let decade = 10.0_f64.powf(seconds.log10().floor());
    STEPS.iter().map(|step| step * decade).find(|step| *step >= seconds * (1.0 - 1e-9)).unwrap_or(10.0 * decade)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn close_samples_stay_close_over_spans_that_scopes_have() {
        for (asked_s, points, want_s) in [(2.0, 2_500, 0.2), (2.0, 20_000, 2.0), (0.5, 20_000, 0.5), (9.0, 20_000, 2.0)]
        {
            let span_s = close_span_s(asked_s, points);
            assert!((span_s - want_s).abs() < 1e-9, "{asked_s} s of {points} points: {span_s}");
            assert!(span_s / f64::from(points) <= FAINT_STEP_S * 1.000_001, "{asked_s} s of {points} points");
        }
    }

    #[test]
    fn steps_of_a_time_base() {
        for (seconds, down, up) in [(0.25, 0.2, 0.5), (2.0, 2.0, 2.0), (7.0, 5.0, 10.0), (0.01, 0.01, 0.01)] {
            assert!((step_down(seconds) / down - 1.0).abs() < 1e-9, "{seconds} s: {}", step_down(seconds));
            assert!((step_up(seconds) / up - 1.0).abs() < 1e-9, "{seconds} s: {}", step_up(seconds));
        }
    }

    #[test]
    fn a_train_with_some_pulses_missing_is_even_and_noise_is_not() {
        let train = |odd: usize| -> Vec<f64> { (0..100).map(|n| if n < odd { 0.08 } else { 0.04 }).collect() };
        for (gaps, even) in [
            (train(0), true),
            (train(8), true),
            (train(12), false),
            ((0..60).map(|n| 0.04 * (f64::from(n) * 0.618).fract()).collect(), false),
            (Vec::new(), true),
        ] {
            assert_eq!(demand_even(&gaps).is_ok(), even, "{gaps:?}");
        }
    }
}
