//! The mean of the rail: judged where it is known what the rail should have, and what its ripple is held against.

use crate::parameters as p;
use tapewright_sdk::prelude::*;

/// A probe's factor that is set wrongly makes ten times as much of a voltage, or a tenth.
const PROBE: f64 = 10.0;

/// The hookup's `expected-v` sets the channel's range. A mean so many times greater is seen only where the range lies about a middle
/// of its own, and then it is what the rail swings by.
const SWINGS: f64 = 3.0;

/// No rail of these machines is so low (common practice, no source).
const LEAST_RAIL_V: f64 = 2.5;

/// Where it is known from what a rail should have.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Known {
    /// The parameter says it.
    Set(f64),
    /// The hookup expects it; the sign is that of the mean.
    Expected(f64),
    /// The hookup expects what the rail swings by.
    Swing(f64),
    Not,
}

impl Known {
    fn of(set_v: f64, expected_v: Option<f64>, mean_v: &Estimate) -> Self {
        if set_v != 0.0 {
            return Self::Set(set_v);
        }
        let Some(expected_v) = expected_v else { return Self::Not };
        let nearest = if mean_v.value < 0.0 { -mean_v.interval.high } else { mean_v.interval.low };
        if nearest > SWINGS * expected_v {
            return Self::Swing(expected_v);
        }
        Self::Expected(expected_v.copysign(mean_v.value))
    }
}

/// Why the mean is held against nothing. The rail is then no pass, whatever its ripple.
fn not_judged(why: &str) -> Unable {
    Unable::new(UnableCode::NotPossible, why).on("mean")
}

/// Whether a mean may be what a wrongly set probe makes of a voltage that is not rejected.
fn by_probe(mean_v: &Estimate, should_v: f64, reject: f64) -> bool {
    let Interval { low, high, .. } = mean_v.interval;
    [PROBE, 1.0 / PROBE].iter().any(|wrong| {
        let (middle, half) = (wrong * should_v, reject * (wrong * should_v).abs());
        low <= middle + half && high >= middle - half
    })
}

/// The voltage that ripple is held against.
pub(crate) fn rail(
    point: &Point,
    by_ac: bool,
    mean_v: &Estimate,
    settings: &Settings,
    report: &mut Report,
) -> Result<Estimate> {
    let set_v = settings.number(&p::RAIL);
    if by_ac {
        if set_v == 0.0 {
            let why = "with the channel coupled by AC the rail's voltage must be told: set `rail-v`";
            return Err(Unable::new(UnableCode::NotPossible, why).on("ripple"));
        }
        report.note("Coupled by AC: ripple below some tens of hertz reads low.");
        // A rail that is dead has no ripple either.
        report.unable(not_judged(&format!(
            "the channel is coupled by AC, and whether the rail has its {set_v} V does not show: measure it with a meter, or couple by DC where the scope's offset reaches the rail",
        )));
        return Ok(Estimate::combined(set_v.abs(), Vec::new())?);
    }
    let measured = Measured::new("mean", Unit::Volt, mean_v);
    let known = Known::of(set_v, point.expected_v, mean_v);
    let absent = mean_v.value.abs() <= (3.0 * mean_v.standard_uncertainty).max(0.05);
    match known {
        Known::Set(should_v) | Known::Expected(should_v) => {
            let reject = settings.number(&p::RAIL_REJECT) / 100.0;
            if by_probe(mean_v, should_v, reject) {
                report.measured(measured);
                return Err(Unable::new(UnableCode::BadData, probe_text(point, mean_v.value, should_v)).on("supply"));
            }
            let outcome = report.measured(measured.judged(limits(should_v, known, settings)));
            if outcome == Some(Outcome::Fail) {
                report.found(Finding::SupplyWrong, &format!("{:.2} V where {should_v} V should be", mean_v.value));
            }
        }
        Known::Swing(expected_v) => {
            report.measured(measured);
            let why = format!(
                "the rail stands at {:.2} V, {:.1} times what the hookup expects ({expected_v} V): check the probe's factor and its point; where `expected-v` is what the rail swings by, set `rail-v`",
                mean_v.value,
                mean_v.value.abs() / expected_v
            );
            report.unable(Unable::new(UnableCode::BadData, why).on("mean"));
        }
        Known::Not => {
            report.measured(measured);
            if !absent && mean_v.value.abs() < LEAST_RAIL_V {
                let why = format!(
                    "the point stands at {:.2} V, and no rail of these machines is so low: check the probe's factor on {} and its point, or set `rail-v`",
                    mean_v.value, point.channel
                );
                return Err(Unable::new(UnableCode::BadData, why).on("supply"));
            }
            // Its ripple may still fail; a rail that nobody knows is no pass.
            if !absent {
                report.unable(not_judged(&format!(
                    "nobody said what the rail should have, and its {:.2} V were held against nothing: set `rail-v`, or `expected-v` of the hookup's point, from the machine's service data",
                    mean_v.value
                )));
            }
        }
    }
    if absent {
        let why = format!(
            "the rail stands at {:.3} V: there is nothing that ripple could be held against; look at the probe and the supply",
            mean_v.value
        );
        return Err(Unable::new(UnableCode::SignalAbsent, why).on("ripple"));
    }
    Ok(if mean_v.value < 0.0 { mean_v.clone().scaled(-1.0) } else { mean_v.clone() })
}

fn limits(should_v: f64, known: Known, settings: &Settings) -> Limits {
    let band = |parameter| {
        let half = should_v.abs() * settings.number(parameter) / 100.0;
        Limit { at_least: Some(should_v - half), at_most: Some(should_v + half) }
    };
    let source = settings.source(p::RAIL_GOOD.name);
    let source = match known {
        Known::Expected(_) => format!("{source}; {should_v} V by the hookup's `expected-v`"),
        _ => source.to_owned(),
    };
    Limits { good: band(&p::RAIL_GOOD), reject: band(&p::RAIL_REJECT), source }
}

fn probe_text(point: &Point, mean_v: f64, should_v: f64) -> String {
    let times = if mean_v.abs() > should_v.abs() { "ten times" } else { "a tenth of" };
    format!(
        "the point stands at {mean_v:.2} V, about {times} the {should_v} V that should be there: check the probe's factor on {} and its point first; if both are right, look at the supply",
        point.channel
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is set, what the hookup expects, the mean, what is known, and whether a wrongly set probe would make this of it.
    #[test]
    fn what_a_rail_should_have_is_set_or_expected() {
        for (set_v, expected_v, mean_v, known, wrong_probe) in [
            (12.0, None, 12.1, Known::Set(12.0), false),
            (12.0, Some(0.5), 12.1, Known::Set(12.0), false),
            (12.0, None, 1.2, Known::Set(12.0), true),
            (12.0, None, 118.0, Known::Set(12.0), true),
            (-12.0, None, -1.15, Known::Set(-12.0), true),
            (-12.0, None, 1.2, Known::Set(-12.0), false),
            (0.0, Some(12.0), 9.0, Known::Expected(12.0), false),
            (0.0, Some(12.0), -12.2, Known::Expected(-12.0), false),
            (0.0, Some(12.0), 1.2, Known::Expected(12.0), true),
            (0.0, Some(12.0), 30.0, Known::Expected(12.0), false),
            (0.0, Some(12.0), 0.0, Known::Expected(12.0), false),
            (0.0, Some(0.5), 12.1, Known::Swing(0.5), false),
            (0.0, Some(0.5), -12.1, Known::Swing(0.5), false),
            (0.0, None, 1.2, Known::Not, false),
        ] {
            let mean = Estimate::combined(mean_v, vec![Contribution::type_b("gain", 0.02 * f64::abs(mean_v))]).unwrap();
            let what = format!("{set_v} {expected_v:?} {mean_v}");
            let got = Known::of(set_v, expected_v, &mean);
            assert_eq!(got, known, "{what}");
            if let Known::Set(should_v) | Known::Expected(should_v) = got {
                assert_eq!(by_probe(&mean, should_v, 0.12), wrong_probe, "{what}");
            }
        }
    }
}
