//! The rate of a pulse train by itself. Looks at its phase see the pulse that is due, and would not notice others between these, nor
//! that only each second one comes: a tape at twice its speed keeps its phase as well as one at its own.

use crate::bench::{Point, abilities};
use crate::captures::Acquire;
use crate::control::{ControlPulses, demand_even};
use crate::unable::Result;
use tapewright_formats::{Signal, SignalForm, UnableCode};
use tapewright_measure::pulses::pulses_in;
use tapewright_measure::statistics::median;
use tapewright_measure::{Estimate, MeasureError};

/// Periods in the record: at a third of the rate it still holds four pulses.
const PERIODS: f64 = 12.4;
/// Points of it.
const POINTS: u32 = 5_000;
/// Pulses this much further apart than they should be, or nearer, come at another rate; what is less is told by the phase, which
/// then walks.
const OTHER: f64 = 1.25;

/// The rate of a train, in hertz, that surely runs at another one than once in `period_s`; none: at its own, or its pulses do not
/// tell, since too few come evenly.
///
/// # Errors
/// What the daemon says; `clipped`, `bad-data`.
pub(crate) fn other_rate(point: &Point, period_s: f64) -> Result<Option<Estimate>> {
    let span_s = PERIODS * period_s;
    let (pulses, timebase_u) = if point.signal == Signal::ControlTrack {
        match ControlPulses::new(point.form).look(span_s) {
            Err(unable) if unable.code == UnableCode::InNoise => return Ok(None),
            look => look?,
        }
    } else {
        let points = abilities().greatest_points.min(POINTS);
        let capture = Acquire::of(&[point.signal]).span_s(span_s).least_points(points).take_one()?;
        match pulses_in(&capture.trace(point.signal)?.samples()?, SignalForm::Square) {
            Err(MeasureError::InNoise { .. } | MeasureError::TooShort { .. }) => return Ok(None),
            pulses => (pulses?, capture.info.timebase_uncertainty),
        }
    };
    let gaps_s = pulses.gaps();
    if gaps_s.len() < 3 || demand_even(&gaps_s).is_err() {
        return Ok(None);
    }
    let gap_s = median(&gaps_s)?;
    if (period_s / OTHER..=period_s * OTHER).contains(&gap_s) {
        return Ok(None);
    }
    Ok(Some(pulses.rate(1.0 / gap_s, timebase_u)?))
}
