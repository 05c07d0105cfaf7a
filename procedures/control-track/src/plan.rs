//! How long records may be, so that every pulse keeps enough points.

/// Longest step from point to point, over a pulse period: an index mark, high for 27.5 % of it, keeps two points,
/// and a bin of pairs (two points) is a quarter of a period.
const STEP_OVER_PERIOD: f64 = 0.1205;
/// More points cost time on the link and are no better for counting.
const MOST_POINTS: u32 = 20_000;
/// Longest record: what is longer shows nothing for too long.
const LONGEST_S: f64 = 60.0;
/// Longest step where a head's spikes are sampled without peak detection: a spike lasts about a millisecond (common
/// practice, no source).
const SPIKE_STEP_S: f64 = 2e-4;
/// Most records in one run.
const MOST_RECORDS: u32 = 400;

/// How the pulses are counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plan {
    /// Longest step from point to point.
    step_s: f64,
    /// Longest record.
    longest_s: f64,
    /// Points that the scope gives, or that are worth taking.
    points: u32,
}

impl Plan {
    /// For pulses so far apart, on a scope that gives so many points. `spikes_sampled`: spikes, without peak
    /// detection.
    pub(crate) fn new(period_s: f64, greatest_points: u32, spikes_sampled: bool) -> Self {
        let step_s = STEP_OVER_PERIOD * period_s;
        let step_s = if spikes_sampled { step_s.min(SPIKE_STEP_S) } else { step_s };
        let points = greatest_points.clamp(2, MOST_POINTS);
        Self { step_s, longest_s: round_down((step_s * f64::from(points)).min(LONGEST_S)), points }
    }

    /// Lengths of the records that cover so long: as few as can be, each of a length that scopes have.
    pub(crate) fn records_s(&self, observe_s: f64) -> Vec<f64> {
        let mut records = Vec::new();
        let mut left_s = observe_s;
        while left_s > 1e-9 && records.len() < MOST_RECORDS as usize {
            let record_s = if left_s >= self.longest_s { self.longest_s } else { round_up(left_s).min(self.longest_s) };
            records.push(record_s);
            left_s -= record_s;
        }
        records
    }

    /// Least points of a record.
    pub(crate) fn points(&self, record_s: f64) -> u32 {
        ((record_s / self.step_s).ceil() as u32).clamp(2, self.points)
    }
}

/// Steps of a scope's time base: 1, 2, 5 in each decade (instrument maker's manual, not named).
const STEPS: [f64; 4] = [1.0, 2.0, 5.0, 10.0];

fn round_down(seconds: f64) -> f64 {
    let decade = 10.0_f64.powf(seconds.log10().floor());
    STEPS.iter().rev().map(|step| step * decade).find(|step| *step <= seconds * (1.0 + 1e-9)).unwrap_or(decade)
}

fn round_up(seconds: f64) -> f64 {
    let decade = 10.0_f64.powf(seconds.log10().floor());
    STEPS.iter().map(|step| step * decade).find(|step| *step >= seconds * (1.0 - 1e-9)).unwrap_or(10.0 * decade)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_cover_the_time_and_keep_their_points() {
        let frame = 1001.0 / 30_000.0;
        for (what, period_s, points, sampled, observe_s, expected) in [
            ("525 lines", frame, 2500, false, 10.0, vec![10.0]),
            ("625 lines", 0.04, 2500, false, 10.0, vec![10.0]),
            ("longer", frame, 2500, false, 25.0, vec![10.0, 10.0, 5.0]),
            ("rounded up", frame, 2500, false, 13.0, vec![10.0, 5.0]),
            ("a large scope", frame, 2_000_000, false, 120.0, vec![50.0, 50.0, 20.0]),
            ("triple speed", frame / 3.0, 2500, false, 4.0, vec![2.0, 2.0]),
            ("spikes without peak detection", frame, 2500, true, 1.0, vec![0.5, 0.5]),
        ] {
            let plan = Plan::new(period_s, points, sampled);
            let records = plan.records_s(observe_s);
            assert!(
                records.len() == expected.len()
                    && records.iter().zip(&expected).all(|(a, b)| (a / b - 1.0).abs() < 1e-9),
                "{what}: {records:?}"
            );
            for record_s in records {
                let asked = plan.points(record_s);
                assert!(
                    asked <= points && record_s / f64::from(asked) <= plan.step_s * 1.01,
                    "{what}: {asked} points in {record_s} s"
                );
            }
        }
    }

    #[test]
    fn an_endless_wish_ends() {
        assert_eq!(Plan::new(0.04, 2, true).records_s(1e6).len(), MOST_RECORDS as usize);
    }
}
