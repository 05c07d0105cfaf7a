//! The period of pulses that come evenly and are each known to lie within a stretch of time.
//!
//! A pulse between two samples lies anywhere between them. A train of them says more than its ends do: the line
//! `t = a + p n` must pass through every stretch, and where the pulses walk against the samples few lines do. Where
//! they keep their place against them, or walk by less than a sample, the lines that fit say so themselves. Every line
//! that fits is as likely as any other (JCGM 100:2008, 4.3.7, in two dimensions), so the period's probability at `p` goes
//! with the room that is left for `a`: `L(p) = min(t_i + w - p n_i) - max(t_i - w - p n_i)`.
//!
//! Pulses jitter as well. Stretches are widened until a line fits, and by as much again as could not have shown: a
//! sample over the number of pulses, which is how finely a train tells places.

/// Most pulses that are looked at; of more, so many spread over the train.
const MOST: usize = 96;
/// Slopes at which the room is taken.
const SLOPES: usize = 65;
/// Halvings in which the widening is found.
const HALVINGS: usize = 24;

/// A train that comes evenly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Even {
    /// Mean period, in seconds.
    pub(crate) period_s: f64,
    /// Its standard uncertainty from the stretches.
    pub(crate) period_u_s: f64,
    /// By how much pulses may lie beside an even train, to either side.
    pub(crate) beside_s: f64,
}

/// Fits a train to pulses with these times and numbers, each known within `half_s`. None for fewer than three pulses, and
/// where they lie beside an even train by more than `half_s`: then they do not come evenly.
pub(crate) fn even(times_s: &[f64], numbers: &[f64], half_s: f64) -> Option<Even> {
    let count = times_s.len().min(numbers.len());
    if count < 3 || half_s <= 0.0 {
        return None;
    }
    let (last, n0, t0) = (count - 1, numbers[0], times_s[0]);
    let span = numbers[last] - n0;
    let about = (times_s[last] - t0) / span;
    let taken = count.min(MOST);
    // Numbers from the first pulse on, and what each comes later than evenly between the ends.
    let points: Vec<(f64, f64)> = (0..taken)
        .map(|i| i * last / (taken - 1))
        .map(|i| (numbers[i] - n0, times_s[i] - t0 - about * (numbers[i] - n0)))
        .collect();
    let slopes = |w: f64| {
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        for (j, (n, t)) in points.iter().enumerate() {
            for (m, s) in &points[..j] {
                low = low.max((t - s - 2.0 * w) / (n - m));
                high = high.min((t - s + 2.0 * w) / (n - m));
            }
        }
        (low, high)
    };
    let fits = |more: f64| {
        let (low, high) = slopes(half_s + more);
        low <= high
    };
    if !fits(half_s) {
        return None;
    }
    let (mut without, mut with) = (0.0, half_s);
    if fits(0.0) {
        with = 0.0;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (without + with);
        if fits(middle) { with = middle } else { without = middle }
    }
    let beside_s = with + 2.0 * half_s / count as f64;
    let w = half_s + beside_s;
    let (low, high) = slopes(w);
    let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
    for i in 0..SLOPES {
        let slope = low + (high - low) * (i as f64 + 0.5) / SLOPES as f64;
        let (from, until) = points.iter().fold((f64::NEG_INFINITY, f64::INFINITY), |(from, until), (n, t)| {
            (from.max(t - slope * n - w), until.min(t - slope * n + w))
        });
        let room = (until - from).max(0.0);
        sum += room;
        first += room * slope;
        second += room * slope * slope;
    }
    if sum <= 0.0 {
        return None;
    }
    let mean = first / sum;
    Some(Even { period_s: about + mean, period_u_s: (second / sum - mean * mean).max(0.0).sqrt(), beside_s })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;

    const SAMPLE_S: f64 = 2e-3;

    /// Times of pulses as the middles of the samples' distances that they lie in.
    fn seen(count: usize, period_s: f64, jitter_s: f64, noise: &mut Noise) -> (Vec<f64>, Vec<f64>) {
        let start = noise.uniform();
        let place = |n: usize| start + n as f64 * period_s + jitter_s * noise.normal();
        let times: Vec<f64> = (0..count).map(place).collect();
        (times.iter().map(|t| ((t / SAMPLE_S).floor() + 0.5) * SAMPLE_S).collect(), times)
    }

    /// Periods that walk against the samples, that keep their place, and that nearly do: the interval holds the true one
    /// as often as it says, and is narrower where the walk tells more.
    #[test]
    fn the_period_is_as_well_known_as_the_walk_tells() {
        let mut widths = Vec::new();
        for (period_s, jitter_s) in
            [(1001.0 / 30_000.0, 0.0), (1001.0 / 30_000.0, 20e-6), (0.04, 5e-6), (0.040_007, 0.0), (0.0401, 10e-6)]
        {
            let mut noise = Noise::new(17);
            let (trials, mut held, mut width) = (600, 0, 0.0);
            for _ in 0..trials {
                let (seen, true_s) = seen(50, period_s, jitter_s, &mut noise);
                let numbers: Vec<f64> = (0..50).map(f64::from).collect();
                let got = even(&seen, &numbers, 0.5 * SAMPLE_S).unwrap();
                let want = (true_s[49] - true_s[0]) / 49.0;
                let u = got.period_u_s.hypot(got.beside_s * (2.0_f64 / 3.0).sqrt() / 49.0);
                held += i32::from((got.period_s - want).abs() < 1.96 * u);
                width += u / f64::from(trials);
            }
            assert!(held >= 560, "period {period_s}, jitter {jitter_s}: {held} of {trials}");
            widths.push(width);
        }
        // Against the ends alone, which know the period to sqrt(2 / 12) of a sample over 49 periods.
        let ends = SAMPLE_S / 6.0_f64.sqrt() / 49.0;
        assert!(widths[0] < 0.25 * ends && widths[2] < 1.3 * ends && widths[2] > 0.7 * ends, "{widths:?}, {ends}");
    }

    #[test]
    fn pulses_that_do_not_come_evenly_are_no_train() {
        let numbers: Vec<f64> = (0..50).map(f64::from).collect();
        let swinging: Vec<f64> = numbers.iter().map(|n| 0.04 * n + 8e-3 * (0.3 * n).sin()).collect();
        assert_eq!(even(&swinging, &numbers, 0.5 * SAMPLE_S), None);
        assert_eq!(even(&[0.0, 0.04], &[0.0, 1.0], 1e-3), None);
        assert_eq!(even(&[0.0, 0.04, 0.08], &[0.0, 1.0, 2.0], 0.0), None);
    }
}
