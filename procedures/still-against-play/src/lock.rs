//! Whether the tape keeps its place to the drum: the control pulses' delay to the head switch over time.
//!
//! A control pulse marks a place on the tape, the head switch a place of the drum, so their delay is the
//! tape's phase: constant when locked, running away evenly in a slip, to and fro when a servo hunts. The
//! slope of the delay is the relative speed error (seconds of delay a second), whatever the level shows.

use tapewright_sdk::measure::pulses::{Pulses, delays_to_switch};
use tapewright_sdk::measure::statistics::effective_count;
use tapewright_sdk::prelude::*;

/// Phase may leave a straight line by this share of a frame and still count as even: a twenty-fifth of a
/// pitch moves the level by some per cent. Common practice, no source.
const EVEN: f64 = 0.02;

/// A free capstan's speed is not quite even: of a phase that runs, this share of the run may be off a straight line
/// before it is a wander. Common practice, no source.
const UNEVEN_RUN: f64 = 0.1;

/// Phase that runs further than this share of a frame within the record is a slip, not a wander: a fifth
/// of a pitch. Common practice, no source.
const RUNS: f64 = 0.1;

/// A run shorter than this may be the turn of a slow hunting: a servo that hunts comes back before a neighbour's track.
const SURE_RUN_PITCHES: f64 = 1.0;

impl Lock {
    /// It runs, but not yet so far that a slow hunting could not do the same.
    pub(crate) fn may_turn_back(&self) -> bool {
        self.kind == Kind::Drifts && self.run_pitches < SURE_RUN_PITCHES
    }
}

/// Fewest pulses that tell.
const LEAST_PULSES: usize = 30;

/// What the delay does over the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Held,
    Drifts,
    Wanders,
}

/// The tape's phase over the record.
#[derive(Debug, Clone)]
pub(crate) struct Lock {
    pub(crate) kind: Kind,
    /// Relative speed error without sign, in per cent: the mean over the record.
    pub(crate) speed_error: Estimate,
    /// How far the phase leaves a straight line, as a standard deviation in track pitches (unit 1). A head as
    /// wide as its track loses about as much of its level.
    pub(crate) wander: Estimate,
    /// How far the phase ran along a straight line over the record, in track pitches.
    pub(crate) run_pitches: f64,
    /// Greatest less least phase over the record, in milliseconds.
    pub(crate) excursion_ms: f64,
    /// Length of time seen.
    pub(crate) observed_s: f64,
}

/// Reads the lock from control pulses of a record that began at the head-switch edge that selects head A.
/// The drum is taken to run at its rate meanwhile.
///
/// # Errors
/// `too-short` below thirty pulses.
pub(crate) fn lock(pulses: &Pulses, frame_s: f64, timebase_u: f64) -> Result<Lock> {
    let times = &pulses.times_s;
    if times.len() < LEAST_PULSES {
        let why = format!(
            "{} control pulses in the record, at least {LEAST_PULSES} are needed to follow their delay",
            times.len()
        );
        return Err(Unable::new(UnableCode::TooShort, why));
    }
    let phase = unwrapped(&delays_to_switch(times, &[0.0], frame_s)?, frame_s);
    let line = Line::through(times, &phase);
    let correlated = (times.len() as f64 / effective_count(&line.residuals)?).sqrt();
    let observed_s = times[times.len() - 1] - times[0];
    // Pulses that keep step with the bins all fall on the same place of a bin: the residual then shows
    // nothing, and the slope is known to a bin over the record.
    let stuck = line.deviation < 0.5 * pulses.time_u_s;
    let sampling = if stuck { pulses.time_u_s / observed_s } else { 0.0 };
    let free = (times.len() as f64 / (correlated * correlated) - 2.0).max(1.0);
    let percent = 100.0;
    let signed = Estimate::combined(
        line.slope * percent,
        vec![
            Contribution::type_a("scatter of the delay", line.slope_error * correlated * percent, free),
            Contribution::type_b("pulses in step with the sampling", sampling * percent),
            Contribution::type_b("time base of the scope", timebase_u * percent),
        ],
    )?;
    let (least, greatest) = phase.iter().fold((f64::MAX, f64::MIN), |(l, g), p| (l.min(*p), g.max(*p)));
    let sure = signed.interval.low > 0.0 || signed.interval.high < 0.0;
    let wander = wander(line.deviation, pulses.time_u_s, stuck, times.len() as f64)?.scaled(2.0 / frame_s);
    let run_pitches = 2.0 * line.slope.abs() * observed_s / frame_s;
    // Pulses that flip between two bins are off by up to half a bin, which is sqrt(3) times what bins do at random.
    let beyond_bins = line.deviation > 1.75 * pulses.time_u_s;
    let kind = if beyond_bins && wander.interval.low > (2.0 * EVEN).max(UNEVEN_RUN * run_pitches) {
        Kind::Wanders
    } else if sure && line.slope.abs() * observed_s > RUNS * frame_s {
        Kind::Drifts
    } else {
        Kind::Held
    };
    Ok(Lock {
        kind,
        speed_error: without_sign(&signed)?,
        wander,
        run_pitches,
        excursion_ms: (greatest - least) * 1e3,
        observed_s,
    })
}

/// Standard deviation of the phase over this record, in seconds, the sampling's part taken off.
fn wander(deviation_s: f64, time_u_s: f64, stuck: bool, count: f64) -> Result<Estimate> {
    let (seen, own) = (deviation_s.powi(2), time_u_s.powi(2));
    let u = (2.0 / count).sqrt() * own + 2.0 * deviation_s * time_u_s / count.sqrt();
    let root = |variance: f64| variance.max(0.0).sqrt();
    let hidden = if stuck { own } else { 0.0 };
    let (low, value, high) = (root(seen - own - 2.0 * u), root(seen - own), root(seen - own + 2.0 * u + hidden));
    let spread = 0.25 * (high - low);
    let contributions = vec![Contribution::type_a("sampling of the delay", spread, count - 2.0)];
    Ok(Estimate::with_interval(value, low, high, spread, Some(count - 2.0), contributions)?)
}

/// Phase that follows its steps over the end of a frame.
fn unwrapped(delays_s: &[f64], frame_s: f64) -> Vec<f64> {
    let mut phase = Vec::with_capacity(delays_s.len());
    let mut last: Option<(f64, f64)> = None;
    for &delay in delays_s {
        let here = last.map_or(delay, |(before, at): (f64, f64)| {
            let step = (delay - before + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s;
            at + step
        });
        phase.push(here);
        last = Some((delay, here));
    }
    phase
}

/// A straight line by least squares.
struct Line {
    slope: f64,
    slope_error: f64,
    deviation: f64,
    residuals: Vec<f64>,
}

impl Line {
    fn through(x: &[f64], y: &[f64]) -> Self {
        let n = x.len() as f64;
        let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
        let squares: f64 = x.iter().map(|x| (x - mx).powi(2)).sum();
        let products: f64 = x.iter().zip(y).map(|(x, y)| (x - mx) * (y - my)).sum();
        let slope = products / squares;
        let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - my - slope * (x - mx)).collect();
        let deviation = (residuals.iter().map(|r| r * r).sum::<f64>() / (n - 2.0)).sqrt();
        Self { slope, slope_error: deviation / squares.sqrt(), deviation, residuals }
    }
}

/// The size of a signed estimate: what lies on both sides of 0 begins at 0.
fn without_sign(signed: &Estimate) -> Result<Estimate> {
    let (low, high) = (signed.interval.low, signed.interval.high);
    let least = if low <= 0.0 && high >= 0.0 { 0.0 } else { low.abs().min(high.abs()) };
    Ok(Estimate::with_interval(
        signed.value.abs(),
        least,
        low.abs().max(high.abs()),
        signed.standard_uncertainty,
        signed.degrees_of_freedom,
        signed.contributions.clone(),
    )?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    const FRAME_S: f64 = 1001.0 / 30_000.0;

    /// Pulses of four seconds whose phase against the frame follows `phase` (frames), seen in bins.
    fn pulses(bin_s: f64, phase: impl Fn(f64) -> f64) -> Pulses {
        let times_s = (0..120)
            .map(|n| {
                let t = (f64::from(n) + 0.3) * FRAME_S;
                let t = t + phase(t) * FRAME_S;
                ((t / bin_s).floor() + 0.5) * bin_s
            })
            .collect();
        let level = Estimate::combined(5.0, Vec::new()).unwrap();
        Pulses {
            times_s,
            time_u_s: bin_s / 12.0_f64.sqrt(),
            within_s: 0.5 * bin_s,
            level,
            duties: Vec::new(),
            highs_s: Vec::new(),
            observed: (0.0, 4.0),
        }
    }

    #[test]
    fn held_drifting_and_wandering_are_told_apart() {
        for (name, speed_error_percent, hunting, want) in [
            ("locked", 0.0, 0.0, Kind::Held),
            ("slip of 0.7 %", 0.7, 0.0, Kind::Drifts),
            ("slip of 0.4 %, backwards", -0.4, 0.0, Kind::Drifts),
            ("hunting by a fifth of a frame", 0.0, 0.2, Kind::Wanders),
            // The turn of a slow hunting: mostly a run, and coarse bins hide half of what it is off a line.
            ("hunting by a tenth of a frame", 0.0, 0.1, Kind::Wanders),
        ] {
            for bin_s in [0.4e-3, 3.2e-3, 3.22e-3] {
                let rate = -speed_error_percent / 100.0 / FRAME_S;
                let seen = pulses(bin_s, |t| rate * t + hunting * (TAU * t / 3.0).sin());
                let lock = lock(&seen, FRAME_S, 2e-5).unwrap();
                assert_eq!(lock.kind, want, "{name}, bins of {bin_s} s: {lock:?}");
                let phase = lock.wander.interval;
                let size = 2.0 * hunting / 2.0_f64.sqrt();
                assert!(
                    phase.high < 0.1 || (phase.low < size && size < phase.high + 0.02),
                    "{name}, {bin_s}: {lock:?}"
                );
                assert_eq!(phase.low > 0.1, hunting > 0.0, "{name}, {bin_s}: {lock:?}");
                if hunting == 0.0 {
                    let interval = lock.speed_error.interval;
                    // Against the time of the pulses, which themselves come faster or slower.
                    let own = rate * FRAME_S;
                    let size = 100.0 * f64::abs(own / (1.0 + own));
                    assert!(
                        interval.low <= size && size <= interval.high && interval.high - interval.low < 0.12,
                        "{name}, {bin_s}: {lock:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn pulses_in_step_with_the_bins_do_not_pretend() {
        // A bin a tenth of a frame: each pulse falls on the same place of its bin.
        let seen = pulses(FRAME_S / 10.0, |_| 0.0);
        let lock = lock(&seen, FRAME_S, 2e-5).unwrap();
        assert_eq!(lock.kind, Kind::Held);
        assert!(lock.speed_error.interval.high > 0.02 && lock.speed_error.interval.high < 0.1, "{lock:?}");
    }

    #[test]
    fn too_few_pulses_tell_nothing() {
        let mut seen = pulses(3.2e-3, |_| 0.0);
        seen.times_s.truncate(10);
        assert_eq!(lock(&seen, FRAME_S, 2e-5).unwrap_err().code, UnableCode::TooShort);
    }
}
