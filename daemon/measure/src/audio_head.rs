//! Height and tilt of the stationary audio and control head, from levels.
//!
//! Definitions: `formats::definitions::sound`. A gap as wide as its track reads `1 - |h| / w` of it at a height error `h`.

use crate::error::{MeasureError, at_least, finite, positive};
use crate::estimate::{COVERAGE, Contribution, Estimate};
use crate::statistics::{deviation_interval, effective_count, moments};

/// Height error, in micrometres, at which a track of a width loses so much.
///
/// # Errors
/// [`MeasureError::BadParameter`].
///
/// ```
/// use tapewright_measure::audio_head::height_for_loss_um;
/// // Half of the width is 6.02 dB.
/// assert!((height_for_loss_um(6.0206, 350.0)? - 175.0).abs() < 0.01);
/// # Ok::<(), tapewright_measure::MeasureError>(())
/// ```
pub fn height_for_loss_um(loss_db: f64, width_um: f64) -> Result<f64, MeasureError> {
    Ok(positive("width of a track", width_um)? * (1.0 - 10_f64.powf(-positive("loss", loss_db)? / 20.0)))
}

/// Height error, in micrometres, from the balance of two channels in decibels (right over left, right being the outer one), of a
/// tone that lies over the whole width of the sound's edge: a head too high loses the outer track over the tape's edge, one too low
/// the inner track beyond the recording, and the other channel stays.
///
/// # Errors
/// [`MeasureError::BadParameter`], [`MeasureError::NotFinite`].
pub fn height_of_balance_um(balance_db: &Estimate, width_um: f64) -> Result<Estimate, MeasureError> {
    positive("width of a track", width_um)?;
    let keeps = |db: f64| 10_f64.powf(-db.abs() / 20.0);
    let height = |db: f64| -db.signum() * width_um * (1.0 - keeps(db));
    let slope = width_um * keeps(balance_db.value) * core::f64::consts::LN_10 / 20.0;
    let shares = balance_db
        .contributions
        .iter()
        .map(|share| Contribution { standard_uncertainty: slope * share.standard_uncertainty, ..share.clone() });
    Estimate::with_interval(
        height(balance_db.value),
        height(balance_db.interval.high),
        height(balance_db.interval.low),
        slope * balance_db.standard_uncertainty,
        balance_db.degrees_of_freedom,
        shares.collect(),
    )
}

/// Unsteadiness of a level in per cent, from records of amplitudes, each averaged over a block.
///
/// What blocks of one record differ by is taken for noise: it is taken off the value and the lower end. The interval is that of
/// a standard deviation of as many values as the records are worth, since those that follow each other are alike.
///
/// # Errors
/// [`MeasureError::TooShort`] below 8 records or 2 blocks in one, [`MeasureError::InNoise`] without level,
/// [`MeasureError::NotFinite`].
pub fn unsteadiness_percent(records: &[Vec<f64>]) -> Result<Estimate, MeasureError> {
    at_least("records of a level", records.len(), 8)?;
    for record in records {
        at_least("blocks of a level's record", record.len(), 2)?;
        finite("blocks of a level", record)?;
    }
    let all = moments(&records.concat())?;
    if all.mean <= 0.0 {
        return Err(MeasureError::InNoise { what: "level of the tone", detail: "its mean is nothing".into() });
    }
    let percent = 100.0 / all.mean;
    let steps: Vec<f64> = records.iter().flat_map(|r| r.windows(2).map(|w| (w[1] - w[0]).powi(2))).collect();
    let noise_square = 0.5 * moments(&steps)?.mean * percent.powi(2);
    let means = records.iter().map(|record| Ok(moments(record)?.mean)).collect::<Result<Vec<f64>, MeasureError>>()?;
    let dof = (effective_count(&means)? - 1.0).max(1.0);
    let seen = percent * all.standard_deviation;
    let without_noise = |end: f64| (end * end - noise_square).max(0.0).sqrt();
    let (low, high) = deviation_interval(seen, dof, COVERAGE);
    let shares = vec![
        Contribution::type_a("records", seen / (2.0 * dof).sqrt(), dof),
        Contribution::rectangular("noise, taken off", 0.5 * (seen - without_noise(seen))),
    ];
    let u = shares[0].standard_uncertainty.hypot(shares[1].standard_uncertainty);
    Ok(Estimate::with_interval(without_noise(seen), without_noise(low), high, u, Some(dof), shares)?
        .within(0.0, f64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;

    #[test]
    fn a_balance_tells_the_side() {
        for (db, want) in [(0.0, 0.0), (-6.0206, 175.0), (6.0206, -175.0), (-20.0, 315.0)] {
            let balance = Estimate::combined(db, vec![Contribution::rectangular("channels", 0.5)]).unwrap();
            let height = height_of_balance_um(&balance, 350.0).unwrap();
            assert!((height.value - want).abs() < 0.01, "{db} dB: {height:?}");
            assert!(height.interval.low < want && want < height.interval.high);
        }
        let balance = Estimate::combined(-1.0, vec![]).unwrap();
        assert!(height_of_balance_um(&balance, 0.0).is_err());
        assert!(height_for_loss_um(0.0, 350.0).is_err());
    }

    /// A level that is ridden by slow sines (rates of no common period), in noise, looked at back to back or now and then: the
    /// interval holds the deviation over the time looked at, and a steady level's lower end is nothing.
    #[test]
    fn unsteadiness_holds_the_level_s_own() {
        for (depth, noise_share, gap_s) in [(0.0, 0.003, 0.4), (0.05, 0.001, 0.4), (0.2, 0.003, 2.7), (0.2, 0.0, 0.3)] {
            let mut noise = Noise::new(41);
            let (trials, mut held) = (300, 0);
            for _ in 0..trials {
                let (a, b) = (noise.uniform(), noise.uniform());
                let ride = |t: f64| {
                    let sine = |hz: f64, phase: f64| (core::f64::consts::TAU * (hz * t + phase)).sin();
                    1.0 - depth * (0.6 * sine(0.62, a) + 0.4 * sine(1.01, b)).abs()
                };
                let records: Vec<Vec<f64>> = (0..30)
                    .map(|k| {
                        let t = |i: i32| f64::from(k) * gap_s + 0.05 * f64::from(i);
                        (0..5).map(|i| 0.3 * (ride(t(i)) + noise_share * noise.normal())).collect()
                    })
                    .collect();
                let course: Vec<f64> = (0..3000).map(|i| ride(f64::from(i) / 3000.0 * 30.0 * gap_s)).collect();
                let m = moments(&course).unwrap();
                let want = 100.0 * m.standard_deviation / m.mean;
                let got = unsteadiness_percent(&records).unwrap();
                held += i32::from(got.interval.low <= want && want <= got.interval.high);
                assert!(depth == 0.0 || got.interval.high < 4.0 * want, "{got:?}");
            }
            assert!(held >= 274, "{depth} {noise_share} {gap_s}: {held} of {trials}");
        }
        assert!(unsteadiness_percent(&vec![vec![0.0, 0.0]; 9]).is_err());
        assert!(unsteadiness_percent(&vec![vec![1.0]; 9]).is_err());
        assert!(unsteadiness_percent(&vec![vec![1.0, f64::NAN]; 9]).is_err());
    }
}
