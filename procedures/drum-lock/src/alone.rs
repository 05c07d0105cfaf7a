//! The drum's rate without a reference: one slow record of the head switch against the scope's time base.

use crate::parameters as p;
use tapewright_sdk::formats::{LineStandard, SignalForm};
use tapewright_sdk::measure::pulses::pulses_in;
use tapewright_sdk::prelude::*;

/// Length of the record; not a whole number of frames of either standard, so that edges fall between points here and there.
const SPAN_S: f64 = 17.37;

pub(crate) fn judge(lines: LineStandard, settings: &Settings, report: &mut Report) -> Result<()> {
    let switch = hooked_up(Signal::HeadSwitch)?;
    if switch.trigger_only {
        let why = format!(
            "the head switch is on {}, which can only trigger, and there is no reference to hold it against: put the reference or the head switch on a channel",
            switch.channel
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("drum.rate"));
    }
    report.progress(0.2, "records the head switch");
    let frame_hz = lines.frame_rate_hz();
    let points = (40.0 * SPAN_S * frame_hz) as u32;
    let points = points.min(abilities().greatest_points);
    let capture = Acquire::of(&[Signal::HeadSwitch]).span_s(SPAN_S).least_points(points).take_one()?;
    let trace = capture.trace(Signal::HeadSwitch)?.samples()?;
    trace.conversion().demand_unclipped("head switch")?;
    let pulses = pulses_in(&trace, SignalForm::Square).on("drum.rate")?;
    let rate = pulses.rate(frame_hz, capture.info.timebase_uncertainty).on("drum.rate")?;
    report.measured(Measured::new("drum.rate", Unit::Hertz, &rate));
    let error = rate.clone().scaled(100.0 / frame_hz).shifted(-100.0);
    let limits = settings.within(0.0, &p::RATE_GOOD, &p::RATE_REJECT);
    let outcome = report.measured(Measured::new("drum.rate-error", Unit::Percent, &error).judged(limits));
    match outcome {
        Some(Outcome::Fail) => {
            report.found(Finding::DrumNotLocked, &format!("{:.4} Hz, {frame_hz:.4} Hz are right", rate.value));
        }
        Some(Outcome::Marginal | Outcome::Inconclusive) => {
            report.advise("Hook up the reference beside the head switch: the ratio of the two does not depend on the scope's points and time base.");
        }
        _ => {}
    }
    Ok(())
}
