//! The two FM carriers of depth-recorded sound: frequency, level, balance.
//!
//! Each is demodulated in its own band ([`crate::demodulate`]), so that modulation does not lower its level and the
//! other carrier does not beat with it. Short captures at any place of any scan: what differs between them is type A.

use crate::demodulate::{Band, demodulate};
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate, Spread};
use crate::special::student_quantile;
use crate::statistics::{effective_count, moments};
use crate::trace::Trace;

mod places;

pub use places::{Places, least_rate_to_seek_hz, places};

/// Share of the distance between the carriers that passes on either side of one; the other begins at the whole less this.
const PASS: f64 = 0.38;
const STOP: f64 = 0.6;

/// The level must stand so many times above what the band shows without sound.
const CLEAR: f64 = 4.0;

/// How seldom captures at any place of the sound may be taken for captures in step with it.
const BY_CHANCE: f64 = 1e-4;

/// A mean course below this is the drum's own, or the filter's (common practice, no source): it moves no carrier by what counts.
const STILL_HZ: f64 = 500.0;

/// One carrier in one capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Mean frequency.
    pub hz: f64,
    /// Root mean square of the amplitude.
    pub level_v: f64,
    /// How far the frequency is modulated: the peak of a sine that swings as much.
    pub swing_hz: f64,
    /// How much higher it is in the second half than in the first, and in the middle half than outside of it.
    pub course_hz: [f64; 2],
}

/// Least sample rate for two carriers: their band must not meet its image.
#[must_use]
pub fn least_rate_hz(left_hz: f64, right_hz: f64) -> f64 {
    2.0 * left_hz.max(right_hz) + 1.1 * (right_hz - left_hz).abs()
}

/// One of two carriers in a capture.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooSlow`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn carrier_in(trace: &Trace, hz: f64, other_hz: f64) -> Result<Seen, MeasureError> {
    trace.conversion().demand_unclipped("FM sound")?;
    let apart = positive("distance of the carriers", (hz - other_hz).abs())?;
    let out = demodulate(trace, &Band { carrier_hz: hz, pass_hz: PASS * apart, stop_hz: STOP * apart })?;
    let n = out.phase_rad.len();
    at_least("points of a carrier", n, 16)?;
    let per_point = 1.0 / (core::f64::consts::TAU * out.dt_s);
    let mean_hz = hz + per_point * (out.phase_rad[n - 1] - out.phase_rad[0]) / (n as f64 - 1.0);
    // Weighted by power: where the amplitude is small, noise alone turns the phase.
    let (mut swing, mut weights) = (0.0, 0.0);
    for (phase, amplitude) in out.phase_rad.windows(2).zip(out.amplitude_v.windows(2)) {
        let weight = amplitude[0] * amplitude[1];
        swing += weight * (hz + per_point * (phase[1] - phase[0]) - mean_hz).powi(2);
        weights += weight;
    }
    let swing_hz = (2.0 * swing / weights.max(f64::MIN_POSITIVE)).sqrt();
    let power = out.amplitude_v.iter().map(|a| a * a).sum::<f64>() / n as f64;
    let at = |quarter: usize| out.phase_rad[quarter * (n - 1) / 4];
    let rate =
        |from: usize, to: usize| per_point * (at(to) - at(from)) / (to * (n - 1) / 4 - from * (n - 1) / 4) as f64;
    let course_hz = [rate(2, 4) - rate(0, 2), rate(1, 3) - 0.5 * (rate(0, 1) + rate(3, 4))];
    Ok(Seen { hz: mean_hz, level_v: power.sqrt(), swing_hz, course_hz })
}

/// A carrier over captures.
#[derive(Debug, Clone)]
pub struct Carrier {
    /// Mean frequency in hertz.
    pub hz: Estimate,
    /// Level in volts.
    pub level_v: Estimate,
    /// Greatest swing of the frequency in any capture with at least half the level, hertz.
    pub swing_hz: f64,
    /// The captures met the sound at like places: their mean frequency is that of the place, and not the carrier's.
    pub in_step: bool,
    /// Captures that hold no carrier: the frequency (and a balance) is told without them.
    pub left_out: usize,
}

/// Standard error of a mean of values that may remember each other.
fn mean_and_error(values: &[f64]) -> Result<(f64, f64, f64), MeasureError> {
    let m = moments(values)?;
    let worth = effective_count(values)?;
    Ok((m.mean, m.standard_deviation / worth.sqrt(), (worth - 1.0).max(1.0)))
}

/// Whether the captures surely met the sound in step.
///
/// Captures that know nothing of the sound meet its rise as often as its fall: the mean of their courses is nothing. Where it
/// surely is not, they met the sound at like places and agree on a mean that may be off by all that the sound swings.
fn in_step(clear: &[&Seen]) -> Result<bool, MeasureError> {
    for which in 0..2 {
        let (mean, error, dof) = mean_and_error(&clear.iter().map(|s| s.course_hz[which]).collect::<Vec<_>>())?;
        if mean.abs() > STILL_HZ.max(student_quantile(1.0 - 0.5 * BY_CHANCE, dof) * error) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// From captures; `floor_v` is what the same band shows without sound.
///
/// # Errors
/// [`MeasureError::InNoise`] where the level does not stand clear of the floor; [`MeasureError::TooShort`] below four captures.
pub fn carrier(seen: &[Seen], floor_v: f64, gain_u: f64, timebase_u: f64) -> Result<Carrier, MeasureError> {
    at_least("captures of FM sound", seen.len(), 4)?;
    let squares: Vec<f64> = seen.iter().map(|s| s.level_v * s.level_v - floor_v * floor_v).collect();
    let (power, power_error, dof) = mean_and_error(&squares)?;
    if power <= (CLEAR * floor_v).powi(2) {
        let detail =
            format!("{:.3} mV where the band shows {:.3} mV without sound", 1e3 * power.max(0.0).sqrt(), 1e3 * floor_v);
        return Err(MeasureError::InNoise { what: "carrier of the FM sound", detail });
    }
    let level = power.sqrt();
    // Where a head has left its track there is no carrier whose frequency could be told.
    let clear: Vec<&Seen> = seen.iter().filter(|s| s.level_v > CLEAR * floor_v).collect();
    at_least("captures with a carrier that stands clear", clear.len(), 4)?;
    let (hz, hz_error, hz_dof) = mean_and_error(&clear.iter().map(|s| s.hz).collect::<Vec<_>>())?;
    Ok(Carrier {
        hz: Estimate::combined(
            hz,
            vec![
                Contribution::type_a("captures: modulation, the drum's jitter", hz_error, hz_dof),
                Contribution::type_b("time base of the scope", timebase_u * hz),
            ],
        )?,
        level_v: Estimate::combined(
            level,
            vec![
                Contribution::type_a("captures: place in the scan, noise", power_error / (2.0 * level), dof),
                Contribution::type_b("gain of the scope", gain_u * level).spread(Spread::Rectangular),
                Contribution::type_b("flatness of the filter", 0.002 * level),
            ],
        )?,
        left_out: seen.len() - clear.len(),
        in_step: in_step(&clear)?,
        swing_hz: clear.iter().filter(|s| s.level_v > 0.5 * level).map(|s| s.swing_hz).fold(0.0, f64::max),
    })
}

/// Right over left in decibels: capture by capture, so that gain and place in the scan cancel.
///
/// # Errors
/// [`MeasureError::TooShort`] below four captures in which both carriers stand clear.
pub fn balance_db(left: &[Seen], right: &[Seen], floors_v: (f64, f64)) -> Result<Estimate, MeasureError> {
    let ratios: Vec<f64> = left
        .iter()
        .zip(right)
        .filter(|(l, r)| l.level_v > CLEAR * floors_v.0 && r.level_v > CLEAR * floors_v.1)
        .map(|(l, r)| {
            let clean = |v: f64, floor: f64| (v * v - floor * floor).sqrt();
            20.0 * (clean(r.level_v, floors_v.1) / clean(l.level_v, floors_v.0)).log10()
        })
        .collect();
    at_least("captures with both carriers", ratios.len(), 4)?;
    let (mean, error, dof) = mean_and_error(&ratios)?;
    Estimate::combined(
        mean,
        vec![Contribution::type_a("captures", error, dof), Contribution::type_b("flatness of filter and scope", 0.03)],
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn captures(left_v: f64, right_v: f64, swing_hz: f64, noise_v: f64) -> Vec<Trace> {
        captures_at(left_v, right_v, swing_hz, noise_v, |drawn| drawn)
    }

    /// The same, each at the place of the sound's turn that comes of a drawn number.
    fn captures_at(left_v: f64, right_v: f64, swing_hz: f64, noise_v: f64, at: impl Fn(f64) -> f64) -> Vec<Trace> {
        let rate = 6e6;
        let mut drawn = crate::extremes::Noise::new(3);
        (0..12)
            .map(|_| {
                let (a, b, c) = (drawn.uniform(), drawn.uniform(), at(drawn.uniform()));
                let volts = (0..2500).map(|i| {
                    let t = f64::from(i) / rate;
                    let turn = core::f64::consts::TAU;
                    let swing = swing_hz / 1000.0 * (turn * (1000.0 * t + c)).sin();
                    let noise = (0..4).map(|_| drawn.uniform() - 0.5).sum::<f64>() * 3.0_f64.sqrt() * noise_v;
                    (left_v * (turn * (1.302e6 * t + a) + swing).cos()
                        + right_v * (turn * (1.7e6 * t + b) + swing).cos()
                        + noise) as f32
                });
                Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
            })
            .collect()
    }

    #[test]
    fn captures_in_step_with_the_sound_do_not_agree_on_a_wrong_carrier() {
        for place in 0..20 {
            let start = f64::from(place) / 20.0;
            let all = captures_at(0.05, 0.03, 50e3, 0.001, |drawn| start + 0.04 * drawn);
            let seen: Vec<Seen> = all.iter().map(|t| carrier_in(t, 1.3e6, 1.7e6).unwrap()).collect();
            assert!(carrier(&seen, 0.0003, 0.0, 0.0).unwrap().in_step, "{place}");
        }
        for swing in [0.0, 10e3, 50e3] {
            let all = captures(0.05, 0.03, swing, 0.001);
            let seen: Vec<Seen> = all.iter().map(|t| carrier_in(t, 1.3e6, 1.7e6).unwrap()).collect();
            assert!(!carrier(&seen, 0.0003, 0.0, 0.0).unwrap().in_step, "{swing} Hz");
        }
    }

    #[test]
    fn carriers_are_told_apart_also_with_modulation() {
        assert!(least_rate_hz(1.3e6, 1.7e6) < 6e6);
        for swing in [0.0, 50e3] {
            let all = captures(0.05, 0.03, swing, 0.002);
            let of = |hz, other| all.iter().map(|t| carrier_in(t, hz, other).unwrap()).collect::<Vec<_>>();
            let (left, right) = (of(1.3e6, 1.7e6), of(1.7e6, 1.3e6));
            let found = carrier(&left, 0.0003, 0.0, 0.0).unwrap();
            assert!((found.level_v.value / 0.05 - 1.0).abs() < 0.02, "{swing}: {found:?}");
            assert!((found.hz.value - 1.302e6).abs() < 100.0 + 0.7 * swing, "{swing}: {found:?}");
            assert!(found.hz.interval.low <= 1.302e6 && 1.302e6 <= found.hz.interval.high, "{swing}: {found:?}");
            let balance = balance_db(&left, &right, (0.0003, 0.0003)).unwrap();
            assert!((balance.value - 20.0 * 0.6_f64.log10()).abs() < 0.15, "{balance:?}");
        }
        // Where a head has left its track noise has no frequency to tell, and does not swing.
        let lost = captures(0.0, 0.03, 0.0, 0.002);
        let all = captures(0.05, 0.03, 0.0, 0.002);
        let partly: Vec<Seen> =
            all[..8].iter().chain(&lost[..4]).map(|t| carrier_in(t, 1.3e6, 1.7e6).unwrap()).collect();
        let found = carrier(&partly, 0.0003, 0.0, 0.0).unwrap();
        assert!((found.hz.value - 1.302e6).abs() < 100.0 && found.swing_hz < 10e3, "{found:?}");
        assert_eq!(found.left_out, 4, "{found:?}");
        assert_eq!(carrier(&partly[..8], 0.0003, 0.0, 0.0).unwrap().left_out, 0);
        let all = captures(0.0005, 0.03, 0.0, 0.002);
        let weak: Vec<Seen> = all.iter().map(|t| carrier_in(t, 1.3e6, 1.7e6).unwrap()).collect();
        assert!(matches!(carrier(&weak, 0.0005, 0.0, 0.0), Err(MeasureError::InNoise { .. })));
    }
}
