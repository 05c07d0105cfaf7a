//! Whether a capture is what the simulated scope took: every code, every scaling, the right trigger.
//!
//! The truth is the simulator's own memory of the acquisition, which no fault of the link touches.

use sim_instrument::{Coupling as Coupled, Taken, TriggerFrom, TriggerOn, TriggeredBy, source};
use tapewright_formats::Signal;
use tapewright_instrument::{Capture, CaptureRequest, Coupling, Detection, Dialect, Hookup, Slope, Trace, Trigger};

/// Greatest relative difference that printing and reading numbers may make.
const PRINTED: f64 = 1e-5;
/// Seconds by which the estimate of the trigger's time may lie outside its own bounds: the clock counts
/// in nanoseconds, and an instrument's record is not longer than its time base says by more than its error.
const TRIGGER_SLACK_S: f64 = 1e-6;

/// What was asked of what, and what the scope took meanwhile.
#[derive(Debug)]
pub struct Asked<'a> {
    /// The words that were spoken.
    pub dialect: &'a Dialect,
    /// What is on which input.
    pub hookup: &'a Hookup,
    /// What was asked.
    pub request: &'a CaptureRequest,
    /// When it was asked, on the bench's clock.
    pub from_s: f64,
    /// The newest acquisitions.
    pub taken: &'a [Taken],
}

impl Asked<'_> {
    /// Nothing if the captures are true; else what is wrong with the first that is not.
    #[must_use]
    pub fn lie(&self, captures: &[Capture]) -> Option<String> {
        if captures.len() != self.request.count as usize {
            return Some(format!("{} captures where {} were asked for", captures.len(), self.request.count));
        }
        let mut before = 0;
        for capture in captures {
            match self.origin(capture, before) {
                Ok(number) => before = number,
                Err(why) => return Some(why),
            }
        }
        None
    }

    /// The number of the acquisition that a capture is: a newer one than `before`.
    fn origin(&self, capture: &Capture, before: u64) -> Result<u64, String> {
        let mut nearest = "the scope took nothing meanwhile".to_owned();
        let mut depth = 0;
        for taken in self.taken.iter().rev() {
            let number = taken.acquisition.number;
            let steps = [
                self.timely(taken, before),
                self.traces(capture, taken),
                self.trigger(capture, taken),
                self.trigger_time(capture, taken),
            ];
            let good = steps.iter().take_while(|step| step.is_ok()).count();
            if good == steps.len() {
                return Ok(number);
            }
            // The one that fits furthest says best what is wrong.
            if good >= depth
                && let Some(Err(why)) = steps.into_iter().nth(good)
            {
                depth = good;
                nearest = format!("acquisition {number}: {why}");
            }
        }
        Err(nearest)
    }

    fn timely(&self, taken: &Taken, before: u64) -> Result<(), String> {
        if taken.acquisition.number <= before {
            return Err(format!("it is not newer than {before}"));
        }
        if taken.acquisition.armed_s + 1e-9 < self.from_s {
            return Err(format!("it was armed at {} s, before {} s", taken.acquisition.armed_s, self.from_s));
        }
        Ok(())
    }

    fn traces(&self, capture: &Capture, taken: &Taken) -> Result<(), String> {
        let asked = &self.request.signals;
        if capture.traces.len() != asked.len() || capture.setup.channels.len() != asked.len() {
            return Err(format!("{} traces of {} signals", capture.traces.len(), asked.len()));
        }
        for ((trace, setup), signal) in capture.traces.iter().zip(&capture.setup.channels).zip(asked) {
            self.trace(trace, *signal, taken).map_err(|why| format!("trace of {signal}: {why}"))?;
            let input = self.input(*signal)?;
            let set = taken.setup.channels.get(input).ok_or("no such channel")?;
            let factor = self.factor(*signal);
            close("volts a step of the set-up", setup.step_v, set.full_scale_v / 256.0 * factor)?;
            near("middle of the set-up", setup.centre_v, set.centre_v * factor, 0.02 * set.full_scale_v * factor)?;
        }
        Ok(())
    }

    fn trace(&self, trace: &Trace, signal: Signal, taken: &Taken) -> Result<(), String> {
        if trace.signal != signal {
            return Err(format!("it says it is {}", trace.signal));
        }
        let input = self.input(signal)?;
        let (Some(Some(codes)), Some(set)) = (taken.codes.get(input), taken.setup.channels.get(input)) else {
            return Err("the channel was off".into());
        };
        if trace.pairs != taken.setup.peak || trace.pairs != (self.request.detection == Detection::Peak) {
            return Err("pairs where samples are, or the other way".into());
        }
        let values = if trace.pairs { 2 } else { 1 };
        close("time from point to point", trace.dt_s, taken.setup.dt_s)?;
        // A pair stands at the middle of its bin.
        let first_s = trace.t0_s - if trace.pairs { taken.setup.dt_s / 2.0 } else { 0.0 };
        let place = (first_s + taken.setup.before_s) / taken.setup.dt_s;
        if (place - place.round()).abs() > 0.02 || place.round() < 0.0 {
            return Err(format!("its first point lies at place {place:.4} of the record"));
        }
        let from = place.round() as usize * values;
        let truth = codes.get(from..from + trace.codes.len()).ok_or("it is longer than the record")?;
        let raw = |code: i16| i32::from(code) - trace.code_low;
        if let Some(i) = trace.codes.iter().zip(truth).position(|(code, truth)| raw(*code) != i32::from(*truth)) {
            return Err(format!("code {i} is {} and was {}", raw(trace.codes[i]), truth[i]));
        }
        let factor = self.factor(signal);
        let step_v = set.full_scale_v / 256.0 * factor;
        close("volts a code", trace.gain_v, step_v)?;
        let middle_v = trace.offset_v + f64::from(128 + trace.code_low) * trace.gain_v;
        near("volts at the middle code", middle_v, set.centre_v * factor, 0.01 * step_v)?;
        let coupled = match self.hookup.point(signal).map(tapewright_instrument::Point::coupling) {
            Some(Coupling::Ac) => Coupled::Ac,
            _ => Coupled::Dc,
        };
        if set.coupling != coupled {
            return Err(format!("it was coupled {:?}", set.coupling));
        }
        let covers = |at_s: f64| (at_s - trace.t0_s) / trace.dt_s;
        let end = covers(self.request.span_s - self.request.before_s);
        if covers(-self.request.before_s) < -2.0 || end > trace.codes.len() as f64 / values as f64 + 2.0 {
            return Err("it does not cover what was asked for".into());
        }
        Ok(())
    }

    fn trigger(&self, capture: &Capture, taken: &Taken) -> Result<(), String> {
        let by = taken.acquisition.by;
        let wrong = || Err(format!("{:?} {:?} triggered it by {by:?}", taken.setup.from, taken.setup.on));
        if capture.triggered != (self.request.trigger != Trigger::Free) {
            return Err("whether it was triggered is told wrong".into());
        }
        let source = |signal| self.source(signal);
        match self.request.trigger {
            Trigger::Free => Ok(()),
            Trigger::Edge(edge) => {
                let TriggerOn::Edge { slope, level_v } = taken.setup.on else { return wrong() };
                let same = (slope == source::Slope::Rising) == (edge.slope == Slope::Rising);
                if by != TriggeredBy::Edge || taken.setup.from != source(edge.signal)? || !same {
                    return wrong();
                }
                let asked_v = edge.level_v.unwrap_or_default();
                near("the trigger's level", level_v * self.factor(edge.signal), asked_v, 1e-3)
            }
            Trigger::Field(field) => {
                let on = TriggerOn::Video { field: (field > 0).then_some(field as u8), line: None };
                if by != TriggeredBy::Video || taken.setup.from != source(Signal::Video)? || taken.setup.on != on {
                    return wrong();
                }
                Ok(())
            }
            Trigger::Line(line) => {
                let TriggerOn::Video { line: Some(on), .. } = taken.setup.on else { return wrong() };
                if by != TriggeredBy::Video || taken.setup.from != source(Signal::Video)? || on != line {
                    return wrong();
                }
                Ok(())
            }
        }
    }

    /// The true time lies within the bounds that the uncertainty was made from.
    fn trigger_time(&self, capture: &Capture, taken: &Taken) -> Result<(), String> {
        let half_s = capture.trigger_uncertainty_s * 3_f64.sqrt() + TRIGGER_SLACK_S;
        let span_s = taken.setup.dt_s * f64::from(taken.setup.points);
        let true_s = taken.acquisition.trigger_s;
        near("the trigger's time", capture.trigger_s, true_s, half_s + 1e-3 * span_s)
    }

    fn factor(&self, signal: Signal) -> f64 {
        self.hookup.point(signal).map_or(1.0, |point| point.probe_factor)
    }

    /// Place of the channel that a signal is on.
    fn input(&self, signal: Signal) -> Result<usize, String> {
        let label = &self.hookup.point(signal).ok_or("it is not hooked up")?.channel;
        let place = self.dialect.channels().position(|input| &input.label == label);
        place.ok_or_else(|| format!("{label} is no channel"))
    }

    fn source(&self, signal: Signal) -> Result<TriggerFrom, String> {
        let label = &self.hookup.point(signal).ok_or("it is not hooked up")?.channel;
        Ok(self
            .dialect
            .channels()
            .position(|input| &input.label == label)
            .map_or(TriggerFrom::External, TriggerFrom::Channel))
    }
}

fn near(what: &str, is: f64, truth: f64, slack: f64) -> Result<(), String> {
    if (is - truth).abs() <= slack { Ok(()) } else { Err(format!("{what} is told as {is:e}, and was {truth:e}")) }
}

fn close(what: &str, is: f64, truth: f64) -> Result<(), String> {
    near(what, is, truth, PRINTED * truth.abs())
}
