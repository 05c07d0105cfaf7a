//! RF told from noise: what spans as many volts may be an amplifier's noise without anything from the heads.

use crate::judge::Sight;
use tapewright_sdk::measure::carrier_share::CarrierShare;
use tapewright_sdk::prelude::*;

/// From this share of the power on (unit 1) a point surely shows a carrier. Common practice, no source.
const SURELY: f64 = 0.7;

/// So many deviations normal noise spans at most: of 20,000 values eight to nine.
const NOISE_SPANS: f64 = 10.0;

/// Whether what was seen surely is a carrier.
pub(crate) fn is_carrier(told: &CarrierShare) -> bool {
    told.share.interval.low >= SURELY
}

/// Volts peak to peak that are surely the carrier's: as far as its share bounds them, or, where it surely is one, what noise
/// cannot have added.
pub(crate) fn carrier_least_v(told: &CarrierShare, level: &Estimate) -> f64 {
    let low_v = level.interval.low;
    let by_share_v = told.peak_to_peak_v().0.min(low_v);
    if is_carrier(told) { by_share_v.max(low_v - NOISE_SPANS * told.most_noise_v()) } else { by_share_v }
}

/// The level that is judged: where noise is most of it, the carrier's alone; where noise may be what makes it good, as far
/// down as the carrier's may lie.
pub(crate) fn level_of_carrier(told: &CarrierShare, level: &Estimate, enough_v: f64) -> Result<Estimate> {
    let (least_v, most_v) = told.peak_to_peak_v();
    if !is_carrier(told) && most_v < level.interval.low {
        let u = (most_v - least_v) / 12.0_f64.sqrt();
        let shares = vec![Contribution::type_b("how much of it is a carrier", u)];
        return Ok(Estimate::with_interval(0.5 * (least_v + most_v), least_v, most_v, u, None, shares)?);
    }
    let least_v = carrier_least_v(told, level);
    let lift_v = if least_v < enough_v { (level.value - least_v).max(0.0) } else { 0.0 };
    Ok(if lift_v > 0.0 { level.clone().or_lower("noise in the level", lift_v)? } else { level.clone() })
}

/// RF, told from noise. A carrier that is surely one is there however weak it is, down to crosstalk; else its own
/// volts count, as far as they are bounded.
pub(crate) fn carrier_sight(told: &CarrierShare, level: &Estimate, present_v: f64, crosstalk_v: f64) -> Sight {
    // What the look saw was not there when its nature was looked at: then nothing bounds it.
    let missed = level.interval.low > NOISE_SPANS * told.greatest_v();
    match level.interval {
        _ if carrier_least_v(told, level) >= present_v => Sight::Seen,
        Interval { low, .. } if is_carrier(told) && low >= crosstalk_v => Sight::Seen,
        Interval { high, .. } if high < crosstalk_v => Sight::Unseen,
        _ if is_carrier(told) => Sight::Doubtful,
        _ if !missed && told.peak_to_peak_v().1 < present_v => Sight::Unseen,
        _ => Sight::Noise,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::{Kind, Look, Shares, sight};
    use tapewright_sdk::formats::ProbePlace;

    const SHARES: Shares = Shares { present: 0.2, crosstalk: 0.1, most: Some(3.0) };

    fn look(level_v: f64) -> Look {
        let level = Estimate::combined(level_v, vec![Contribution::type_b("gain", 0.02 * level_v)]).unwrap();
        Look { level: Some(level), ..Look::default() }
    }

    /// Moments of a carrier in noise, as (amplitude, deviation), and what a look over a thousand times as many values
    /// spans.
    fn moments(carrier_v: f64, noise_v: f64) -> (CarrierShare, Look) {
        let mut state = 1_u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let mut trace = || {
            let phase = uniform();
            let volts = (0..1000).map(|i| {
                let normal = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                let turns = 0.193 * f64::from(i) + phase;
                (carrier_v * (core::f64::consts::TAU * turns).cos() + noise_v * normal) as f32
            });
            Trace::from_volts(0.0, 5e-8, volts.collect()).unwrap()
        };
        let records: Vec<Trace> = (0..5).map(|_| trace()).collect();
        (CarrierShare::of(&records).unwrap(), look(2.0 * carrier_v + 8.5 * noise_v))
    }

    #[test]
    fn noise_is_not_taken_for_rf_nor_weak_rf_for_none() {
        for (what, carrier_v, noise_v, expected) in [
            ("RF", 0.2, 0.004, Sight::Seen),
            ("weak RF: a sixth", 0.035, 0.001, Sight::Seen),
            ("a trace of RF", 0.012, 0.0002, Sight::Unseen),
            ("RF in noise that lifts it", 0.2, 0.05, Sight::Seen),
            ("noise as high as RF", 0.0, 0.047, Sight::Noise),
            ("noise a third as high", 0.0, 0.016, Sight::Unseen),
            ("RF that drowns", 0.04, 0.1, Sight::Noise),
        ] {
            let (told, look) = moments(carrier_v, noise_v);
            let level = look.level.clone().unwrap();
            let looked = Look { carrier: Some(told.clone()), ..look };
            let seen = sight(Kind::Carrier, ProbePlace::BeforeAgc, &looked, Some(0.4), SHARES);
            assert_eq!(seen, expected, "{what}: {told:?}, {level:?}");
            let judged = level_of_carrier(&told, &level, 0.2).unwrap();
            let Interval { low, high, .. } = judged.interval;
            // Nothing is good by its noise, and what is absent fails.
            assert!(low < 0.2 || 2.0 * carrier_v >= 0.2, "{what}: {judged:?}");
            assert!(seen != Sight::Unseen || high < 0.08, "{what}: {judged:?}");
        }
        // What spans volts elsewhere than where its nature was looked at stays open.
        let (quiet, _) = moments(0.0, 0.002);
        let looked = Look { carrier: Some(quiet), ..look(0.3) };
        assert_eq!(sight(Kind::Carrier, ProbePlace::BeforeAgc, &looked, Some(0.4), SHARES), Sight::Noise);
    }
}
