//! The four pilot tones of 8 mm in the RF of one head: its own, and what its neighbours add.
//!
//! The FM carrier lies far above and is filtered off before the tones are fitted. The strongest pilot is the track's own
//! and says which head wrote it: head A wrote the first and third. Where two are nearly as strong, the heads were being
//! switched over, and the capture says nothing. That the head that reads it is the one that wrote it, the pilots do not say:
//! `own_tracks`.

mod own_tracks;
pub use own_tracks::{CarrierMoments, Carriers, carrier_moments, carriers, own_share};

use crate::demodulate::low_pass;
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{COVERAGE, Contribution, Estimate};
use crate::scan::Head;
use crate::sine::fit_tones;
use crate::special::student_quantile;
use crate::statistics::{effective_count, moments};
use crate::trace::Trace;

/// A second pilot of this share of the strongest belongs to another scan of the same capture.
const OTHER_SCAN: f64 = 0.6;

/// The own pilot must stand so many times above its error.
const CLEAR: f64 = 8.0;

/// What one capture shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// The head whose track it is.
    pub head: Head,
    /// Number of the own pilot, 0 to 3.
    pub own: usize,
    /// Amplitude of the own pilot in volts.
    pub own_v: f64,
    /// Of the neighbour recorded after it, over the own.
    pub next: f64,
    /// Of the neighbour recorded before it, over the own.
    pub before: f64,
    /// Standard error of either, over the own.
    pub error: f64,
}

/// Looks at one capture: none where the heads were being switched over.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooSlow`], [`MeasureError::TooShort`], [`MeasureError::InNoise`] where no pilot
/// stands clear.
pub fn look(trace: &Trace, pilots_hz: &[f64; 4]) -> Result<Option<Seen>, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    let highest = pilots_hz.iter().fold(0.0_f64, |high, hz| high.max(positive("pilot", *hz).unwrap_or(0.0)));
    let slow = low_pass(trace, 1.15 * highest, 3.0 * highest)?;
    let fit = fit_tones(&slow, pilots_hz, true)?;
    let levels: Vec<f64> = fit.tones.iter().map(|tone| tone.amplitude()).collect();
    let own = (0..4).fold(0, |best, k| if levels[k] > levels[best] { k } else { best });
    let error = fit.tones[own].error;
    if levels[own] < CLEAR * error {
        let detail =
            format!("the strongest has {:.3} mV, with a standard error of {:.3} mV", 1e3 * levels[own], 1e3 * error);
        return Err(MeasureError::InNoise { what: "pilot tones in the RF", detail });
    }
    if (0..4).any(|k| k != own && levels[k] > OTHER_SCAN * levels[own]) {
        return Ok(None);
    }
    let head = if own.is_multiple_of(2) { Head::A } else { Head::B };
    let share = |k: usize| levels[k % 4] / levels[own];
    let error = error / levels[own];
    Ok(Some(Seen { head, own, own_v: levels[own], next: share(own + 1), before: share(own + 3), error }))
}

/// Both beats of one head.
#[derive(Debug, Clone)]
pub struct Beats {
    /// Neighbour about one line rate away, over the own pilot (unit 1).
    pub small: Estimate,
    /// Neighbour about three line rates away, over the own pilot (unit 1).
    pub large: Estimate,
    /// Small less large (unit 1).
    pub difference: Estimate,
    /// `(next - before) / (next + before)`: none where neither neighbour stands clear.
    pub tracking: Option<Estimate>,
    /// Captures that it is the mean of.
    pub count: usize,
}

/// Variance of an amplitude in noise over the noise's own, by the amplitude over the noise's deviation: Rice's distribution, a
/// curve through its values (0.429 at 0, 0.602 at 1, 0.836 at 2, 0.93 at 3, computed from its moments).
fn scatter_of_noise(clear: f64) -> f64 {
    let square = clear * clear;
    1.0 - 0.571 / (1.0 + 0.4 * square + 0.045 * square * square)
}

/// Mean amplitude over captures without what noise adds to it, from `E a^2 = A^2 + 2 e^2`: over all captures at once, since a
/// root of each, cut off at nothing, would lift a beat that is nearly nothing. What the amplitude itself varies, its scatter beyond
/// the noise's, is taken off the mean square too: of few captures it may come out below nothing, and cut off there would
/// lower every beat near the noise. Near the noise the interval is uneven.
fn amplitude(values: &[f64], error: f64) -> Result<Estimate, MeasureError> {
    let squares: Vec<f64> = values.iter().map(|a| a * a).collect();
    let (of_values, of_squares) = (moments(values)?, moments(&squares)?);
    let with_variation = of_squares.mean - 2.0 * error * error;
    let own = error * error * scatter_of_noise(with_variation.max(0.0).sqrt() / error.max(f64::MIN_POSITIVE));
    let square = with_variation - (of_values.standard_deviation.powi(2) - own);
    let worth = effective_count(values)?;
    let dof = (worth - 1.0).max(1.0);
    let spread = of_squares.standard_deviation / worth.sqrt();
    let root = |x: f64| x.max(0.0).sqrt();
    // The noise that is taken off is known to a third.
    let noise = 2.0 * error * error / 3.0;
    let reach = student_quantile(0.5 * (1.0 + COVERAGE), dof) * spread.hypot(noise);
    let (value, low, high) = (root(square), root(square - reach), root(square + reach));
    let slope =
        (0.25 * (high - low) / spread.hypot(noise).max(f64::MIN_POSITIVE)).min(0.5 / value.max(f64::MIN_POSITIVE));
    let u = slope * spread.hypot(noise);
    let contributions = vec![
        Contribution::type_a("captures", slope * spread, dof),
        Contribution::type_b("noise, taken off", slope * noise),
    ];
    Estimate::with_interval(value, low, high, u, Some(dof), contributions)?
        .also(Contribution::type_b("flatness of filter and scope", 0.01 * value))
}

/// Beats of one head over captures.
///
/// # Errors
/// [`MeasureError::TooShort`] below four captures of that head.
pub fn beats(seen: &[Seen], head: Head) -> Result<Beats, MeasureError> {
    let of: Vec<&Seen> = seen.iter().filter(|s| s.head == head).collect();
    at_least("captures of one head with pilots", of.len(), 4)?;
    // Of head A the next track's pilot lies one line rate away, of head B the one before's.
    let sides = |s: &&Seen| if head == Head::A { (s.next, s.before) } else { (s.before, s.next) };
    let (smalls, larges): (Vec<f64>, Vec<f64>) = of.iter().map(sides).unzip();
    let error = (of.iter().map(|s| s.error * s.error).sum::<f64>() / of.len() as f64).sqrt();
    let (small, large) = (amplitude(&smalls, error)?, amplitude(&larges, error)?);
    let apart = moments(&smalls.iter().zip(&larges).map(|(s, l)| s - l).collect::<Vec<_>>())?;
    // A head that wanders moves both beats, and their difference by more than either tells.
    let wander = apart.standard_deviation / (of.len() as f64).sqrt();
    let difference = of_both(&small, &large, wander, |s, l| s - l)?;
    let sum = small.value + large.value;
    let sign = if head == Head::A { 1.0 } else { -1.0 };
    let tracking = if sum > 3.0 * error {
        let of_pair = |s: f64, l: f64| if s + l > 0.0 { sign * (s - l) / (s + l) } else { 0.0 };
        Some(of_both(&small, &large, wander / sum, of_pair)?.within(-1.0, 1.0))
    } else {
        None
    };
    Ok(Beats { small, large, difference, tracking, count: of.len() })
}

/// What follows from both beats: each is moved to its ends, and `wander` is the least standard uncertainty.
fn of_both(
    small: &Estimate,
    large: &Estimate,
    wander: f64,
    of: impl Fn(f64, f64) -> f64,
) -> Result<Estimate, MeasureError> {
    let value = of(small.value, large.value);
    let moves = [
        (of(small.interval.low, large.value) - value, of(small.interval.high, large.value) - value),
        (of(small.value, large.interval.low) - value, of(small.value, large.interval.high) - value),
    ];
    let side = |pick: fn(f64, f64) -> f64| moves.iter().map(|(a, b)| pick(*a, *b).powi(2)).sum::<f64>().sqrt();
    let (down, up) =
        (side(|a, b| a.min(b).min(0.0)).max(2.0 * wander), side(|a, b| a.max(b).max(0.0)).max(2.0 * wander));
    let u = 0.25 * (down + up);
    let contributions = vec![Contribution::type_b("both beats", u)];
    Estimate::with_interval(value, value - down, value + up, u, None, contributions)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_formats::LineStandard;
    use tapewright_formats::pilots::pilots_hz;

    /// A look at a track of `head`, its neighbours with noise.
    pub(super) fn seen(head: Head, next: f64, before: f64, error: f64, noise: &mut crate::extremes::Noise) -> Seen {
        let own = if head == Head::A { 0 } else { 1 };
        let mut noisy = |level: f64| (level + error * noise.normal()).hypot(error * noise.normal());
        Seen { head, own, own_v: 0.01, next: noisy(next), before: noisy(before), error }
    }

    fn rf(own: usize, next: f64, before: f64, seed: u32) -> Trace {
        let pilots = pilots_hz(LineStandard::L525);
        let rate = 8.1e6;
        let volts = (0..2500).map(|i| {
            let t = f64::from(i) / rate;
            let turn = core::f64::consts::TAU;
            let swing = 0.4e6 / 15_734.0 * (turn * 15_734.0 * t).sin();
            let mut v = 0.2 * (turn * (4.3e6 * t + 0.01 * f64::from(seed)) + swing).cos();
            v += 0.02 * (turn * (743_444.0 * t + 0.3)).cos();
            for (k, level) in [(own, 1.0), (own + 1, next), (own + 3, before)] {
                v += 0.01 * level * (turn * (pilots[k % 4] * t + 0.17 * f64::from(seed) + 0.3 * k as f64)).cos();
            }
            v as f32
        });
        Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
    }

    #[test]
    fn neighbours_are_told_by_their_pilots() {
        let pilots = pilots_hz(LineStandard::L525);
        let seen: Vec<Seen> = (0..24)
            .map(|n| look(&rf(n % 4, 0.2, 0.1, n as u32), &pilots).unwrap().expect("no switching in it"))
            .collect();
        for (n, s) in seen.iter().enumerate() {
            assert_eq!((s.own, s.head), (n % 4, if n % 2 == 0 { Head::A } else { Head::B }));
            assert!((s.next - 0.2).abs() < 0.03 && (s.before - 0.1).abs() < 0.03, "{s:?}");
        }
        let (a, b) = (beats(&seen, Head::A).unwrap(), beats(&seen, Head::B).unwrap());
        // The sense of the beats swaps from head to head, that of the tracking does not.
        assert!(a.difference.value > 0.05 && b.difference.value < -0.05, "{a:?} {b:?}");
        for head in [a, b] {
            let tracking = head.tracking.unwrap();
            assert!((tracking.value - 1.0 / 3.0).abs() < 0.08, "{tracking:?}");
        }
    }

    /// Beats once to six times as high as the noise in them, of a dozen captures each: the mean over many measurements is right.
    #[test]
    fn beats_near_the_noise_are_not_read_low() {
        let mut noise = crate::extremes::Noise::new(41);
        for (clear, varies) in [(3.0, 0.0), (4.0, 0.0), (6.0, 0.0), (6.0, 1.0)] {
            let (trials, captures) = (2_000, 12);
            let (mut sum, mut held) = (0.0, 0);
            for _ in 0..trials {
                let mut values = Vec::with_capacity(captures);
                for _ in 0..captures {
                    let level = clear + varies * noise.normal();
                    values.push((level + noise.normal()).hypot(noise.normal()));
                }
                let got = amplitude(&values, 1.0).unwrap();
                sum += got.value / f64::from(trials);
                held += i32::from(got.interval.low <= clear && clear <= got.interval.high);
            }
            let says = format!("{clear} varying by {varies}: {sum}, {held} of {trials}");
            // Cut off at nothing, what varies took 1.2 % of a beat three times as high as the noise.
            assert!((sum / clear - 1.0).abs() < 0.008 && f64::from(held) > 0.92 * f64::from(trials), "{says}");
        }
    }

    #[test]
    fn two_scans_in_one_capture_and_no_pilots_say_nothing() {
        let pilots = pilots_hz(LineStandard::L525);
        assert_eq!(look(&rf(0, 0.9, 0.0, 1), &pilots).unwrap(), None);
        let mut drawn = crate::extremes::Noise::new(1);
        let noise = (0..2500).map(|_| 0.1 * (drawn.uniform() as f32 - 0.5));
        let noise = Trace::from_volts(0.0, 1.0 / 8.1e6, noise.collect()).unwrap();
        assert!(matches!(look(&noise, &pilots), Err(MeasureError::InNoise { .. })));
        assert!(beats(&[], Head::A).is_err());
    }
}
