//! What can keep a measurement from being made, each with the code of `unable` that it becomes.

use tapewright_formats::UnableCode;

/// Why something could not be measured. The text says what was tried on what, and what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeasureError {
    /// A number that is no number.
    #[error("{what}: value {place} is not finite; take the capture again")]
    NotFinite {
        /// What was looked at.
        what: &'static str,
        /// Place of the first bad value, from 0.
        place: usize,
    },
    /// A parameter that makes no sense.
    #[error("{what} is {given}, which is not {expected}")]
    BadParameter {
        /// Which parameter.
        what: &'static str,
        /// Its value.
        given: f64,
        /// What it must be.
        expected: &'static str,
    },
    /// Too little to say anything.
    #[error("{what}: {given} where at least {needed} are needed; capture more")]
    TooShort {
        /// What was counted.
        what: &'static str,
        /// How many there were.
        given: f64,
        /// How many it takes.
        needed: f64,
    },
    /// Samples too far apart for the method.
    #[error(
        "{what}: sampled at {rate_hz} Hz, at least {needed_hz} Hz are needed; shorten the record or use another way"
    )]
    TooSlow {
        /// What was tried.
        what: &'static str,
        /// The rate there was.
        rate_hz: f64,
        /// The rate it takes.
        needed_hz: f64,
    },
    /// The signal runs against the converter's ends.
    #[error("{what}: {percent:.2} % of the codes lie at an end of the converter; choose a larger range")]
    Clipped {
        /// What was looked at.
        what: &'static str,
        /// Share of codes at an end, in per cent.
        percent: f64,
    },
    /// The signal spans too few converter steps.
    #[error(
        "{what}: the signal spans {steps} steps of the converter, at least {needed} are needed; choose a smaller range"
    )]
    TooFewSteps {
        /// What was looked at.
        what: &'static str,
        /// Steps spanned.
        steps: u32,
        /// Steps needed.
        needed: u32,
    },
    /// No signal stands out.
    #[error("{what}: nothing stands clear of the noise ({detail})")]
    InNoise {
        /// What was looked for.
        what: &'static str,
        /// Numbers behind the statement.
        detail: String,
    },
    /// The shape changes from frame to frame.
    #[error("{what}: {detail}")]
    NotSteady {
        /// What was looked at.
        what: &'static str,
        /// Numbers behind the statement.
        detail: String,
    },
    /// The speed of the tape does not fit the recording.
    #[error("{what}: {detail}")]
    WrongSpeed {
        /// What was looked at.
        what: &'static str,
        /// Numbers behind the statement.
        detail: String,
    },
    /// Limits that cannot be decided on.
    #[error("limits from `{source_of_limits}`: reject does not hold good, or a number is not finite")]
    BadLimits {
        /// Where the limits come from.
        source_of_limits: String,
    },
}

impl MeasureError {
    /// The code of `unable` that this becomes in a verdict.
    #[must_use]
    pub const fn code(&self) -> UnableCode {
        match self {
            Self::NotFinite { .. } => UnableCode::BadData,
            Self::BadParameter { .. } | Self::BadLimits { .. } => UnableCode::ProcedureFault,
            Self::TooShort { .. } => UnableCode::TooShort,
            Self::TooSlow { .. } => UnableCode::NotPossible,
            Self::Clipped { .. } => UnableCode::Clipped,
            Self::TooFewSteps { .. } => UnableCode::TooFewSteps,
            Self::InNoise { .. } => UnableCode::InNoise,
            Self::NotSteady { .. } => UnableCode::NotSteady,
            Self::WrongSpeed { .. } => UnableCode::WrongSpeed,
        }
    }
}

/// A voltage for people: three digits and a prefix; what is far below any converter's step is nothing.
pub(crate) fn volts(v: f64) -> String {
    let (factor, unit) = match v.abs() {
        size if size.is_nan() || size < 1e-9 => return "0 V".to_owned(),
        size if size < 1e-6 => (1e9, "nV"),
        size if size < 1e-3 => (1e6, "uV"),
        size if size < 1.0 => (1e3, "mV"),
        _ => (1.0, "V"),
    };
    let scaled = v * factor;
    let digits = if scaled.abs() < 10.0 { 2 } else { usize::from(scaled.abs() < 100.0) };
    format!("{scaled:.digits$} {unit}")
}

/// Refuses a parameter that is not finite and positive.
pub(crate) fn positive(what: &'static str, given: f64) -> Result<f64, MeasureError> {
    if given.is_finite() && given > 0.0 {
        Ok(given)
    } else {
        Err(MeasureError::BadParameter { what, given, expected: "a finite number above 0" })
    }
}

/// Refuses values that are not finite.
pub(crate) fn finite(what: &'static str, values: &[f64]) -> Result<(), MeasureError> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(place) => Err(MeasureError::NotFinite { what, place }),
        None => Ok(()),
    }
}

/// Refuses too few of something.
pub(crate) fn at_least(what: &'static str, given: usize, needed: usize) -> Result<(), MeasureError> {
    if given < needed {
        return Err(MeasureError::TooShort { what, given: given as f64, needed: needed as f64 });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn voltages_have_three_digits_and_a_prefix() {
        for (v, want) in [
            (-4.440_892_098_500_626e-16, "0 V"),
            (0.0, "0 V"),
            (0.195_432_109_876_543_2, "195 mV"),
            (-0.012_345, "-12.3 mV"),
            (4.2e-6, "4.20 uV"),
            (48.6, "48.6 V"),
            (5.0, "5.00 V"),
        ] {
            assert_eq!(volts(v), want);
        }
    }
}
