//! The period of pulses that come evenly and are each known to lie within a stretch of time.
//!
//! A pulse between two samples lies anywhere between them. A train of them says more than its ends do: where pulses walk
//! against the samples, each that passes one tells where the train is. Pulses jitter as well, and then those near a
//! sample show now this side of it and now the other. So each line `t = a + p n` has a probability (Bayes; line
//! and jitter anywhere with the same probability, JCGM 100:2008, 4.3.7):
//!
//! `P(a, p | times) ~ sum over s of prod_i P(a pulse with jitter s about a + p n_i lies within its stretch)`
//!
//! over a few jitters `s`, from next to none to nearly half a stretch. The period is its mean over all lines, its
//! uncertainty their deviation: lines that the pulses leave open by keeping their place against the samples say so themselves.
//!
//! Rates and sample intervals are round numbers, so a train that keeps its place is no rarity; with every line as likely as
//! any other it would seem to walk as soon as one pulse shows the next sample. Where it walks by no more than a stretch and a half
//! in all, that it does not walk stays possible: the interval reaches as far.

/// Most pulses that are looked at; of more, so many spread over the train.
const MOST: usize = 96;
/// Lines that are tried: places at mid-train, and at the ends against it, so many to a stretch,
const FINE: f64 = 40.0;
/// and so far to either side of the line by least squares: eight tenths of a stretch.
const REACH: i32 = 32;
/// Jitters that are tried, in stretches.
const JITTERS: [f64; 5] = [0.015, 0.05, 0.1, 0.2, 0.4];
/// Times that scatter more about a line, in stretches, are no even train that is only rounded.
const MOST_SCATTER: f64 = 0.6;
/// So far may a train seem to walk, in stretches to either side of its middle, that keeps its place,
const KEEPS: f64 = 0.75;
/// and this share of that walk is then the least standard uncertainty: a little more than an interval of 95 % needs.
const KEEPS_U: f64 = 0.55;
/// Steps of the tabled probability to a stretch, and stretches that the table reaches.
const TABLE: (f64, f64) = (160.0, 3.0);

/// A train that comes evenly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Even {
    /// Mean period, in seconds.
    pub period_s: f64,
    /// Its standard uncertainty.
    pub period_u_s: f64,
    /// Standard deviation of the pulses about an even train.
    pub jitter_s: f64,
}

/// Logarithm of the probability that a pulse lies within half a stretch of a place `z` stretches away, tabled over `z`; by
/// the logistic curve, which leaves the normal one by a hundredth at the most.
fn within(jitter: f64) -> impl Fn(f64) -> f64 {
    let steep = 1.702 / jitter;
    let table: Vec<f64> = (0..=(TABLE.0 * TABLE.1) as usize)
        .map(|i| {
            let z = i as f64 / TABLE.0;
            let (near, far) = ((steep * (0.5 - z)).exp(), (steep * (-0.5 - z)).exp());
            ((near - far) / ((1.0 + near) * (1.0 + far))).max(1e-300).ln()
        })
        .collect();
    move |z: f64| {
        let at = (z.abs() * TABLE.0).min(TABLE.0 * TABLE.1 - 1e-9);
        let place = at as usize;
        table[place] + (at - place as f64) * (table[place + 1] - table[place])
    }
}

/// Fits a train to pulses with these times and numbers, each known within `half_s`. None for fewer than three pulses, and
/// where they lie beside an even train by more than rounding: then they do not come evenly.
pub(crate) fn even(times_s: &[f64], numbers: &[f64], half_s: f64) -> Option<Even> {
    let count = times_s.len().min(numbers.len());
    if count < 3 || half_s <= 0.0 {
        return None;
    }
    let (last, stretch_s) = (count - 1, 2.0 * half_s);
    let taken = count.min(MOST);
    let chosen = || (0..taken).map(|i| i * last / (taken - 1)).map(|i| (numbers[i], times_s[i]));
    let n = taken as f64;
    let (mean_n, mean_s) = chosen().fold((0.0, 0.0), |(a, b), (number, time)| (a + number / n, b + time / n));
    let (products, squares) = chosen().fold((0.0, 0.0), |(p, s), (number, time)| {
        (p + (number - mean_n) * (time - mean_s), s + (number - mean_n).powi(2))
    });
    let (slope_s, half_train) = (products / squares, 0.5 * (numbers[last] - numbers[0]));
    // Place in the train, -1 to 1, and what each comes later than by least squares, in stretches.
    let points: Vec<(f64, f64)> = chosen()
        .map(|(number, time)| {
            ((number - mean_n) / half_train, (time - mean_s - slope_s * (number - mean_n)) / stretch_s)
        })
        .collect();
    let scatter = (points.iter().map(|(_, late)| late * late).sum::<f64>() / n).sqrt();
    if scatter.is_nan() || scatter > MOST_SCATTER {
        return None;
    }
    // Sums over all lines, as shares of the likeliest so far: probability, with the tilt, its square, the jitter's square.
    let (mut best, mut sums) = (f64::NEG_INFINITY, [0.0; 4]);
    for jitter in JITTERS {
        let ln_within = within(jitter);
        for tilt in -REACH..=REACH {
            let tilt = f64::from(tilt) / FINE;
            for shift in -REACH..=REACH {
                let shift = f64::from(shift) / FINE;
                let mut ln = 0.0;
                for (place, late) in &points {
                    ln += ln_within(late - shift - tilt * place);
                    // Less than any that counts.
                    if ln < best - 40.0 {
                        break;
                    }
                }
                if ln > best {
                    sums = sums.map(|sum| sum * (best - ln).exp());
                    best = ln;
                }
                let likely = (ln - best).exp();
                for (sum, of) in sums.iter_mut().zip([1.0, tilt, tilt * tilt, jitter * jitter]) {
                    *sum += likely * of;
                }
            }
        }
    }
    let [all, tilts, squares, jitters] = sums;
    let tilt = tilts / all;
    // Lines lie no closer than they are tried.
    let mut tilt_u = (squares / all - tilt * tilt).max(0.0).sqrt().hypot(1.0 / FINE / 12.0_f64.sqrt());
    let period_s = slope_s + tilt * stretch_s / half_train;
    // How far the train walks against whole stretches, to either side of its middle.
    let walk = half_train * (period_s / stretch_s - (period_s / stretch_s).round()).abs();
    if walk < KEEPS {
        tilt_u = tilt_u.max(KEEPS_U * walk);
    }
    Some(Even { period_s, period_u_s: tilt_u * stretch_s / half_train, jitter_s: stretch_s * (jitters / all).sqrt() })
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

    /// Share of the trials whose interval holds the period from the first to the last pulse, and of those whose interval
    /// holds the train's own; mean uncertainty of the line, in samples over the train.
    fn coverage(pulses: usize, period_s: f64, jitter_s: f64, trials: usize) -> (f64, f64, f64) {
        let mut noise = Noise::new(17);
        let (mut ends, mut train, mut width) = (0, 0, 0.0);
        let numbers: Vec<f64> = (0..pulses as u32).map(f64::from).collect();
        let periods = pulses as f64 - 1.0;
        for _ in 0..trials {
            let (seen, true_s) = seen(pulses, period_s, jitter_s, &mut noise);
            let got = even(&seen, &numbers, 0.5 * SAMPLE_S).unwrap();
            let want = (true_s[pulses - 1] - true_s[0]) / periods;
            let u = got.period_u_s.hypot(got.jitter_s * core::f64::consts::SQRT_2 / periods);
            ends += i32::from((got.period_s - want).abs() < 1.96 * u);
            train += i32::from((got.period_s - period_s).abs() < 1.96 * u);
            width += got.period_u_s * periods / SAMPLE_S / trials as f64;
        }
        (f64::from(ends) / trials as f64, f64::from(train) / trials as f64, width)
    }

    /// Periods that walk against the samples, that keep their place, and that nearly do, with jitter from nothing to a third of a
    /// sample: the interval holds the true one as often as it says, and is narrower where the walk tells more.
    #[test]
    fn the_period_is_as_well_known_as_the_walk_tells() {
        let mut widths = Vec::new();
        for (pulses, period_s, jitter) in [
            (50, 1001.0 / 30_000.0, 0.0),
            (50, 1001.0 / 30_000.0, 0.01),
            (50, 0.04, 0.0025),
            (50, 0.040_007, 0.0),
            (50, 0.0401, 0.005),
            (40, 0.129_58, 0.06),
            (40, 0.129_58, 0.1),
            (24, 0.2502, 0.1),
            (20, 0.2246, 0.2),
            (30, 0.1626, 0.3),
            (50, 0.04, 0.35),
        ] {
            let (ends, train, width) = coverage(pulses, period_s, jitter * SAMPLE_S, 120);
            // Three deviations of so many trials below 0.95.
            let says = format!("{pulses} pulses, period {period_s}, jitter {jitter}: {ends}, {train}, {width}");
            assert!(ends > 0.89 && train > 0.89, "{says}");
            widths.push(width);
        }
        // Against the ends alone, which know the period to sqrt(2 / 12) of a sample.
        let ends = 6.0_f64.sqrt().recip();
        assert!(widths[0] < 0.3 * ends && widths[2] < 1.3 * ends && widths[2] > 0.7 * ends, "{widths:?}, {ends}");
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
