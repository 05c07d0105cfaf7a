//! Sampled volts, and what the converter did to them.

use crate::error::{MeasureError, positive};
use crate::estimate::{Contribution, Spread};

/// How codes become volts at the test point: `volts = offset_v + code * gain_v`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Converter {
    /// Volts a code.
    pub gain_v: f64,
    /// Volts at code 0.
    pub offset_v: f64,
    /// Lowest code of the converter.
    pub code_low: i32,
    /// Highest code of the converter.
    pub code_high: i32,
    /// Relative standard uncertainty of the gain, common to all captures of this channel and range.
    pub gain_uncertainty: f64,
    /// Standard uncertainty of the offset.
    pub offset_uncertainty_v: f64,
}

/// What conversion left of the signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conversion {
    /// Volts a step; 0 where samples were given as volts.
    pub step_v: f64,
    /// Steps between the lowest and the highest code seen.
    pub steps_spanned: u32,
    /// Share of samples at an end of the converter.
    pub clipped_share: f64,
    /// Relative standard uncertainty of the gain.
    pub gain_uncertainty: f64,
    /// Standard uncertainty of the offset, in volts.
    pub offset_uncertainty_v: f64,
}

impl Conversion {
    const NONE: Self = Self {
        step_v: 0.0,
        steps_spanned: u32::MAX,
        clipped_share: 0.0,
        gain_uncertainty: 0.0,
        offset_uncertainty_v: 0.0,
    };

    fn of(codes: &[i16], c: &Converter) -> Self {
        let (mut low, mut high, mut clipped) = (i16::MAX, i16::MIN, 0_usize);
        for code in codes {
            low = low.min(*code);
            high = high.max(*code);
            clipped += usize::from(i32::from(*code) <= c.code_low || i32::from(*code) >= c.code_high);
        }
        let spanned = (i32::from(high) - i32::from(low)).max(0).unsigned_abs();
        Self {
            step_v: c.gain_v.abs(),
            steps_spanned: spanned,
            clipped_share: if codes.is_empty() { 0.0 } else { clipped as f64 / codes.len() as f64 },
            gain_uncertainty: c.gain_uncertainty,
            offset_uncertainty_v: c.offset_uncertainty_v,
        }
    }

    /// Refuses a signal of which samples lie at an end of the converter: its level cannot be told.
    ///
    /// # Errors
    /// [`MeasureError::Clipped`].
    pub fn demand_unclipped(&self, what: &'static str) -> Result<(), MeasureError> {
        if self.clipped_share > 0.0 {
            return Err(MeasureError::Clipped { what, percent: self.clipped_share * 100.0 });
        }
        Ok(())
    }

    /// The gain's relative uncertainty as a contribution (unit 1). A scope's specification is a limit that the gain
    /// of one instrument never passes, anywhere within which it may lie.
    #[must_use]
    pub const fn gain_share(&self) -> Contribution {
        Contribution::type_b("gain of the channel", self.gain_uncertainty).spread(Spread::Rectangular)
    }

    /// Refuses a signal that spans too few steps.
    ///
    /// # Errors
    /// [`MeasureError::TooFewSteps`].
    pub fn demand_steps(&self, what: &'static str, needed: u32) -> Result<(), MeasureError> {
        if self.steps_spanned < needed {
            return Err(MeasureError::TooFewSteps { what, steps: self.steps_spanned, needed });
        }
        Ok(())
    }
}

fn check(c: &Converter) -> Result<(), MeasureError> {
    positive("volts a code", c.gain_v.abs())?;
    for (what, given) in [
        ("volts at code 0", c.offset_v),
        ("uncertainty of the gain", c.gain_uncertainty),
        ("uncertainty of the offset", c.offset_uncertainty_v),
    ] {
        if !given.is_finite() {
            return Err(MeasureError::BadParameter { what, given, expected: "finite" });
        }
    }
    if c.gain_uncertainty < 0.0 || c.offset_uncertainty_v < 0.0 {
        return Err(MeasureError::BadParameter {
            what: "uncertainty of a converter",
            given: c.gain_uncertainty,
            expected: "0 or more",
        });
    }
    Ok(())
}

fn check_times(t0_s: f64, dt_s: f64) -> Result<(), MeasureError> {
    if !t0_s.is_finite() {
        return Err(MeasureError::BadParameter { what: "time of the first sample", given: t0_s, expected: "finite" });
    }
    positive("time from sample to sample", dt_s).map(|_| ())
}

fn to_volts(codes: impl Iterator<Item = i16>, c: &Converter) -> Vec<f32> {
    codes.map(|code| (c.offset_v + f64::from(code) * c.gain_v) as f32).collect()
}

fn refuse_non_finite(what: &'static str, volts: &[f32]) -> Result<(), MeasureError> {
    match volts.iter().position(|v| !v.is_finite()) {
        Some(place) => Err(MeasureError::NotFinite { what, place }),
        None => Ok(()),
    }
}

/// Samples at equal steps of time: sample `i` at `t0_s + i dt_s`. Finite by construction.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    t0_s: f64,
    dt_s: f64,
    volts: Vec<f32>,
    conversion: Conversion,
}

impl Trace {
    /// From volts.
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`], [`MeasureError::BadParameter`] for times that make no sense.
    pub fn from_volts(t0_s: f64, dt_s: f64, volts: Vec<f32>) -> Result<Self, MeasureError> {
        check_times(t0_s, dt_s)?;
        refuse_non_finite("samples of a trace", &volts)?;
        Ok(Self { t0_s, dt_s, volts, conversion: Conversion::NONE })
    }

    /// From a converter's codes.
    ///
    /// # Errors
    /// As [`Self::from_volts`].
    pub fn from_codes(t0_s: f64, dt_s: f64, codes: &[i16], converter: &Converter) -> Result<Self, MeasureError> {
        check_times(t0_s, dt_s)?;
        check(converter)?;
        let volts = to_volts(codes.iter().copied(), converter);
        refuse_non_finite("samples of a trace", &volts)?;
        Ok(Self { t0_s, dt_s, volts, conversion: Conversion::of(codes, converter) })
    }

    /// Time of the first sample, in seconds from the trigger.
    #[must_use]
    pub const fn t0_s(&self) -> f64 {
        self.t0_s
    }

    /// Time from sample to sample.
    #[must_use]
    pub const fn dt_s(&self) -> f64 {
        self.dt_s
    }

    /// The samples, in volts at the test point.
    #[must_use]
    pub fn volts(&self) -> &[f32] {
        &self.volts
    }

    /// Time of sample `i`.
    #[must_use]
    pub fn time_s(&self, i: usize) -> f64 {
        self.t0_s + i as f64 * self.dt_s
    }

    /// Length of the record.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        self.volts.len() as f64 * self.dt_s
    }

    /// What the converter did.
    #[must_use]
    pub const fn conversion(&self) -> &Conversion {
        &self.conversion
    }
}

/// Least and greatest of the underlying samples in bins at equal steps of time. The middle of bin `i`
/// is at `t0_s + i dt_s`.
#[derive(Debug, Clone, PartialEq)]
pub struct PairTrace {
    t0_s: f64,
    dt_s: f64,
    least: Vec<f32>,
    greatest: Vec<f32>,
    conversion: Conversion,
}

impl PairTrace {
    /// From volts. Where a pair is the wrong way round, it is turned.
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`], [`MeasureError::BadParameter`] for times that make no sense or
    /// sides of unlike length.
    pub fn from_volts(t0_s: f64, dt_s: f64, mut least: Vec<f32>, mut greatest: Vec<f32>) -> Result<Self, MeasureError> {
        check_times(t0_s, dt_s)?;
        refuse_non_finite("pairs of a trace", &least)?;
        refuse_non_finite("pairs of a trace", &greatest)?;
        if least.len() != greatest.len() {
            return Err(MeasureError::BadParameter {
                what: "count of greatest values",
                given: greatest.len() as f64,
                expected: "the count of least values",
            });
        }
        turn(&mut least, &mut greatest);
        Ok(Self { t0_s, dt_s, least, greatest, conversion: Conversion::NONE })
    }

    /// From a converter's codes: least, greatest, least, greatest...
    ///
    /// # Errors
    /// As [`Self::from_volts`]; an odd count is refused.
    pub fn from_codes(t0_s: f64, dt_s: f64, codes: &[i16], converter: &Converter) -> Result<Self, MeasureError> {
        check_times(t0_s, dt_s)?;
        check(converter)?;
        if !codes.len().is_multiple_of(2) {
            return Err(MeasureError::BadParameter {
                what: "count of codes of pairs",
                given: codes.len() as f64,
                expected: "even",
            });
        }
        let mut least = to_volts(codes.iter().step_by(2).copied(), converter);
        let mut greatest = to_volts(codes.iter().skip(1).step_by(2).copied(), converter);
        refuse_non_finite("pairs of a trace", &least)?;
        refuse_non_finite("pairs of a trace", &greatest)?;
        turn(&mut least, &mut greatest);
        Ok(Self { t0_s, dt_s, least, greatest, conversion: Conversion::of(codes, converter) })
    }

    /// Time of the middle of the first bin, in seconds from the trigger.
    #[must_use]
    pub const fn t0_s(&self) -> f64 {
        self.t0_s
    }

    /// Time from bin to bin.
    #[must_use]
    pub const fn dt_s(&self) -> f64 {
        self.dt_s
    }

    /// Least values.
    #[must_use]
    pub fn least(&self) -> &[f32] {
        &self.least
    }

    /// Greatest values.
    #[must_use]
    pub fn greatest(&self) -> &[f32] {
        &self.greatest
    }

    /// Count of bins.
    #[must_use]
    pub fn len(&self) -> usize {
        self.least.len()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.least.is_empty()
    }

    /// Time of the middle of bin `i`.
    #[must_use]
    pub fn time_s(&self, i: usize) -> f64 {
        self.t0_s + i as f64 * self.dt_s
    }

    /// Half of greatest less least, of bin `i`.
    pub(crate) fn half_range(&self, i: usize) -> f64 {
        0.5 * (f64::from(self.greatest[i]) - f64::from(self.least[i]))
    }

    /// What the converter did.
    #[must_use]
    pub const fn conversion(&self) -> &Conversion {
        &self.conversion
    }
}

/// A negative gain, or an instrument that sends greatest first, swaps the sides.
fn turn(least: &mut [f32], greatest: &mut [f32]) {
    for (l, g) in least.iter_mut().zip(greatest) {
        if *l > *g {
            core::mem::swap(l, g);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const C: Converter = Converter {
        gain_v: 0.01,
        offset_v: 0.5,
        code_low: -128,
        code_high: 127,
        gain_uncertainty: 0.0,
        offset_uncertainty_v: 0.0,
    };

    #[test]
    fn codes_become_volts_and_clipping_is_told() {
        let t = Trace::from_codes(0.0, 1e-6, &[-128, 0, 100, 127], &C).unwrap();
        assert!((t.volts()[2] - 1.5).abs() < 1e-6);
        assert_eq!(t.conversion().steps_spanned, 255);
        assert_eq!(t.conversion().clipped_share, 0.5);
        assert!(t.conversion().demand_unclipped("rf").is_err());
        let small = Trace::from_codes(0.0, 1e-6, &[0, 5], &C).unwrap();
        assert_eq!(
            small.conversion().demand_steps("rf", 20),
            Err(MeasureError::TooFewSteps { what: "rf", steps: 5, needed: 20 })
        );
        let p = PairTrace::from_codes(0.0, 1e-6, &[3, -3, -1, 2], &C).unwrap();
        assert!((p.half_range(0) - 0.03).abs() < 1e-6 && (p.half_range(1) - 0.015).abs() < 1e-6);
    }

    #[test]
    fn what_is_not_finite_or_makes_no_sense_is_refused() {
        assert!(matches!(
            Trace::from_volts(0.0, 1.0, vec![0.0, f32::NAN]),
            Err(MeasureError::NotFinite { place: 1, .. })
        ));
        assert!(Trace::from_volts(f64::NAN, 1.0, vec![]).is_err());
        assert!(Trace::from_volts(0.0, 0.0, vec![]).is_err());
        assert!(Trace::from_codes(0.0, 1.0, &[1], &Converter { gain_v: f64::INFINITY, ..C }).is_err());
        assert!(Trace::from_codes(0.0, 1.0, &[i16::MAX], &Converter { gain_v: 1e300, ..C }).is_err());
        assert!(PairTrace::from_codes(0.0, 1.0, &[1], &C).is_err());
        assert!(PairTrace::from_volts(0.0, 1.0, vec![1.0], vec![]).is_err());
    }
}
