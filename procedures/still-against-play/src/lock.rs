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

/// Phase that moves further than this share of a frame within the record is not held, and along a line it is a slip: a
/// fifth of a pitch. Common practice, no source.
const MOVES: f64 = 0.1;

/// So far to either side may a servo hunt: it comes back before the neighbour's track. Common practice, no source.
const HUNTS_PITCHES: f64 = 1.0;

impl Lock {
    /// It runs, but a slow hunting could do the same: not from the neighbour on one side to the one on the other, and not as
    /// straight as a slip. A swing that turns by `x` about its middle leaves a standard deviation of
    /// `sqrt(1 / 7 - 3 / 25) / 6 x^3` of its size beside a line, the sine to its third power.
    pub(crate) fn may_turn_back(&self) -> bool {
        let turned = (0.5 * self.run_pitches / HUNTS_PITCHES).clamp(0.0, 1.0).asin();
        let beside_a_line = HUNTS_PITCHES * (1.0_f64 / 7.0 - 3.0 / 25.0).sqrt() / 6.0 * turned.powi(3);
        let straight = self.wander.interval.high < beside_a_line;
        self.kind == Kind::Drifts && self.run_pitches < 2.0 * HUNTS_PITCHES && !straight
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
    /// How far the phase leaves a straight line at the pulses, as a standard deviation in track pitches (unit 1). A head as
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
    let free = (times.len() as f64 / (correlated * correlated) - 2.0).max(1.0);
    // An even train is known by all its pulses together: what bins do to one is no scatter, it follows from the next.
    let (slope, place) = match pulses.train(1.0 / frame_s)? {
        Some(train) => {
            let u = train.period_u_s / train.period_s;
            (1.0 - frame_s / train.period_s, Contribution::type_b("place of the pulses between samples", 100.0 * u))
        }
        None => (line.slope, Contribution::type_a("scatter of the delay", 100.0 * line.slope_error * correlated, free)),
    };
    let timebase = Contribution::type_b("time base of the scope", 100.0 * timebase_u);
    let signed = Estimate::combined(100.0 * slope, vec![place, timebase])?;
    let (least, greatest) = phase.iter().fold((f64::MAX, f64::MIN), |(l, g), p| (l.min(*p), g.max(*p)));
    let sure = signed.interval.low > 0.0 || signed.interval.high < 0.0;
    let wander = wander(line.deviation, pulses.time_u_s, times.len() as f64)?.scaled(2.0 / frame_s);
    // Pulses that keep their time show one bin, and where they lie at its border the next one too: more is motion.
    let bin_s = 12.0_f64.sqrt() * pulses.time_u_s;
    let (excursion_s, least_moved_s) = (greatest - least, MOVES * frame_s);
    let moved = excursion_s - bin_s > least_moved_s;
    // Along the line, and no more than was surely seen: a line through half a swing is longer than the swing.
    let run_s = (line.slope.abs() * observed_s).min((excursion_s - bin_s).max(0.0));
    let run_pitches = 2.0 * run_s / frame_s;
    let uneven = excursion_s > 1.5 * bin_s && wander.interval.low > (2.0 * EVEN).max(UNEVEN_RUN * run_pitches);
    let runs = line.slope.abs() * observed_s > least_moved_s && (sure || moved);
    let kind = match (uneven, runs) {
        (true, _) => Kind::Wanders,
        (false, true) => Kind::Drifts,
        (false, false) if moved => Kind::Wanders,
        (false, false) => Kind::Held,
    };
    Ok(Lock {
        kind,
        speed_error: without_sign(&signed)?,
        wander,
        run_pitches,
        excursion_ms: excursion_s * 1e3,
        observed_s,
    })
}

/// Standard deviation of the phase at the pulses of this record, in seconds, the sampling's part taken off.
fn wander(deviation_s: f64, time_u_s: f64, count: f64) -> Result<Estimate> {
    // The line takes two degrees of freedom from the scatter of an endless train: of this one nothing is missing.
    let of_this = (count - 2.0) / count;
    let (seen, own) = (of_this * deviation_s.powi(2), of_this * time_u_s.powi(2));
    let u = (2.0 / count).sqrt() * own + 2.0 * deviation_s * time_u_s / count.sqrt();
    let root = |variance: f64| variance.max(0.0).sqrt();
    // Pulses that keep step with the bins, or nearly so, show less than the bins' own scatter: what is missing of that
    // hides as much motion.
    let hidden = (own - seen).max(0.0);
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
                // A run of one and two thirds of a pitch, as straight as fine bins show.
                let sure = bin_s < 1e-3 && speed_error_percent > 0.6;
                assert_eq!(lock.may_turn_back(), want == Kind::Drifts && !sure, "{name}, bins of {bin_s} s: {lock:?}");
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
    fn hunting_is_neither_lock_nor_a_sure_slip() {
        // From the middle of the track to nearly the next one on either side, a part of a swing or several in the record.
        for bin_s in [0.4e-3, 3.2e-3, 3.22e-3, 8e-3] {
            for amplitude in [0.15, 0.25, 0.35, 0.45] {
                for (period_s, start) in [3.0, 6.0, 9.0, 14.0].into_iter().flat_map(|p| (0..8).map(move |n| (p, n))) {
                    let phase = |t: f64| amplitude * (TAU * (t / period_s + f64::from(start) / 8.0)).sin();
                    let lock = lock(&pulses(bin_s, phase), FRAME_S, 2e-5).unwrap();
                    let (least, greatest) = (0..120)
                        .map(|n| phase((f64::from(n) + 0.3) * FRAME_S))
                        .fold((f64::MAX, f64::MIN), |(l, g), p| (l.min(p), g.max(p)));
                    let says = format!("{amplitude} of a frame in {period_s} s from {start}, bins {bin_s}: {lock:?}");
                    // What a bin hides at either end is not to be seen.
                    assert!(
                        lock.kind != Kind::Held || (greatest - least) * FRAME_S < MOVES * FRAME_S + 2.0 * bin_s,
                        "{says}"
                    );
                    assert!(lock.kind != Kind::Drifts || lock.may_turn_back(), "{says}");
                }
            }
        }
    }

    #[test]
    fn pulses_in_step_with_the_bins_do_not_pretend() {
        // A bin a tenth of a frame: each pulse falls on the same place within its bin.
        let seen = pulses(FRAME_S / 10.0, |_| 0.04);
        let lock = lock(&seen, FRAME_S, 2e-5).unwrap();
        assert_eq!(lock.kind, Kind::Held);
        assert!(lock.speed_error.interval.high > 0.02 && lock.speed_error.interval.high < 0.1, "{lock:?}");
    }

    #[test]
    fn pulses_that_pass_one_bin_do_not_run() {
        // 25 frames a second in bins of a hundredth of a frame, the scope's clock off by up to its specification of
        // 50 parts in a million: over the record pulses that keep their time pass one border of a bin, at most.
        let (frame_s, bin_s) = (0.04, 4e-4);
        let (mut held, mut all) = (0, 0);
        for (n, start) in (-10..=10).flat_map(|n| (0..10).map(move |start| (n, f64::from(start)))) {
            let clock = 1.0 + f64::from(n) * 5e-6;
            let mut seen = pulses(bin_s, |_| 0.0);
            seen.times_s = (0..100)
                .map(|k| {
                    // Jitter of some microseconds in a fixed pattern.
                    let jitter_s = 2e-6 * f64::from((k * 7919 % 13) - 6) / 3.74;
                    let t = (f64::from(k) + 0.3) * frame_s * clock + jitter_s + 0.1 * start * bin_s;
                    ((t / bin_s).floor() + 0.5) * bin_s
                })
                .collect();
            let lock = lock(&seen, frame_s, 5e-5 / 3.0_f64.sqrt()).unwrap();
            assert_eq!(lock.kind, Kind::Held, "{n}: {lock:?}");
            held += i32::from(lock.speed_error.interval.low == 0.0);
            all += 1;
        }
        assert!(held * 20 >= all * 19, "{held} of {all} intervals hold that the tape keeps its time");
    }

    #[test]
    fn a_small_wander_is_not_hidden_by_bins() {
        // Pulses that run through bins at a rate near a whole part of them fall evenly in these, and scatter less than by
        // chance: the wander that they may hide is said.
        let (mut held, mut all) = (0, 0);
        for bin_s in [1.6e-3, 3.2e-3, 3.3367e-3] {
            for (slip, start) in (-8..=8).flat_map(|n| (0..5).map(move |k| (0.001 * f64::from(n), 0.2 * f64::from(k))))
            {
                let course = |t: f64| slip * t / FRAME_S + 4e-3 * (TAU * (t / 2.9 + start)).sin();
                let lock = lock(&pulses(bin_s, course), FRAME_S, 2e-5).unwrap();
                let times: Vec<f64> = (0..120).map(|n| (f64::from(n) + 0.3) * FRAME_S).collect();
                let line = Line::through(&times, &times.iter().map(|t| course(*t)).collect::<Vec<_>>());
                let size = 2.0 * line.deviation;
                let interval = lock.wander.interval;
                assert!(interval.high > 0.3 * size, "{bin_s} {slip} {start}: {lock:?}");
                held += i32::from(interval.low <= size && size <= interval.high);
                all += 1;
            }
        }
        assert!(held * 20 >= all * 19, "{held} of {all} intervals hold the wander");
    }

    #[test]
    fn too_few_pulses_tell_nothing() {
        let mut seen = pulses(3.2e-3, |_| 0.0);
        seen.times_s.truncate(10);
        assert_eq!(lock(&seen, FRAME_S, 2e-5).unwrap_err().code, UnableCode::TooShort);
    }
}
