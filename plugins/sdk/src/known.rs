//! What is known of the level of the RF point: without it, two heads that are weak alike do not show.

use crate::bench::{Point, Subject};
use crate::unable::Result;
use tapewright_measure::Estimate;

/// The carrier's amplitude at the point, with this tape, lies between these volts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KnownLevel {
    least_v: f64,
    most_v: f64,
}

/// What colour and noise add to the carrier where an expectation was read off a screen, peak to peak. Common practice,
/// no source.
const BESIDE_CARRIER: f64 = 1.3;

impl KnownLevel {
    /// The level given with the tape, else from the volts peak to peak that the hookup expects; none: neither is there.
    #[must_use]
    pub fn of(subject: &Subject, point: &Point) -> Option<Self> {
        let given = subject.known_level_v.map(|v| Self { least_v: v, most_v: v });
        let expected = || point.expected_v.map(|v| Self { least_v: 0.5 * v / BESIDE_CARRIER, most_v: 0.5 * v });
        given.or_else(expected).filter(|known| known.least_v > 0.0)
    }

    /// Most that is known of it, in volts.
    #[must_use]
    pub const fn most_v(self) -> f64 {
        self.most_v
    }

    /// A level over the known one (unit 1).
    ///
    /// # Errors
    /// Not for what came from a measurement.
    pub fn share_of(self, level: &Estimate) -> Result<Estimate> {
        let share = level.clone().scaled(1.0 / self.most_v);
        let more = share.interval.high * (self.most_v / self.least_v - 1.0);
        Ok(if more > 0.0 { share.or_higher("colour and noise in the expected level", more)? } else { share })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Head;
    use tapewright_formats::{ProbePlace, Signal, SignalForm, TapeKind, formats};

    fn known(known_level_v: Option<f64>, expected_v: Option<f64>) -> Option<KnownLevel> {
        let subject = Subject {
            format: &formats()[0],
            tape: TapeKind::Alignment,
            tape_name: String::new(),
            known_level_v,
            even_picture: true,
        };
        let point = Point {
            signal: Signal::Rf,
            channel: "CH1".into(),
            trigger_only: false,
            place: ProbePlace::BeforeAgc,
            form: SignalForm::Raw,
            head: Head::Both,
            high_is_a: true,
            expected_v,
        };
        KnownLevel::of(&subject, &point)
    }

    #[test]
    fn a_level_over_the_known_one_holds_what_the_expectation_may_mean() {
        let level = |v: f64| Estimate::with_interval(v, 0.97 * v, 1.03 * v, 0.015 * v, None, Vec::new()).unwrap();
        for (given_v, expected_v, level_v, low, high) in [
            (Some(0.2), None, 0.1, 0.485, 0.515),
            // What was given with the tape counts first.
            (Some(0.2), Some(4.0), 0.1, 0.485, 0.515),
            (None, Some(0.4), 0.1, 0.485, 0.655),
            (None, Some(0.4), 0.154, 0.746, 1.01),
        ] {
            let share = known(given_v, expected_v).unwrap().share_of(&level(level_v)).unwrap().interval;
            assert!((share.low - low).abs() < 0.01 && (share.high - high).abs() < 0.01, "{level_v}: {share:?}");
        }
        assert_eq!((known(None, None), known(None, Some(0.0))), (None, None));
    }
}
