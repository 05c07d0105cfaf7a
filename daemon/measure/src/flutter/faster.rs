//! Flutter faster than the long record shows.
//!
//! A long record of few points shows a narrow band about the tone. Faster flutter is not in it, or worse: its sidebands fold
//! to where offset, harmonics and slow flutter lie, and one record cannot tell them apart. A short record at a higher rate shows
//! them side by side. It is too short for the statistic, but what it shows above the band, less
//! what the amplitude's noise explains, bounds what is missing.

use super::fold::FastSeen;
use super::{HIGHEST_HZ, SpeedError, band_at};
use crate::demodulate::{alias_of, demodulate};
use crate::error::{MeasureError, at_least};
use crate::spectrum::Spectrum;
use crate::trace::Trace;
use tapewright_formats::definitions::sound::weighting;
use tapewright_formats::losses::sinc;

/// The contribution's name.
pub(super) const NAME: &str = "flutter faster than the long record shows";

/// Two-sigma value over the root of the mean square, of what is most like noise; a sine's is 1.41.
const MOST_OF_RMS: f64 = 2.0;

/// The tone's second and third harmonic must lie so far from the tone: beyond the filter's stop band, with some swing.
const HARMONICS_CLEAR_HZ: f64 = 2.2 * HIGHEST_HZ;

/// Shortest record: a few turns of what is just above the narrowest band.
const LEAST_S: f64 = 0.1;

impl SpeedError {
    /// Takes a short record of the same tone, and what it shows above this record's band, up to [`HIGHEST_HZ`]. The greatest of
    /// several counts.
    ///
    /// # Errors
    /// [`MeasureError::TooSlow`] where the record does not show flutter up to there, or a harmonic of the tone falls near the
    /// tone: another rate may do. [`MeasureError::TooShort`]; [`MeasureError::InNoise`] where the tone is lost on the way.
    pub fn with_fast(&mut self, trace: &Trace) -> Result<(), MeasureError> {
        if self.highest_hz < HIGHEST_HZ {
            let (percent, seen) = above(trace, self.tone_hz, self.highest_hz)?;
            self.fast_seen.push(seen);
            self.faster_percent = self.faster_percent.max(percent);
        }
        Ok(())
    }

    /// What flutter above [`Self::highest_hz`] may add to the weighted reading, in per cent.
    #[must_use]
    pub fn faster_percent(&self) -> f64 {
        self.faster_percent
    }
}

/// Most that the weighted reading of what lies above a frequency may be, in per cent, beyond what the noise shows; and the lines there.
fn above(trace: &Trace, tone_hz: f64, from_hz: f64) -> Result<(f64, FastSeen), MeasureError> {
    trace.conversion().demand_unclipped("tone")?;
    let rate_hz = 1.0 / trace.dt_s();
    let alias = alias_of(tone_hz, rate_hz).0;
    let clear = |times: f64| (alias_of(times * tone_hz, rate_hz).0 - alias).abs() >= HARMONICS_CLEAR_HZ;
    let band = band_at(tone_hz, rate_hz).filter(|band| band.pass_hz >= HIGHEST_HZ && clear(2.0) && clear(3.0)).ok_or(
        MeasureError::TooSlow {
            what: "tone for fast flutter (its alias meets its image or a harmonic)",
            rate_hz,
            needed_hz: 4.5 * tone_hz,
        },
    )?;
    let out = demodulate(trace, &band)?;
    at_least(
        "milliseconds of a record of fast flutter",
        (1e3 * out.dt_s * out.phase_rad.len() as f64) as usize,
        (1e3 * LEAST_S) as usize,
    )?;
    let mean_v = super::demand_even(&out.amplitude_v, &band)?;
    let scale = 1.0 / (core::f64::consts::TAU * out.dt_s * tone_hz);
    let spectrum_of = |values: &[f64], by: f64| -> Result<Spectrum, MeasureError> {
        let raw: Vec<f64> = values.windows(2).map(|w| (w[1] - w[0]) * scale / by).collect();
        Spectrum::of(&raw, out.dt_s)
    };
    let weighted = |spectrum: &Spectrum| -> (Vec<f64>, f64) {
        let places = spectrum.amplitude.iter().enumerate();
        // A line's lobe reaches below the band's end too: what is lost of one that lies there, the statistic's factor holds.
        let squares = places
            .map(|(place, amplitude)| (place as f64 * spectrum.step_hz, amplitude))
            .filter(|(hz, _)| *hz >= from_hz && *hz <= HIGHEST_HZ + spectrum.resolution_hz)
            .map(|(hz, amplitude)| {
                let undo = 1.0 / sinc(core::f64::consts::PI * hz * out.dt_s);
                (amplitude * undo * weighting(hz.min(HIGHEST_HZ))).powi(2)
            });
        // A sine's square is spread over 1.5 places of the record under Hann's window; half of it is its mean square.
        (squares.collect(), 0.5 * spectrum.step_hz / (0.75 * spectrum.resolution_hz))
    };
    let (of_phase, of_amplitude) = (spectrum_of(&out.phase_rad, 1.0)?, spectrum_of(&out.amplitude_v, mean_v)?);
    let (error, a_place) = weighted(&of_phase);
    // Noise turns the phase as much as the amplitude. Weighted so, it is about even over these frequencies; the median of its power
    // is ln 2 of the mean, and lines in the amplitude do not count.
    let (mut beside, _) = weighted(&of_amplitude);
    let noise = crate::statistics::median_in_place(&mut beside) / core::f64::consts::LN_2 * error.len() as f64;
    // Both scatter with the independent places of the record: Hann's window leaves 1 / 1.94 of them, the median takes twice as many.
    let independent = (HIGHEST_HZ - from_hz) * out.dt_s * out.phase_rad.len() as f64 / 1.94;
    let chance = 1.0 + 2.0 * (3.1 / independent).sqrt();
    let clear = (error.iter().sum::<f64>() - chance * noise).max(0.0);
    let seen = FastSeen::of(&of_phase, &of_amplitude, out.dt_s, from_hz);
    Ok((100.0 * MOST_OF_RMS * (clear * a_place).sqrt(), seen))
}

#[cfg(test)]
mod tests {
    use super::super::tests::tone;
    use super::*;
    use crate::estimate::Estimate;

    /// The weighted reading of a long record at a rate of a scope of 2,500 points, bounded by half a second at 5 kHz.
    fn heard(rate_hz: f64, lines: &[(f64, f64)]) -> Result<Estimate, MeasureError> {
        let lines: Vec<(f64, f64)> = lines.iter().map(|(hz, percent)| (*hz, 31.5 * percent)).collect();
        let mut speed = SpeedError::of(&tone(rate_hz, 7.3, &lines, 0.002), 3150.0)?;
        speed.with_fast(&tone(5_000.0, 0.5, &lines, 0.002))?;
        speed.weighted()
    }

    /// Of 0.12 % in the band and more than 0.5 % weighted above it, the long record alone tells the first.
    #[test]
    fn fast_flutter_is_not_passable() {
        for (hz, percent) in
            [(62.0, 2.55), (63.0, 2.6), (85.0, 3.4), (85.1, 3.4), (120.0, 4.4), (169.0, 6.1), (199.0, 7.1)]
        {
            for rate_hz in [206.557, 257.143, 340.541] {
                for more in [1.0, 1.5, 2.5] {
                    let truth = weighting(hz) * percent;
                    assert!(truth > 0.5, "{hz}: {truth}");
                    match heard(rate_hz, &[(hz, more * percent), (3.5, 0.12)]) {
                        Ok(read) => assert!(read.interval.high > more * truth, "{rate_hz}, {hz}, {more}: {read:?}"),
                        Err(error) => assert!(matches!(error, MeasureError::InNoise { .. }), "{error}"),
                    }
                }
            }
        }
        // Those that the long record alone states as 0.117 % are read, and are not refused.
        for (rate_hz, line) in [(330.0, (63.0, 2.6)), (330.0, (85.0, 3.4)), (357.0, (63.0, 2.6))] {
            let read = heard(rate_hz, &[line, (3.5, 0.12)]).unwrap();
            assert!(read.value < 0.12 && read.interval.high > 0.6, "{rate_hz}, {line:?}: {read:?}");
        }
    }

    /// Ordinary flutter, a drum's turns among it, leaves nothing above the band but noise.
    #[test]
    fn an_ordinary_reading_stays_as_narrow() {
        for (rate_hz, drum) in [(340.541, 0.1), (340.541, 1.0), (257.143, 0.1), (206.557, 0.1)] {
            let lines: Vec<(f64, f64)> =
                [(3.5, 0.12), (0.6, 0.1), (29.97, drum)].iter().map(|(hz, percent)| (*hz, 31.5 * percent)).collect();
            let mut speed = SpeedError::of(&tone(rate_hz, 7.3, &lines, 0.002), 3150.0).unwrap();
            let bare = speed.weighted().unwrap();
            speed.with_fast(&tone(5_000.0, 0.5, &lines, 0.002)).unwrap();
            let read = speed.weighted().unwrap();
            let half = |of: &Estimate| of.interval.high - of.value;
            assert!(half(&read) < 1.05 * half(&bare), "{rate_hz}, {drum}: {bare:?}, {read:?}");
        }
    }

    /// Where the tone's harmonics would pass for flutter, or flutter folds, another rate is asked for; with memory enough nothing is added.
    #[test]
    fn a_record_that_does_not_show_it_is_refused() {
        let mut speed = SpeedError::of(&tone(340.541, 7.3, &[], 0.002), 3150.0).unwrap();
        for rate_hz in [340.541, 1_100.0, 2_500.0, 12_500.0] {
            let error = speed.with_fast(&tone(rate_hz, 1.0, &[], 0.002)).unwrap_err();
            assert!(matches!(error, MeasureError::TooSlow { .. }), "{rate_hz}: {error}");
        }
        assert!(matches!(speed.with_fast(&tone(5_000.0, 0.12, &[], 0.002)), Err(MeasureError::TooShort { .. })));
        let mut seen = SpeedError::of(&tone(14_000.0, 7.3, &[(85.0, 107.0)], 0.0), 3150.0).unwrap();
        seen.with_fast(&tone(5_000.0, 0.5, &[(85.0, 107.0)], 0.0)).unwrap();
        assert!(seen.faster_percent().abs() < 1e-12);
    }
}
