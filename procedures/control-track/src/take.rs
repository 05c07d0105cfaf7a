//! Captures of the control pulses: short ones for shape and time, slow ones for counting.

use crate::plan::{Plan, Shows};
use crate::pool::{Count, Timed};
use tapewright_sdk::Abilities;
use tapewright_sdk::formats::SignalForm;
use tapewright_sdk::measure::Conversion;
use tapewright_sdk::measure::pulses::{
    Pulses, delays_to_switch, mean_delay, pulses_in, pulses_in_pairs, unseen_spikes,
};
use tapewright_sdk::prelude::*;

/// Some six frames.
const SHORT_S: f64 = 0.2;
/// Three frames of spikes: samples lie so close that their mean over a spike is quiet.
const SHORT_OF_SPIKES_S: f64 = 0.1;
/// How long the head switch has to trigger: dozens of frames.
const TRIGGER_S: f64 = 1.5;
/// A frame and a little more of spikes that hardly stand out of the noise: the closer the samples, the quieter their mean.
const CLOSER_S: f64 = 0.05;
/// Points of that, where the scope has them; more take long on a slow link.
const CLOSER_POINTS: u32 = 10_000;
/// Points of a short capture: 80 us apart, of spikes 40 us.
const SHORT_POINTS: u32 = 2500;
/// Least steps of the converter that pulses must be able to span.
const LEAST_STEPS: f64 = 20.0;
/// A record that has less than this share of the time asked for is short.
const WHOLE: f64 = 0.95;

/// Where and how pulses are captured.
pub(crate) struct Taker {
    pub(crate) point: Point,
    /// The head switch, while it triggers.
    pub(crate) switch: Option<Point>,
    pub(crate) scope: Abilities,
    pub(crate) frame_hz: f64,
}

/// What a short capture shows.
pub(crate) struct Short {
    /// Pulses; none: none stand out.
    pub(crate) pulses: Option<Pulses>,
    /// Volts between the greatest and the least, whatever they are.
    pub(crate) span: Estimate,
    /// The pulses stand out only here, in a closer look.
    pub(crate) close: bool,
    /// Volts of spikes that noise hides in a first look, at the most; of squares 0.
    pub(crate) hidden_v: f64,
    /// Delay of its pulses to the head switch.
    pub(crate) delay: Option<Delay>,
}

/// Delay from the pulses of one capture to the head switch.
#[derive(Debug, Clone)]
pub(crate) struct Delay {
    /// Mean over the pulses.
    pub(crate) mean: Estimate,
    /// Of each pulse, in seconds.
    pub(crate) each_s: Vec<f64>,
    /// How far each may lie from what is stated, as in [`Pulses::within_s`].
    pub(crate) within_s: f64,
    /// Standard uncertainty of the mean from the scope's time base: the pulses come so long after the trigger.
    pub(crate) timebase_u_s: f64,
}

/// What a slow record shows.
pub(crate) struct Slow {
    pub(crate) rate: Option<Timed>,
    pub(crate) timebase_u: f64,
}

impl Taker {
    /// `spike` or `square`: a hookup that does not say the form means the amplifier.
    pub(crate) fn form(&self) -> SignalForm {
        if self.point.form == SignalForm::Spike { SignalForm::Spike } else { SignalForm::Square }
    }

    fn short_s(&self) -> f64 {
        if self.form() == SignalForm::Spike { SHORT_OF_SPIKES_S } else { SHORT_S }
    }

    /// A short capture, started by the edge that selects head A where there is a head switch, else in free run. Where no
    /// spike stands out, a closer one.
    pub(crate) fn short(&self) -> Result<Short> {
        let short = self.look(self.short_s(), SHORT_POINTS)?;
        if self.form() == SignalForm::Spike && short.pulses.is_none() {
            return Ok(Short { close: true, hidden_v: short.hidden_v, ..self.look(CLOSER_S, CLOSER_POINTS)? });
        }
        Ok(short)
    }

    fn look(&self, span_s: f64, points: u32) -> Result<Short> {
        let request =
            Acquire::of(&[Signal::ControlTrack]).span_s(span_s).least_points(points.min(self.scope.greatest_points));
        let capture = match &self.switch {
            Some(switch) => {
                let selects_a = if switch.high_is_a { Slope::Rising } else { Slope::Falling };
                request.edge(Signal::HeadSwitch, selects_a).deadline_s(TRIGGER_S).take_one()?
            }
            None => request.take_one()?,
        };
        let trace = capture.trace(Signal::ControlTrack)?.samples()?;
        demand_whole(trace.span_s(), span_s)?;
        let conversion = trace.conversion();
        let seen_v = span_v(conversion)?;
        self.demand_fine(seen_v, conversion.step_v)?;
        let shares = vec![
            Contribution::rectangular("conversion", conversion.step_v),
            Contribution::type_b("gain of the channel", seen_v * conversion.gain_uncertainty),
        ];
        let pulses = found(pulses_in(&trace, self.form()))?;
        let hidden = if self.form() == SignalForm::Spike { Some(unseen_spikes(&trace)?) } else { None };
        let hidden_v = hidden.as_ref().map_or(0.0, |hidden| hidden.interval.high);
        // What is as small as spikes off a head spans no more than the scope's own noise does.
        let span = match (hidden, &pulses) {
            (Some(hidden), None) => hidden,
            _ => Estimate::combined(seen_v, shares)?.within(0.0, f64::MAX),
        };
        let delay = match &pulses {
            Some(pulses) if self.switch.is_some() && capture.info.triggered => {
                self.delay(pulses, trace.dt_s(), capture.info.timebase_uncertainty)
            }
            _ => None,
        };
        Ok(Short { pulses, close: false, span, hidden_v, delay })
    }

    /// The trigger is the edge that selects head A: it lies at time 0, within a point.
    fn delay(&self, pulses: &Pulses, dt_s: f64, timebase_u: f64) -> Option<Delay> {
        let frame_s = 1.0 / self.frame_hz;
        let delays = delays_to_switch(&pulses.times_s, &[0.0], frame_s).ok()?;
        let time_u_s = pulses.time_u_s.hypot(dt_s / 12.0_f64.sqrt());
        // Where the pulses do not keep their place at all there is no mean: the first one shows how far they wander.
        let first = || Estimate::combined(*delays.first()?, vec![Contribution::type_b("sampling", time_u_s)]).ok();
        let mean = mean_delay(&delays, frame_s, time_u_s).ok().or_else(first)?;
        let after_s = pulses.times_s.iter().map(|time| time.abs()).sum::<f64>() / pulses.times_s.len().max(1) as f64;
        Some(Delay { mean, each_s: delays, within_s: pulses.within_s, timebase_u_s: after_s * timebase_u })
    }

    /// How pulses so often and so high are counted, where noise hides spikes of up to `hidden_v`.
    pub(crate) fn plan(&self, rate_hz: f64, level_v: f64, hidden_v: f64) -> Plan {
        let shows = match self.form() {
            SignalForm::Spike => Shows::spikes(level_v, hidden_v, self.scope.peak_pulse_s.is_some()),
            _ => Shows::Squares,
        };
        Plan::new(1.0 / rate_hz, self.scope.greatest_points, shows)
    }

    /// Refuses a range on which neither what is seen nor what is expected spans enough steps: pulses could hide
    /// between them.
    fn demand_fine(&self, seen_v: f64, step_v: f64) -> Result<()> {
        match self.point.expected_v {
            Some(expected_v) if seen_v.max(expected_v) < LEAST_STEPS * step_v => {
                let why = format!(
                    "control-track on {}: a step of the converter is {step_v:.4} V, too coarse for the {expected_v:.4} V expected: choose a smaller range",
                    self.point.channel
                );
                Err(Unable::new(UnableCode::TooFewSteps, why))
            }
            _ => Ok(()),
        }
    }

    /// Counts the pulses of one slow record without a gap; their level is known from short captures.
    pub(crate) fn count(
        &self,
        plan: &Plan,
        record_s: f64,
        rate_hz: f64,
        level_v: f64,
        count: &mut Count,
    ) -> Result<Slow> {
        let request = Acquire::of(&[Signal::ControlTrack]).span_s(record_s).least_points(plan.points(record_s));
        let capture = if plan.in_pairs { request.peak() } else { request }.take_one()?;
        let codes = capture.trace(Signal::ControlTrack)?;
        let (seen, got_s, span_v) = if codes.info.pairs {
            let pairs = codes.pairs()?;
            let span_v = span_v(pairs.conversion())?;
            (found(pulses_in_pairs(&pairs, self.form()))?, pairs.len() as f64 * pairs.dt_s(), span_v)
        } else {
            let trace = codes.samples()?;
            let span_v = span_v(trace.conversion())?;
            (found(pulses_in(&trace, self.form()))?, trace.span_s(), span_v)
        };
        demand_whole(got_s, record_s)?;
        let timebase_u = capture.info.timebase_uncertainty;
        match seen.filter(|pulses| pulses.times_s.len() > 1) {
            Some(pulses) => {
                // Short captures of few pulses may show half the rate; a record tells its own where it does not fit the format.
                let missing = pulses.missing(self.frame_hz)?;
                count.add(missing.missing, missing.expected, missing.observed_s);
                let span_s = pulses.times_s[pulses.times_s.len() - 1] - pulses.times_s[0];
                let rate = pulses.rate(self.frame_hz, timebase_u).ok().map(|rate| Timed { rate, span_s });
                Ok(Slow { rate, timebase_u })
            }
            None if span_v > 0.5 * level_v => {
                let why = format!(
                    "the record spans {span_v:.4} V, as pulses do, but they cannot be told one from the other in it"
                );
                Err(Unable::new(UnableCode::BadData, why))
            }
            // There were pulses before this record and it is flat: all that surely fall into it are missing.
            None => {
                let expected = (got_s * rate_hz).floor() as u64;
                count.add(expected, expected, got_s);
                Ok(Slow { rate: None, timebase_u })
            }
        }
    }
}

/// Pulses, or none where none stand out; other faults are faults.
fn found(pulses: core::result::Result<Pulses, MeasureError>) -> Result<Option<Pulses>> {
    match pulses {
        Ok(pulses) => Ok(Some(pulses)),
        Err(MeasureError::InNoise { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Volts between the greatest and the least of an unclipped record.
fn span_v(conversion: &Conversion) -> Result<f64> {
    conversion.demand_unclipped("control pulses")?;
    Ok(f64::from(conversion.steps_spanned) * conversion.step_v)
}

fn demand_whole(got_s: f64, asked_s: f64) -> Result<()> {
    if got_s >= WHOLE * asked_s {
        return Ok(());
    }
    Err(Unable::new(
        UnableCode::BadData,
        format!("the record of control-track holds {got_s:.3} s of {asked_s:.3} s asked for: take it again"),
    ))
}
