//! How long records may be, so that every pulse keeps enough points.

use tapewright_sdk::control::{step_down, step_up};

/// What the points show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shows {
    /// Squares, sampled.
    Squares,
    /// Spikes, sampled.
    Spikes,
    /// Spikes hardly higher than the noise, sampled so that several samples lie on each.
    FaintSpikes,
    /// Spikes, as pairs of least and greatest: two points a bin.
    SpikesInPairs,
}

/// Level of spikes over what noise hides of them (closely sampled) from which on they stand out of pairs, whose extremes are the
/// noise's own between them, and out of single samples. Both with room to spare.
const CLEAR_IN_PAIRS: f64 = 4.0;
const CLEAR_IN_SAMPLES: f64 = 2.7;

impl Shows {
    /// How spikes of a level are counted where noise hides up to `hidden_v`.
    pub(crate) fn spikes(level_v: f64, hidden_v: f64, pairs: bool) -> Self {
        if pairs && level_v > CLEAR_IN_PAIRS * hidden_v {
            Self::SpikesInPairs
        } else if level_v > CLEAR_IN_SAMPLES * hidden_v {
            Self::Spikes
        } else {
            Self::FaintSpikes
        }
    }
}

/// Longest step of sampled squares, over a pulse period: an index mark, high for 27.5 % of it, keeps two points.
const SQUARE_STEP: f64 = 0.1205;
/// Points a period of spikes in pairs: with eight bins most bins hold no spike and tell the noise.
const POINTS_OF_PAIRS: f64 = 16.0;
/// Longest step of sampled spikes: a spike lasts a third of a millisecond to one, by the tape's speed (common practice, no source).
const SPIKE_STEP_S: f64 = 2e-4;
/// The same of faint ones.
const FAINT_STEP_S: f64 = 5e-5;
/// More points cost time on the link and are no better for counting.
const MOST_POINTS: u32 = 20_000;
/// Periods of a record that holds two neighbouring pulses for sure.
const FEWEST_PERIODS: f64 = 2.2;
/// Longest record: what is longer shows nothing for too long.
const LONGEST_S: f64 = 60.0;
/// Most records in one run.
const MOST_RECORDS: usize = 400;

/// How the pulses are counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plan {
    /// Longest step from point to point.
    step_s: f64,
    /// Longest record.
    longest_s: f64,
    /// Shortest record that may be chosen: it holds neighbouring pulses wherever it begins.
    shortest_s: f64,
    /// Points that the scope gives, or that are worth taking.
    points: u32,
    /// Least and greatest of bins are taken, not samples.
    pub(crate) in_pairs: bool,
}

impl Plan {
    /// For pulses so far apart, on a scope that gives so many points.
    pub(crate) fn new(period_s: f64, greatest_points: u32, shows: Shows) -> Self {
        let step_s = match shows {
            Shows::Squares => SQUARE_STEP * period_s,
            Shows::SpikesInPairs => period_s / POINTS_OF_PAIRS,
            Shows::Spikes => SPIKE_STEP_S.min(period_s / POINTS_OF_PAIRS),
            Shows::FaintSpikes => FAINT_STEP_S,
        };
        let points = greatest_points.clamp(2, MOST_POINTS);
        let longest_s = step_down((step_s * f64::from(points)).min(LONGEST_S));
        let shortest_s = FEWEST_PERIODS * period_s;
        Self { step_s, longest_s, shortest_s, points, in_pairs: shows == Shows::SpikesInPairs }
    }

    /// Lengths of the records that cover so long: few, each of a length that scopes have. The first
    /// long one is cut into unequal parts, if these still show pulses: between records the phase is looked at, and looks at
    /// equal distances could all meet a slipping tape at the same place.
    pub(crate) fn records_s(&self, observe_s: f64) -> Vec<f64> {
        let mut records = Vec::new();
        let mut left_s = observe_s;
        while left_s > 1e-9 && records.len() < MOST_RECORDS {
            let record_s = if left_s >= self.longest_s {
                self.longest_s
            } else {
                step_up(left_s.max(self.shortest_s)).min(self.longest_s)
            };
            if records.is_empty() {
                let parts = unequal_parts(record_s);
                let all_show = parts.iter().all(|part_s| *part_s >= self.shortest_s);
                records.extend(if all_show { parts } else { vec![record_s] });
            } else {
                records.push(record_s);
            }
            left_s -= record_s;
        }
        records
    }

    /// Least points of a record: twice what counting needs where the scope has them, for the sake of the rate.
    pub(crate) fn points(&self, record_s: f64) -> u32 {
        ((2.0 * record_s / self.step_s).ceil() as u32).clamp(2, self.points)
    }
}

/// A step of the time base as a sum of smaller ones, of unlike lengths.
fn unequal_parts(record_s: f64) -> Vec<f64> {
    let shares: &[f64] = match (record_s / 10.0_f64.powf(record_s.log10().floor())).round() as u32 {
        2 => &[0.5, 0.25, 0.25],
        5 => &[0.4, 0.4, 0.2],
        _ => &[0.5, 0.2, 0.2, 0.1],
    };
    shares.iter().map(|share| share * record_s).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_cover_the_time_and_keep_their_points() {
        use Shows::{FaintSpikes, Spikes, SpikesInPairs, Squares};
        let frame = 1001.0 / 30_000.0;
        for (what, period_s, points, shows, observe_s, expected) in [
            ("525 lines", frame, 2500, Squares, 10.0, vec![5.0, 2.0, 2.0, 1.0]),
            ("625 lines", 0.04, 2500, Squares, 10.0, vec![5.0, 2.0, 2.0, 1.0]),
            ("longer", frame, 2500, Squares, 25.0, vec![5.0, 2.0, 2.0, 1.0, 10.0, 5.0]),
            ("rounded up", frame, 2500, Squares, 13.0, vec![5.0, 2.0, 2.0, 1.0, 5.0]),
            ("a large scope", frame, 2_000_000, Squares, 120.0, vec![20.0, 20.0, 10.0, 50.0, 20.0]),
            ("triple speed", frame / 3.0, 2500, Squares, 4.0, vec![1.0, 0.5, 0.5, 2.0]),
            ("spikes in pairs", frame, 2500, SpikesInPairs, 10.0, vec![2.0, 2.0, 1.0, 5.0]),
            ("spikes without peak detection", frame, 2500, Spikes, 1.0, vec![0.2, 0.2, 0.1, 0.5]),
            ("faint spikes", frame, 20_000, FaintSpikes, 2.0, vec![0.5, 0.2, 0.2, 0.1, 1.0]),
            ("a tail shorter than a pulse", frame, 2500, Squares, 10.01, vec![5.0, 2.0, 2.0, 1.0, 0.1]),
            ("faint spikes of 625 lines", 0.04, 2500, FaintSpikes, 0.3, vec![0.1, 0.1, 0.1]),
        ] {
            let plan = Plan::new(period_s, points, shows);
            let records = plan.records_s(observe_s);
            let alike = records.iter().zip(&expected).all(|(a, b)| (a / b - 1.0).abs() < 1e-9);
            assert!(records.len() == expected.len() && alike, "{what}: {records:?}");
            for record_s in records {
                let asked = plan.points(record_s);
                let step_s = record_s / f64::from(asked);
                assert!(asked <= points && step_s <= plan.step_s * 1.01, "{what}: {asked} points in {record_s} s");
            }
        }
    }

    #[test]
    fn spikes_are_counted_where_they_stand_out() {
        for (level_v, pairs, expected) in [
            (1e-3, true, Shows::SpikesInPairs),
            (1e-3, false, Shows::Spikes),
            (3e-4, true, Shows::Spikes),
            (2e-4, true, Shows::FaintSpikes),
        ] {
            assert_eq!(Shows::spikes(level_v, 1e-4, pairs), expected, "{level_v} V");
        }
    }

    #[test]
    fn an_endless_wish_ends() {
        assert!(Plan::new(0.04, 2, Shows::Spikes).records_s(1e6).len() <= MOST_RECORDS + 3);
    }
}
