//! Whether heads stand on tracks of their own azimuth: pilots alone do not tell.
//!
//! A pilot is so long a wave that a track of the other azimuth gives it as well, and exactly one pitch off a head shows the beats of
//! one that is centred. The track's carrier it does not give: what a head reads there comes from both neighbours, which its own azimuth
//! recorded, as far as it reaches over to them; the pilots say how far. Two carriers beat, one does not: `q = E x^4 / (E x^2)^2` over
//! all captures together is 1.5 of one sine, and `3 - 1.5 (n^4 + b^4) / (n^2 + b^2)^2` of two with amplitudes `n` and `b`. A third
//! carrier, noise and a level that changes (with the picture by up to 4 dB: 1.8) only raise it, so that several are never
//! taken for one. It needs no level and no head switch, and tells where the neighbours are about as strong as each other:
//! of one neighbour alone there is one carrier too.

use super::{Beats, Seen};
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{COVERAGE, Contribution, Estimate};
use crate::scan::Head;
use crate::special::student_quantile;
use crate::statistics::share_interval;
use crate::trace::Trace;
use core::f64::consts::TAU;
use tapewright_formats::losses::sinc;

/// Moments of one capture's carrier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CarrierMoments {
    /// Second, in V^2.
    pub second_v2: f64,
    /// Fourth, in V^4.
    pub fourth_v4: f64,
}

/// How many carriers one head reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Carriers {
    /// Surely one: the head stands on tracks of its own azimuth.
    One,
    /// Surely more, or one in much noise: no track's own.
    Several,
    /// Neither is sure.
    Open,
}

/// Fewer captures tell no scatter.
const LEAST_CAPTURES: usize = 4;
/// `q` that one carrier does not reach, whatever the picture.
const MOST_OF_ONE: f64 = 1.85;
/// Coverage of what is surely one carrier: a pass stands on it.
const SURE: f64 = 0.999;
/// Transition of a low pass in Hann's window, over the sample rate and times the filter's length.
const HANN: f64 = 3.1;

/// The carrier of a capture, which lies above `above_hz` or is aliased to there; what lies below half of that is filtered off.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn carrier_moments(trace: &Trace, above_hz: f64) -> Result<CarrierMoments, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    let pass = positive("least frequency of a carrier", above_hz)? * trace.dt_s();
    let length = ((2.0 * HANN / pass).ceil() as usize) | 1;
    at_least("samples of a carrier", trace.volts().len(), 2 * length)?;
    let (half, corner) = (length / 2, 0.75 * pass);
    let mut taps: Vec<f64> = (0..length)
        .map(|n| {
            let window = 0.5 - 0.5 * (TAU * (n as f64 + 0.5) / length as f64).cos();
            window * sinc(TAU * corner * (n as f64 - half as f64))
        })
        .collect();
    // All less what a low pass keeps.
    let sum: f64 = taps.iter().sum();
    for tap in &mut taps {
        *tap /= -sum;
    }
    taps[half] += 1.0;
    let (mut second, mut fourth) = (0.0, 0.0);
    for part in trace.volts().windows(length) {
        let v: f64 = part.iter().zip(&taps).map(|(v, tap)| f64::from(*v) * tap).sum();
        second += v * v;
        fourth += v * v * v * v;
    }
    let count = (trace.volts().len() - length + 1) as f64;
    Ok(CarrierMoments { second_v2: second / count, fourth_v4: fourth / count })
}

/// Holds the carriers of one head's captures against its beats.
///
/// # Errors
/// [`MeasureError::TooShort`] below four captures, [`MeasureError::BadParameter`] without a carrier.
pub fn carriers(moments: &[CarrierMoments], beats: &Beats) -> Result<Carriers, MeasureError> {
    at_least("captures with a carrier", moments.len(), LEAST_CAPTURES)?;
    let n = moments.len() as f64;
    let (seconds, fourths) = moments.iter().fold((0.0, 0.0), |(s, f), m| (s + m.second_v2, f + m.fourth_v4));
    positive("power of a carrier", seconds)?;
    let of = |seconds: f64, fourths: f64, n: f64| n * fourths / (seconds * seconds);
    let q = of(seconds, fourths, n);
    // Jackknife over the captures: several carriers may beat slower than one capture lasts, and then captures differ.
    let without = moments.iter().map(|m| of(seconds - m.second_v2, fourths - m.fourth_v4, n - 1.0));
    let mean = without.clone().sum::<f64>() / n;
    let u = ((n - 1.0) / n * without.map(|one| (one - mean).powi(2)).sum::<f64>()).sqrt();
    let reach = |coverage: f64| student_quantile(0.5 * (1.0 + coverage), n - 1.0) * u;
    // The neighbours as unlike as they may be: the less do their carriers beat.
    let (small, large) = (beats.small.interval, beats.large.interval);
    let apart = (large.high - small.low).max(small.high - large.low);
    let unlike = (apart / (beats.small.value + beats.large.value).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    let (strong, weak) = ((1.0 + unlike).powi(2), (1.0 - unlike).powi(2));
    let of_two = 3.0 - 1.5 * (strong * strong + weak * weak) / (strong + weak).powi(2);
    Ok(if q + reach(SURE) < of_two.min(MOST_OF_ONE) {
        Carriers::One
    } else if q - reach(COVERAGE) > MOST_OF_ONE {
        Carriers::Several
    } else {
        Carriers::Open
    })
}

/// Share of captures, taken while the head switch selected `head`, that show a pilot of its own tracks (unit 1).
///
/// # Errors
/// [`MeasureError::TooShort`] below four captures.
pub fn own_share(taken: &[Seen], head: Head) -> Result<Estimate, MeasureError> {
    at_least("captures from head-switch edges with pilots", taken.len(), LEAST_CAPTURES)?;
    let (hits, tries) = (taken.iter().filter(|seen| seen.head == head).count(), taken.len());
    let (low, high) = share_interval(hits as u64, tries as u64, COVERAGE)?;
    let u = 0.25 * (high - low);
    let contributions = vec![Contribution::type_b("count of captures", u)];
    Estimate::with_interval(hits as f64 / tries as f64, low, high, u, None, contributions)
}

#[cfg(test)]
mod tests {
    use super::super::{beats, tests::seen};
    use super::*;
    use crate::extremes::Noise;

    /// Captures of one head: the carriers that it reads, as `(amplitude, spread of the frequency in hertz)`, with noise, colour and a
    /// picture that takes `falls` of the level for a third of the time.
    fn captures(noise: &mut Noise, count: usize, of: &[(f64, f64)], noise_v: f64, falls: f64) -> Vec<CarrierMoments> {
        let dt_s = 1.0 / 8.1e6;
        (0..count)
            .map(|_| {
                let tones: Vec<(f64, f64, f64)> =
                    of.iter().map(|(a, spread)| (*a, 4.5e6 + spread * noise.normal(), noise.uniform())).collect();
                let volts = (0..2430).map(|i| {
                    let t = f64::from(i) * dt_s;
                    let level = if (i / 170) % 3 == 0 { 1.0 - falls } else { 1.0 };
                    let sum: f64 = tones.iter().map(|(a, hz, phase)| a * (TAU * (hz * t + phase)).cos()).sum();
                    let colour = 0.1 * (TAU * 743e3 * t).cos();
                    (level * sum + colour + noise_v * noise.normal()) as f32
                });
                let trace = Trace::from_volts(0.0, dt_s, volts.collect()).unwrap();
                carrier_moments(&trace, 2.7e6).unwrap()
            })
            .collect()
    }

    #[test]
    fn a_filter_leaves_the_carrier_alone() {
        let mut noise = Noise::new(2);
        for moments in captures(&mut noise, 3, &[(0.2, 0.0)], 0.0, 0.0) {
            assert!((moments.second_v2 / 0.02 - 1.0).abs() < 0.01, "{moments:?}");
            assert!((moments.fourth_v4 / moments.second_v2.powi(2) - 1.5).abs() < 0.01, "{moments:?}");
        }
    }

    /// Heads on their own tracks are told so in nearly all trials, heads on the other azimuth's in hardly any, however slowly
    /// their carriers beat and however few the captures are.
    #[test]
    fn one_carrier_is_told_from_two() {
        let mut noise = Noise::new(17);
        for (what, of, neighbours, noise_v, falls, told) in [
            ("on track", &[(0.2, 6e3)][..], (0.15, 0.15), 0.004, 0.0, Some(Carriers::One)),
            ("on track, bright picture", &[(0.2, 6e3)], (0.15, 0.15), 0.004, 0.35, Some(Carriers::One)),
            ("off track", &[(0.2, 6e3)], (0.2, 0.1), 0.004, 0.2, Some(Carriers::One)),
            (
                "a pitch off",
                &[(0.03, 6e3), (0.03, 6e3), (0.008, 6e3)],
                (0.15, 0.15),
                0.004,
                0.0,
                Some(Carriers::Several),
            ),
            ("a pitch off, slow beats", &[(0.03, 300.0), (0.03, 300.0)], (0.15, 0.15), 0.002, 0.0, None),
            ("a pitch off and more", &[(0.042, 6e3), (0.018, 6e3)], (0.21, 0.09), 0.002, 0.0, None),
            ("noise", &[(0.01, 6e3)], (0.15, 0.15), 0.1, 0.0, Some(Carriers::Several)),
        ] {
            let (trials, mut counts) = (120, [0; 3]);
            for _ in 0..trials {
                let moments = captures(&mut noise, 10, of, noise_v, falls);
                let all: Vec<Seen> =
                    (0..10).map(|_| seen(Head::A, neighbours.0, neighbours.1, 0.01, &mut noise)).collect();
                counts[carriers(&moments, &beats(&all, Head::A).unwrap()).unwrap() as usize] += 1;
            }
            let says = format!("{what}: one, several, open {counts:?} of {trials}");
            match told {
                Some(told) => assert!(counts[told as usize] > trials * 8 / 10, "{says}"),
                None => assert!(counts[Carriers::One as usize] < trials / 20, "{says}"),
            }
        }
    }

    #[test]
    fn captures_from_edges_say_whose_tracks_they_are() {
        let mut noise = Noise::new(5);
        for (own, other, low, high) in [(10, 0, 0.69, 1.0), (0, 10, 0.0, 0.309), (5, 5, 0.187, 0.813)] {
            let mut taken: Vec<Seen> = (0..own).map(|_| seen(Head::B, 0.1, 0.1, 0.01, &mut noise)).collect();
            taken.extend((0..other).map(|_| seen(Head::A, 0.1, 0.1, 0.01, &mut noise)));
            let got = own_share(&taken, Head::B).unwrap().interval;
            assert!((got.low - low).abs() < 0.002 && (got.high - high).abs() < 0.002, "{own}, {other}: {got:?}");
        }
        assert!(matches!(own_share(&[], Head::A), Err(MeasureError::TooShort { .. })));
    }
}
