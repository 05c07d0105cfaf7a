//! Pulses: square ones after an amplifier, spike pairs straight off a tape head.
//!
//! Square pulses are timed by their rising edges. Spike pairs are timed by the positive spike's
//! peak: a parabola through the samples above 70 % of it (least squares), or through the three highest
//! where there are fewer than five. Everything counted is per observed time.

use crate::edges::{Edge, Polarity, edges, edges_of_pairs, states_of, step_across};
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use crate::spikes::spikes;
use crate::trace::{Conversion, PairTrace, Trace};
use crate::train::single_period;
use tapewright_formats::SignalForm;

pub use crate::delay::{delays_to_switch, mean_delay};
pub use crate::spikes::unseen_spikes;
pub use crate::train::{counting_period, missing_share};

/// A spike must stand so many standard deviations above the noise: in a million samples of normal
/// noise none does.
pub const CLEAR_OF_NOISE: f64 = 6.0;

/// How well a place between two samples is known whose signal follows no known course, in samples. Common practice,
/// no source.
pub(crate) const NO_STRAIGHT_LINE: f64 = 0.06;

/// Pulses that were found in one record.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulses {
    /// Times of the timing edge or peak, in seconds from the trigger, rising.
    pub times_s: Vec<f64>,
    /// Standard uncertainty of one time from noise and sampling.
    pub time_u_s: f64,
    /// Each time may lie anywhere within this of what is stated, to either side: half a sample where the transitions fall
    /// between samples. 0 where samples lie on them.
    pub within_s: f64,
    /// Level, in volts; see the definitions.
    pub level: Estimate,
    /// Duty of each complete period, in per cent; empty for spikes.
    pub duties: Vec<f64>,
    /// Rising and falling edge of each of these periods, in seconds from the trigger.
    pub highs_s: Vec<(f64, f64)>,
    /// Begin and end of the record.
    pub observed: (f64, f64),
}

/// Pulses that did not come.
#[derive(Debug, Clone, PartialEq)]
pub struct Missing {
    /// How many did not come.
    pub missing: u64,
    /// How many should have come.
    pub expected: u64,
    /// Share of the missing ones (unit 1), with its exact binomial interval.
    pub share: Estimate,
    /// Over this time.
    pub observed_s: f64,
}

/// Finds pulses of a form (`square` or `spike`) in a sampled record.
///
/// # Errors
/// [`MeasureError::InNoise`] where none stand out (absence, as far as this record shows),
/// [`MeasureError::TooShort`], [`MeasureError::BadParameter`] for another form.
pub fn pulses_in(trace: &Trace, form: SignalForm) -> Result<Pulses, MeasureError> {
    let observed = (trace.t0_s(), trace.t0_s() + trace.span_s());
    match form {
        SignalForm::Square => {
            let states = states_of(trace.volts(), trace.conversion().step_v)?;
            demand_clear(states.difference_v(), states.noise_v, "square pulses")?;
            let found = edges(trace, &states)?;
            let (step_v, shares) = step_across(trace, &found, &states);
            square(&found, (step_v, shares, states.noise_v), trace.dt_s(), trace.conversion(), observed)
        }
        SignalForm::Spike => {
            let times = |i: f64| trace.t0_s() + i * trace.dt_s();
            spikes(trace.volts(), trace.volts(), trace.conversion(), trace.dt_s(), false, &times, observed)
        }
        SignalForm::Raw | SignalForm::Detected => Err(not_pulses()),
    }
}

/// Finds pulses in pairs: each time lies anywhere in its bin.
///
/// # Errors
/// As [`pulses_in`].
pub fn pulses_in_pairs(pairs: &PairTrace, form: SignalForm) -> Result<Pulses, MeasureError> {
    let half = 0.5 * pairs.dt_s();
    let observed = (pairs.t0_s() - half, pairs.t0_s() - half + pairs.len() as f64 * pairs.dt_s());
    match form {
        SignalForm::Square => {
            let both: Vec<f32> = pairs.least().iter().chain(pairs.greatest()).copied().collect();
            let states = states_of(&both, pairs.conversion().step_v)?;
            demand_clear(states.difference_v(), states.noise_v, "square pulses")?;
            let found = edges_of_pairs(pairs, &states)?;
            let shares = vec![Contribution::type_b("noise and conversion", states.difference_u_v)];
            square(&found, (states.difference_v(), shares, 0.0), pairs.dt_s(), pairs.conversion(), observed)
        }
        SignalForm::Spike => {
            let times = |i: f64| pairs.t0_s() + i * pairs.dt_s();
            spikes(pairs.greatest(), pairs.least(), pairs.conversion(), pairs.dt_s(), true, &times, observed)
        }
        SignalForm::Raw | SignalForm::Detected => Err(not_pulses()),
    }
}

fn not_pulses() -> MeasureError {
    MeasureError::BadParameter {
        what: "form of a pulse signal",
        given: f64::from(0_u8),
        expected: "`square` or `spike`; set the form in the hookup",
    }
}

fn demand_clear(height: f64, noise: f64, what: &'static str) -> Result<(), MeasureError> {
    if height > CLEAR_OF_NOISE * noise {
        return Ok(());
    }
    Err(MeasureError::InNoise { what, detail: format!("{height:.3e} V over noise of {noise:.3e} V") })
}

/// The gain's share of a level: it lies within its specification (see [`Conversion::gain_share`]).
pub(crate) fn gain_of(level_v: f64, conversion: &Conversion) -> Contribution {
    let share = conversion.gain_share();
    Contribution { standard_uncertainty: level_v.abs() * share.standard_uncertainty, ..share }
}

/// Square pulses from their edges; the step is in volts, with what makes it uncertain and the noise upon it.
fn square(
    found: &[Edge],
    (step, mut shares, noise): (f64, Vec<Contribution>, f64),
    dt_s: f64,
    conversion: &Conversion,
    observed: (f64, f64),
) -> Result<Pulses, MeasureError> {
    let rising: Vec<&Edge> = found.iter().filter(|e| e.polarity == Polarity::Rising).collect();
    if rising.is_empty() {
        return Err(MeasureError::InNoise { what: "square pulses", detail: "no rising edge".into() });
    }
    // Where samples lie on the transition, its slope is at least the step over three samples. No transition is a
    // straight line, and none is placed better than to some hundredths of a sample, however quiet it is.
    let sampled = (noise / (step / (3.0 * dt_s))).hypot(NO_STRAIGHT_LINE * dt_s);
    let squares = rising
        .iter()
        .map(|e| if e.half_width_s > 0.0 { e.half_width_s.powi(2) / 3.0 } else { sampled * sampled })
        .sum::<f64>();
    let time_u_s = (squares / rising.len() as f64).sqrt();
    // A transition that a sample met by chance is known better, and no worse for being taken as the others.
    let between: Vec<f64> = rising.iter().map(|e| e.half_width_s).filter(|half| *half > 0.0).collect();
    let within_s = if 2 * between.len() > rising.len() { between.iter().copied().fold(0.0, f64::max) } else { 0.0 };
    let (mut duties, mut highs_s) = (Vec::new(), Vec::new());
    let gaps: Vec<f64> = rising.windows(2).map(|w| w[1].time_s - w[0].time_s).collect();
    // A period that holds a missing pulse has no duty.
    let longest = 1.5 * single_period(&gaps).unwrap_or(0.0);
    for w in found.windows(3) {
        if w[2].time_s - w[0].time_s < longest
            && w[0].polarity == Polarity::Rising
            && w[1].polarity == Polarity::Falling
            && w[2].polarity == Polarity::Rising
        {
            duties.push(100.0 * (w[1].time_s - w[0].time_s) / (w[2].time_s - w[0].time_s));
            highs_s.push((w[0].time_s, w[1].time_s));
        }
    }
    shares.push(gain_of(step, conversion));
    let level = Estimate::combined(step, shares)?;
    let times_s = rising.iter().map(|e| e.time_s).collect();
    Ok(Pulses { times_s, time_u_s, within_s, level, duties, highs_s, observed })
}
