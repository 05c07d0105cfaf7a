//! How far apart two edges are that are each seen between two samples only, over several captures.
//!
//! An edge between two samples is read in the middle between them: a quantiser with a step of one sample. What its
//! error does in a mean depends on how the samples lie against the edges (Widrow and Kollár, "Quantization Noise": a
//! dither as wide as the step leaves no mean error, a dither of none leaves all of it):
//!
//! * *The clock runs by itself*: the samples meet the edges elsewhere in each capture, anywhere with the same
//!   probability. Readings then go to the next step as often as the true place is near it.
//! * *The clock follows the trigger*: the samples meet the edges at the same place in each capture. Then only what
//!   pulses jitter, and how they walk against the samples within a capture, tells where between two samples they are.
//!
//! Which of both it is, no scope says; readings do: those of a capture are more alike than those of all captures where the
//! clock runs by itself. So each distance has a probability (Bayes; the distance, and the samples' place, anywhere with the same
//! probability, JCGM 100:2008, 4.3.7):
//!
//! `P(D | readings) ~ sum over s of [ sum over w of int dx prod_c p_c(x, D)  +  prod_c int dx p_c(x, D) ]`
//!
//! `p_c(x, D) = f_c(x) g_c(x + D)`, `f_c(x)` being the probability of what capture `c` read of its first edges if these lie at
//! `x` against the samples, and `g_c` that of its second ones: of each reading, that jitter of deviation `s` leaves the edge
//! within half a sample of it. The pulses of a capture wander together besides, by a deviation `w`, as a slow servo lets them: in
//! the first term `p_c` is blurred by so much along `x`. That term is one place for all captures, the second each its own, as if
//! `w` had no bound. Each of the few `s` and `w` is as likely before anything was read, and the second term as any `w`.
//! That makes an interval true for a jitter drawn from these, not for each of them: where pulses hardly jitter and keep their
//! place against the samples, 0.95 of the probability holds the distance in 0.91 of trials. So more of it is taken.

use crate::error::{MeasureError, finite, positive};
use crate::estimate::{Contribution, Estimate};

/// What one capture read, pulse after pulse folded upon each other by the period, in seconds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Edges {
    /// Times of the first edges.
    pub first_s: Vec<f64>,
    /// Times of the second ones.
    pub second_s: Vec<f64>,
}

/// Places of the samples and distances that are tried: so many to a sample.
const FINE: f64 = 24.0;
/// So far to either side of the mean reading, in places: one and a half samples.
const REACH: i64 = 36;
/// Both sides.
const PLACES: usize = 2 * REACH as usize + 1;
/// Jitter that is tried, in samples.
const JITTERS: [f64; 7] = [0.015, 0.04, 0.08, 0.14, 0.2, 0.28, 0.4];
/// Wander that is tried, in samples.
const WANDERS: [f64; 5] = [0.0, 0.05, 0.1, 0.2, 0.4];

/// Share of the probability that the interval holds, so that it holds the distance in 0.95 of trials whatever the jitter is.
const CONTENT: f64 = 0.97;

/// Captures that scatter more, in samples, are no rounding of one distance.
const MOST_SCATTER: f64 = 0.6;

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Probability of readings (in samples) where the edges lie `from + i / FINE`: the logistic curve, which leaves the
/// normal one by a hundredth at the most.
fn probability(readings: &[f64], from: f64, count: usize, jitter: f64) -> Vec<f64> {
    let below = |z: f64| (1.0 + (-1.702 * z / jitter).exp()).recip();
    (0..count)
        .map(|i| {
            let at = from + i as f64 / FINE;
            readings.iter().map(|r| below(r + 0.5 - at) - below(r - 0.5 - at)).product()
        })
        .collect()
}

/// Distance from first to second edges, in seconds. None where the readings differ by more than rounding to samples and
/// the jitter within a capture explain: then the distance itself changes, and its scatter tells how well it is known.
///
/// # Errors
/// [`MeasureError::BadParameter`], [`MeasureError::NotFinite`].
pub fn distance(captures: &[Edges], sample_s: f64) -> Result<Option<Estimate>, MeasureError> {
    positive("time between samples", sample_s)?;
    let mut read: Vec<[Vec<f64>; 2]> = Vec::with_capacity(captures.len());
    for capture in captures {
        finite("times of edges", &capture.first_s)?;
        finite("times of edges", &capture.second_s)?;
        if !capture.first_s.is_empty() && !capture.second_s.is_empty() {
            read.push([&capture.first_s, &capture.second_s].map(|times| times.iter().map(|t| t / sample_s).collect()));
        }
    }
    if read.is_empty() {
        return Ok(None);
    }
    // Rounding alone scatters the distances of captures by half a sample at the most.
    let means: Vec<f64> = read.iter().map(|[first, second]| mean(second) - mean(first)).collect();
    let scatter = (means.iter().map(|d| (d - mean(&means)).powi(2)).sum::<f64>() / means.len() as f64).sqrt();
    if scatter > MOST_SCATTER {
        return Ok(None);
    }
    let apart = mean(&means);
    let place = mean(&read.iter().map(|[first, _]| mean(first)).collect::<Vec<f64>>());
    let mut likely = [0.0; PLACES];
    for jitter in JITTERS {
        for (sum, of) in likely.iter_mut().zip(likelihood(&read, apart, place, jitter)) {
            *sum += of;
        }
    }
    let whole: f64 = likely.iter().sum();
    if !(whole > 0.0 && whole.is_finite()) {
        return Ok(None);
    }
    let at = |i: usize| sample_s * (apart + (i as f64 - REACH as f64) / FINE);
    let value = (0..PLACES).map(|i| at(i) * likely[i]).sum::<f64>() / whole;
    let u = ((0..PLACES).map(|i| (at(i) - value).powi(2) * likely[i]).sum::<f64>() / whole).sqrt();
    // The place below which so much of the probability lies, linearly within a place.
    let quantile = |share: f64| {
        let mut left = share * whole;
        let mut i = 0;
        while i + 1 < PLACES && left > likely[i] {
            left -= likely[i];
            i += 1;
        }
        at(i) + sample_s / FINE * (left / likely[i].max(f64::MIN_POSITIVE) - 0.5).clamp(-0.5, 0.5)
    };
    let tail = 0.5 * (1.0 - CONTENT);
    let (low, high) = (quantile(tail), quantile(1.0 - tail));
    let share = Contribution::type_b("place of the edges between samples", u);
    Estimate::with_interval(value, low, high, u, None, vec![share]).map(Some)
}

/// Weights of a blur by a normal curve of such a deviation, from the middle outwards.
fn blur_weights(deviation: f64) -> Vec<f64> {
    let places = deviation * FINE;
    let half: Vec<f64> =
        (0..=(2.5 * places).ceil() as i32).map(|i| (-0.5 * (f64::from(i) / places.max(1e-9)).powi(2)).exp()).collect();
    let sum = 2.0 * half.iter().sum::<f64>() - half[0];
    half.iter().map(|weight| weight / sum).collect()
}

/// Adds a row times a weight, moved by so many places.
fn add_moved(out: &mut [f64; PLACES], row: &[f64; PLACES], weight: f64, by: i64) {
    let (to, from) = (by.max(0) as usize, (-by).max(0) as usize);
    for (out, value) in out[to.min(PLACES)..].iter_mut().zip(&row[from.min(PLACES)..]) {
        *out += weight * value;
    }
}

/// Likelihood of each distance about `apart`, with first edges about `place`, for one jitter.
fn likelihood(read: &[[Vec<f64>; 2]], apart: f64, place: f64, jitter: f64) -> [f64; PLACES] {
    let blurs = WANDERS.map(blur_weights);
    let mut own = [1.0; PLACES];
    let mut one = vec![vec![[1.0; PLACES]; PLACES]; WANDERS.len()];
    for [first, second] in read {
        // Where this capture's first edges lie from those of all, in whole places; elsewhere its probability is nothing.
        let shift = ((mean(first) - place) * FINE).round();
        let from = place + (shift - REACH as f64) / FINE;
        let f = probability(first, from, PLACES, jitter);
        let g = probability(second, from + apart - REACH as f64 / FINE, 2 * PLACES - 1, jitter);
        let moved = shift.clamp(-1e6, 1e6) as i64;
        let mut plane = vec![[0.0; PLACES]; PLACES];
        for (d, row) in plane.iter_mut().enumerate() {
            let both: [f64; PLACES] = core::array::from_fn(|i| f[i] * g[d + i]);
            own[d] *= both.iter().sum::<f64>() / FINE;
            add_moved(row, &both, 1.0, moved);
        }
        for (one, weights) in one.iter_mut().zip(&blurs) {
            for (all, row) in one.iter_mut().zip(&plane) {
                let mut blurred = [0.0; PLACES];
                for by in 1 - weights.len() as i64..weights.len() as i64 {
                    add_moved(&mut blurred, row, weights[by.unsigned_abs() as usize], by);
                }
                all.iter_mut().zip(blurred).for_each(|(all, of)| *all *= of);
            }
        }
    }
    core::array::from_fn(|d| own[d] + one.iter().map(|one| one[d].iter().sum::<f64>()).sum::<f64>() / FINE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;

    const CAPTURES: usize = 9;
    const PULSES: usize = 6;

    /// A train as captures see it: its period, jitter and width in samples, its clock, and the drum's jitter of a fortieth.
    struct Train {
        period: f64,
        jitter: f64,
        /// What all pulses of a capture wander by together against the others, in samples.
        wander: f64,
        runs_by_itself: bool,
    }

    impl Train {
        /// Readings and truth: of the trigger to the rising edges, or of rising to falling ones.
        fn seen(&self, high: bool, noise: &mut Noise) -> (Vec<Edges>, f64) {
            let (start, width) = (noise.uniform(), 0.6 * self.period + noise.uniform());
            let captures = (0..CAPTURES).map(|_| {
                let clock = if self.runs_by_itself { noise.uniform() - 0.5 } else { 0.0 };
                let trigger = self.wander * noise.normal();
                let mut folded = |after: f64| -> Vec<f64> {
                    (0..PULSES)
                        .map(|n| {
                            let away = n as f64 * self.period;
                            let at = start + after + away - clock + trigger + self.jitter * noise.normal();
                            at.floor() + 0.5 - away
                        })
                        .collect()
                };
                let rising = folded(0.0);
                if high {
                    Edges { first_s: rising, second_s: folded(width) }
                } else {
                    Edges { first_s: vec![0.0], second_s: rising }
                }
            });
            (captures.collect(), if high { width } else { start })
        }
    }

    /// Coverage, and how wide the intervals are, by either clock: pulses that keep their place against the samples (500 and
    /// 400 samples a period) and that walk, with jitter from next to nothing to a quarter of a sample, and captures that wander.
    #[test]
    fn the_interval_holds_the_distance_whatever_the_clock_does() {
        for high in [false, true] {
            for runs_by_itself in [true, false] {
                let (mut held, mut trials, mut half, mut squares) = (0, 0, 0.0, 0.0);
                let trains = [500.0, 417.083, 400.0, 333.667]
                    .into_iter()
                    .flat_map(|period| [0.0125, 0.1, 0.25].map(|jitter| (period, jitter)))
                    .flat_map(|(period, jitter)| [0.025, 0.1].map(|wander| (period, jitter, wander)));
                for (period, jitter, wander) in trains {
                    let mut noise = Noise::new(31);
                    for _ in 0..4 {
                        let (captures, truth) = Train { period, jitter, wander, runs_by_itself }.seen(high, &mut noise);
                        let got = distance(&captures, 1.0).unwrap().unwrap();
                        held += i32::from(got.interval.low <= truth && truth <= got.interval.high);
                        trials += 1;
                        half += 0.5 * (got.interval.high - got.interval.low);
                        squares += (got.value - truth).powi(2);
                    }
                }
                let n = f64::from(trials);
                let (share, half, rms) = (f64::from(held) / n, half / n, (squares / n).sqrt());
                let says = format!(
                    "high {high}, by itself {runs_by_itself}: held {share:.3} of {n}, half width {half:.3}, errors {rms:.3}"
                );
                // Two deviations of so many trials below 0.95.
                assert!(share > 0.918, "{says}");
                if runs_by_itself {
                    // A share that all captures had alike would be half a sample, whatever they show.
                    assert!(half < if high { 0.22 } else { 0.3 } && rms > 0.3 * half, "{says}");
                }
            }
        }
    }

    /// Pulses that keep their place against the samples (25 Hz, points 80 us apart) with the jitter of a sound machine, on a
    /// scope that thins its samples, so that they follow the trigger: what tells least, and often is not like any other jitter.
    #[test]
    fn the_interval_holds_the_width_of_pulses_that_hardly_jitter_and_keep_their_place() {
        let train = Train { period: 500.0, jitter: 0.0625, wander: 0.025, runs_by_itself: false };
        let mut noise = Noise::new(31);
        const TRIALS: i32 = 300;
        let held: i32 = (0..TRIALS)
            .map(|_| {
                let (captures, truth) = train.seen(true, &mut noise);
                let got = distance(&captures, 1.0).unwrap().unwrap();
                i32::from(got.interval.low <= truth && truth <= got.interval.high)
            })
            .sum();
        // With 0.95 of the probability 0.90 to 0.93 of such intervals hold it.
        assert!(held > 94 * TRIALS / 100, "{held} of {TRIALS}");
    }

    /// All readings alike: the clock follows the trigger, or the distance is a whole number of samples; the former may be
    /// nearly a sample off.
    #[test]
    fn readings_that_are_all_alike_say_little() {
        let alike = Edges { first_s: vec![0.0], second_s: vec![7.5; 5] };
        let of = |count: usize| distance(&vec![alike.clone(); count], 1.0).unwrap().unwrap();
        let (many, one) = (of(9), of(1));
        for got in [&many, &one] {
            let half = 0.5 * (got.interval.high - got.interval.low);
            assert!((got.value - 7.5).abs() < 1e-6 && half > 0.55 && half < 0.9, "{got:?}");
        }
    }

    #[test]
    fn a_distance_that_changes_is_not_explained_by_rounding() {
        let at = |d: f64| Edges { first_s: vec![0.0], second_s: vec![d; 6] };
        assert_eq!(distance(&[at(3.5), at(9.5), at(6.5)], 1.0).unwrap(), None);
        assert_eq!(distance(&[], 1.0).unwrap(), None);
        assert!(distance(&[at(f64::NAN)], 1.0).is_err() && distance(&[at(1.0)], 0.0).is_err());
    }
}
