//! Edges after IEEE 181: state levels by histogram, mid crossings interpolated between samples.
//!
//! States that move, with hum or behind AC coupling, fill a histogram anywhere: then the step is taken at each edge.

use crate::error::{MeasureError, at_least, positive};
use crate::estimate::Contribution;
use crate::linear::Normal;
use crate::statistics::{median_in_place, moments_of_finite};
use crate::trace::{PairTrace, Trace};

/// Direction of an edge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Polarity {
    /// From low to high.
    Rising,
    /// From high to low.
    Falling,
}

/// One edge: where the middle level is crossed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// Time of the crossing, in seconds from the trigger.
    pub time_s: f64,
    /// Direction.
    pub polarity: Polarity,
    /// The edge lies anywhere within this of its time (rectangular): half a sample where the whole
    /// transition falls between two samples, 0 where samples lie on the transition.
    pub half_width_s: f64,
}

/// The two states of a pulse signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct States {
    /// Low state, in volts.
    pub low_v: f64,
    /// High state, in volts.
    pub high_v: f64,
    /// Standard uncertainty of their difference from noise and conversion.
    pub difference_u_v: f64,
    /// Noise: standard deviation within the states, in volts.
    pub noise_v: f64,
}

impl States {
    /// High less low.
    #[must_use]
    pub fn difference_v(&self) -> f64 {
        self.high_v - self.low_v
    }

    /// Middle level (50 %).
    #[must_use]
    pub fn middle_v(&self) -> f64 {
        0.5 * (self.high_v + self.low_v)
    }
}

/// Bins of the histogram (IEEE 181's example has 100).
const BINS: usize = 100;

/// State levels by the histogram method of IEEE 181: the range is split in two, the fullest bin of
/// each half is its state. Refined: the mean of all samples within two bins of it, which takes off
/// the bias of up to half a bin towards the bin's middle.
///
/// # Errors
/// [`MeasureError::TooShort`] below four samples, [`MeasureError::InNoise`] where there are no two
/// states apart.
pub fn state_levels(trace: &Trace) -> Result<States, MeasureError> {
    states_of(trace.volts(), trace.conversion().step_v)
}

pub(crate) fn states_of(volts: &[f32], step_v: f64) -> Result<States, MeasureError> {
    at_least("samples of a pulse signal", volts.len(), 4)?;
    let (low, high) = volts.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(f64::from(*v)), h.max(f64::from(*v))));
    let none = || MeasureError::InNoise {
        what: "two states",
        detail: format!("all samples between {} and {}", crate::error::volts(low), crate::error::volts(high)),
    };
    let range = high - low;
    if range <= 0.0 || !range.is_finite() {
        return Err(none());
    }
    let mut counts = [0_u32; BINS];
    let per_volt = BINS as f64 / range;
    let bin = |v: f32| (((f64::from(v) - low) * per_volt) as usize).min(BINS - 1);
    for v in volts {
        counts[bin(*v)] += 1;
    }
    let fullest =
        |from: usize, until: usize| (from..until).fold(from, |best, i| if counts[i] > counts[best] { i } else { best });
    let state = |from: usize, until: usize| {
        let mode = fullest(from, until);
        let reach = 2;
        let (a, b) = (mode.saturating_sub(reach).max(from), (mode + reach + 1).min(until));
        // About the fullest bin's middle, from which none of them is far: no digits are lost.
        let middle = low + (mode as f64 + 0.5) / per_volt;
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for v in volts.iter().filter(|v| (a..b).contains(&bin(**v))) {
            let away = f64::from(*v) - middle;
            n += 1.0;
            sum += away;
            squares += away * away;
        }
        let mean = sum / f64::max(n, 1.0);
        (middle + mean, ((squares - sum * mean).max(0.0) / f64::max(n - 1.0, 1.0)).sqrt(), n)
    };
    let (low_v, low_noise, low_n) = state(0, BINS / 2);
    let (high_v, high_noise, high_n) = state(BINS / 2, BINS);
    let noise_v = low_noise.hypot(high_noise) / core::f64::consts::SQRT_2;
    // Steps that noise does not spread over bias each state by up to half a step.
    let rounding = step_v / 12.0_f64.sqrt() / (1.0 + (noise_v / step_v.max(f64::MIN_POSITIVE)).powi(2) * 4.0);
    let difference_u_v = (low_noise / low_n.max(1.0).sqrt())
        .hypot(high_noise / high_n.max(1.0).sqrt())
        .hypot(rounding * core::f64::consts::SQRT_2);
    // Noise has one hump and a sine spends a quarter of its time in the middle: pulses leave it empty.
    let between = (0.3 * BINS as f64) as usize..(0.7 * BINS as f64) as usize;
    let emptied: u32 = counts[between].iter().sum();
    if high_v - low_v < 0.35 * range || f64::from(emptied) > 0.2 * volts.len() as f64 {
        return Err(none());
    }
    Ok(States { low_v, high_v, difference_u_v, noise_v })
}

/// Samples of a state that are looked at beside an edge, at least, and the share of its time that they may take.
const BESIDE: (usize, f64) = (6, 0.05);

/// Samples next to an edge's crossing that may lie on the transition, to either side.
const ON_THE_WAY: usize = 2;

/// A state moves where its samples spread so many times as far as from one to the next: by less, its fullest bin hardly does.
const MOVES: f64 = 1.25;

/// Whether a state moves slowly: its samples spread farther than the noise from one to the next.
fn moves(trace: &Trace, states: &States) -> bool {
    let quarter = 0.25 * states.difference_v();
    let in_state = |v: f32, state_v: f64| (f64::from(v) - state_v).abs() < quarter;
    [states.low_v, states.high_v].into_iter().any(|state_v| {
        // With a neighbour of the state on both sides: none that lies on a transition.
        let inside = || trace.volts().windows(3).filter(|three| three.iter().all(|v| in_state(*v, state_v)));
        let spread = moments_of_finite(inside().map(|three| f64::from(three[1]) - state_v)).standard_deviation;
        let next = moments_of_finite(inside().map(|three| f64::from(three[1]) - f64::from(three[0])));
        let noise = next.standard_deviation / core::f64::consts::SQRT_2;
        spread > MOVES * noise.max(0.5 * trace.conversion().step_v)
    })
}

/// Where a straight line through samples from `from` to `until` stands at `at`, and their mean.
fn straight(volts: &[f32], from: usize, until: usize, at: f64) -> Option<(f64, f64)> {
    let samples = volts.get(from..until).filter(|samples| samples.len() >= BESIDE.0)?;
    let mut normal = Normal::new(2);
    for (i, v) in samples.iter().enumerate() {
        normal.add(&[1.0, (from + i) as f64 - at], f64::from(*v));
    }
    let mean = samples.iter().map(|v| f64::from(*v)).sum::<f64>() / samples.len() as f64;
    Some((*normal.solve()?.coefficients.first()?, mean))
}

/// The step from low to high and what makes it uncertain: between the states, or where these move between straight lines through
/// what lies beside each edge.
pub(crate) fn step_across(trace: &Trace, found: &[Edge], states: &States) -> (f64, Vec<Contribution>) {
    let still = || (states.difference_v(), vec![Contribution::type_b("noise and conversion", states.difference_u_v)]);
    if !moves(trace, states) {
        return still();
    }
    let volts = trace.volts();
    let place = |edge: &Edge| (edge.time_s - trace.t0_s()) / trace.dt_s();
    let (mut steps, mut bends) = (Vec::new(), Vec::new());
    for (n, edge) in found.iter().enumerate() {
        let at = place(edge);
        let before = if n == 0 { 0.0 } else { place(&found[n - 1]) };
        let after = found.get(n + 1).map_or(volts.len() as f64, place);
        let reach = |long: f64| ((BESIDE.1 * long) as usize).max(BESIDE.0);
        let (left, right) = ((at.floor() as usize).saturating_sub(ON_THE_WAY), at.ceil() as usize + ON_THE_WAY + 1);
        let (least, most) =
            ((before.ceil() as usize) + ON_THE_WAY, (after.floor() as usize).saturating_sub(ON_THE_WAY));
        let from = left.saturating_sub(reach(at - before)).max(least);
        let until = (right + reach(after - at)).min(most).min(volts.len());
        if from >= left || right >= until {
            continue;
        }
        let beside = (straight(volts, from, left, at), straight(volts, right, until, at));
        if let (Some((low, low_mean)), Some((high, high_mean))) = beside {
            let way = if edge.polarity == Polarity::Rising { 1.0 } else { -1.0 };
            steps.push(way * (high - low));
            bends.push((high - low - (high_mean - low_mean)).abs());
        }
    }
    if steps.is_empty() {
        // Nothing lies beside an edge: the states' own spread, either way.
        let (_, mut shares) = still();
        shares.push(Contribution::rectangular("states that move", 0.25 * states.difference_v()));
        return (states.difference_v(), shares);
    }
    let count = steps.len() as f64;
    let scatter = moments_of_finite(steps.iter().copied()).standard_deviation;
    // Of one edge the scatter is not known: it is no better than what the lines bend by.
    let scatter = if steps.len() > 1 { 1.25 * scatter / count.sqrt() } else { bends[0] };
    let shares = vec![
        Contribution::type_a("scatter of the steps", scatter, (count - 1.0).max(1.0)),
        // A straight line follows what bends to some part of what it follows at all.
        Contribution::rectangular("states that move", 0.3 * median_in_place(&mut bends)),
        Contribution::type_b("noise and conversion", states.difference_u_v),
    ];
    (median_in_place(&mut steps), shares)
}

/// Mid crossings with hysteresis: an edge counts once the signal has passed from beyond the middle less
/// a quarter of the step to beyond the middle plus a quarter, and its time is where the
/// middle was last crossed on that way, linearly interpolated.
///
/// # Errors
/// [`MeasureError::BadParameter`] for states that are not apart.
pub fn edges(trace: &Trace, states: &States) -> Result<Vec<Edge>, MeasureError> {
    let step = positive("difference of the states", states.difference_v())?;
    let middle = states.middle_v();
    let (below, above) = (middle - 0.25 * step, middle + 0.25 * step);
    let volts = trace.volts();
    let mut out = Vec::new();
    let mut side: Option<bool> = None;
    // Crossing of the middle since the signal left its side: place of the sample before it.
    let mut crossing: Option<usize> = None;
    for i in 0..volts.len() {
        let v = f64::from(volts[i]);
        if i > 0 {
            let before = f64::from(volts[i - 1]);
            if side == Some(false) && before < middle && v >= middle
                || side == Some(true) && before >= middle && v < middle
            {
                crossing = Some(i - 1);
            }
        }
        let now = if v > above {
            true
        } else if v < below {
            false
        } else {
            continue;
        };
        if side.is_some_and(|s| s != now)
            && let Some(c) = crossing.take()
        {
            let (a, b) = (f64::from(volts[c]), f64::from(volts[c + 1]));
            let share = if b == a { 0.5 } else { ((middle - a) / (b - a)).clamp(0.0, 1.0) };
            // Both neighbours at their states: nothing tells where between them the edge lies.
            let between = (a - middle).abs() > 0.4 * step && (b - middle).abs() > 0.4 * step;
            out.push(Edge {
                time_s: trace.time_s(c) + if between { 0.5 } else { share } * trace.dt_s(),
                polarity: if now { Polarity::Rising } else { Polarity::Falling },
                half_width_s: if between { 0.5 * trace.dt_s() } else { 0.0 },
            });
        }
        side = Some(now);
    }
    Ok(out)
}

/// Edges in pairs: a bin whose least lies at the low state and whose greatest at the high one holds an
/// edge, anywhere in it; its direction follows from the bins beside it. A bin that holds two edges
/// (a narrow pulse) gives none.
///
/// # Errors
/// [`MeasureError::BadParameter`] for states that are not apart.
pub fn edges_of_pairs(pairs: &PairTrace, states: &States) -> Result<Vec<Edge>, MeasureError> {
    positive("difference of the states", states.difference_v())?;
    let middle = states.middle_v();
    let mut out = Vec::new();
    let mut side: Option<bool> = None;
    let mut straddling = 0..0;
    for i in 0..pairs.len() {
        let (low, high) = (f64::from(pairs.least()[i]) > middle, f64::from(pairs.greatest()[i]) > middle);
        if low != high {
            straddling = if straddling.is_empty() { i..i + 1 } else { straddling.start..i + 1 };
            continue;
        }
        if let Some(before) = side
            && before != high
        {
            // Without a straddling bin the edge lies on the border.
            let (from, until) = if straddling.is_empty() {
                (i as f64 - 0.5, i as f64 - 0.5)
            } else {
                (straddling.start as f64 - 0.5, straddling.end as f64 - 0.5)
            };
            out.push(Edge {
                time_s: pairs.t0_s() + 0.5 * (from + until) * pairs.dt_s(),
                polarity: if high { Polarity::Rising } else { Polarity::Falling },
                half_width_s: (0.5 * (until - from)).max(0.05) * pairs.dt_s(),
            });
        }
        straddling = 0..0;
        side = Some(high);
    }
    Ok(out)
}
