//! What the filter about the tone cuts off a tone that swings widely.
//!
//! A sine of phase has sidebands at all multiples of its rate, the farther ones the stronger the wider it swings. Those beyond
//! the pass band are lost, and the phase of what is left swings otherwise, mostly less. The true phase is not known, but
//! the measured one, put on a tone of even amplitude and sent through the same filter again, loses about as much again.
//! What the filter does to a small swing is linear and no loss within the band: only what goes beyond that counts.

use super::filtered;
use crate::error::MeasureError;
use crate::estimate::Estimate;

/// What is lost of the true swing against what is lost of the measured one: at most so many times as much (from trials, up to
/// 2.7 times: see the test).
pub(super) const AGAIN: f64 = 3.0;

/// Phase that the filter cuts off a tone of this phase, less what it cuts of the phase itself.
pub(super) fn cut(phase_rad: &[f64], dt_s: f64, gain: impl Fn(f64) -> f64) -> Vec<f64> {
    let part = |of: fn(f64) -> f64| -> Vec<f64> { phase_rad.iter().map(|phase| of(*phase)).collect() };
    let re = filtered(&part(f64::cos), dt_s, &gain);
    let im = filtered(&part(f64::sin), dt_s, &gain);
    let linear = filtered(phase_rad, dt_s, &gain);
    let parts = re.iter().zip(&im).zip(&linear).zip(phase_rad);
    parts
        .map(|(((re, im), linear), phase)| {
            let (s, c) = phase.sin_cos();
            linear - phase - (im * c - re * s).atan2(re * c + im * s)
        })
        .collect()
}

/// One course less another.
pub(super) fn less(of: &[f64], other: &[f64]) -> Vec<f64> {
    of.iter().zip(other).map(|(a, b)| a - b).collect()
}

/// The true value may lie higher by what is cut; lower where the filter makes more of it.
pub(super) fn or_cut(read: Estimate, cut: f64) -> Result<Estimate, MeasureError> {
    const NAME: &str = "sidebands beyond the filter";
    if cut >= 0.0 { read.or_higher(NAME, cut) } else { read.or_lower(NAME, -cut) }
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::tests::tone;
    use super::super::{SpeedError, quantile};
    use tapewright_formats::definitions::sound::{TWO_SIGMA_SHARE, weighting};

    /// Two-sigma value of lines (hertz, per cent) as [`tone`] adds them.
    pub(in super::super) fn truth(lines: &[(f64, f64)]) -> f64 {
        let at = |t: f64| -> f64 {
            lines.iter().map(|(hz, peak)| weighting(*hz) * peak * (core::f64::consts::TAU * hz * t).cos()).sum()
        };
        let mut sizes: Vec<f64> = (0..100_000).map(|i| at(f64::from(i) * 1.1e-4).abs()).collect();
        sizes.sort_unstable_by(f64::total_cmp);
        quantile(&sizes, TWO_SIGMA_SHARE)
    }

    fn heard(rate: f64, lines: &[(f64, f64)]) -> SpeedError {
        let lines: Vec<(f64, f64)> = lines.iter().map(|(hz, percent)| (*hz, 31.5 * percent)).collect();
        SpeedError::of(&tone(rate, 11.5, &lines, 0.002), 3150.0).unwrap()
    }

    /// Second sidebands of the drum's turns lie at 60 Hz: beyond what 2,500 points show.
    #[test]
    fn a_wide_swing_is_not_read_too_low() {
        // A wider swing than this empties the narrowest band, and is refused.
        for (rate, most) in
            [(206.557, 1.38), (257.143, 1.5), (268.085, 1.5), (280.0, 1.5), (293.023, 1.5), (307.317, 1.5)]
        {
            for percent in [0.1, 0.3, 0.8, 1.0, 1.2, 1.38, 1.5].into_iter().filter(|percent| *percent <= most) {
                for beside in [0.0, 0.3] {
                    let lines = [(29.97, percent), (3.5, beside)];
                    let (speed, want) = (heard(rate, &lines), truth(&lines));
                    let read = speed.weighted().unwrap();
                    assert!(
                        read.interval.low <= want && want <= read.interval.high,
                        "{rate} Hz, {lines:?}: {read:?}, expected {want}"
                    );
                    let found = speed.unweighted(3, 0.0).unwrap().lines;
                    let line = &found.iter().find(|line| (line.hz.value - 29.97).abs() < 0.1).unwrap().percent;
                    assert!(
                        line.interval.low <= percent && percent <= line.interval.high,
                        "{rate} Hz, {lines:?}: {line:?}"
                    );
                }
            }
        }
    }

    /// Ordinary flutter, and slow flutter of any size, loses nothing: its interval stays as it is.
    #[test]
    fn ordinary_flutter_stays_as_narrow() {
        for lines in [&[(3.5, 0.8), (0.6, 0.3), (29.97, 0.1)][..], &[(7.9, 0.6), (29.97, 0.05)], &[(29.97, 0.1)]] {
            let read = heard(257.143, lines).weighted().unwrap();
            let share = read.contributions.last().unwrap();
            assert_eq!(share.name, "sidebands beyond the filter");
            assert!(share.standard_uncertainty < 1e-3 * read.value, "{lines:?}: {share:?} of {}", read.value);
        }
    }
}
