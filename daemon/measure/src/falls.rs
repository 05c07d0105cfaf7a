//! Falls of the level within one record of bins: where they begin and end, and how deep they go.
//!
//! A bin is low where its level lies below the median around it by more than the fall that is looked for. Where that median
//! itself is low, the heads read little: such time is lost, for a fall could not be told from the floor there. In the middle of
//! a fall of more than half the width of the median that looks the same, so a lost stretch that begins and ends at once is a
//! long fall.

use crate::statistics::median_in_place;
use core::ops::Range;

/// Bins on either side that the level around a bin is the median of.
const AROUND: usize = 60;

/// Where the median of that many bins lies below this share of the record's, the heads do not read at all.
const LOST: f64 = 0.35;

/// Fewest bins of a record.
pub(crate) const LEAST_BINS: usize = 4 * AROUND;

/// Longest dropout: where the heads read little for longer, a head or the path is at fault.
const LONGEST_S: f64 = 5e-3;

/// Within so many bins a fall begins or ends: one that it shares with the carrier, and one to spare.
const EDGE: usize = 2;

/// What noise adds to the half range of a bin that holds a carrier well above it, as a share of what it shows alone: its
/// extremes must meet the carrier's peaks.
const NOISE_ADDS: f64 = 0.75;

/// By how much of what noise shows alone one bin's reading of it scatters.
const NOISE_SCATTERS: f64 = 0.2;

/// One fall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fall {
    /// Low bins in a row.
    pub bins: usize,
    /// Shortest that it can be, in seconds.
    pub least_s: f64,
    /// Longest that it can be, in seconds.
    pub greatest_s: f64,
    /// Deepest fall: most likely, least and greatest, in decibels.
    pub depth_db: [f64; 3],
}

/// Deepest fall that is told from no carrier at all.
const DEEPEST_DB: f64 = 60.0;

/// The fall to a lowest half range from the one around it, where the point shows `floor_v` without RF.
///
/// Of a carrier far above the noise a bin shows its amplitude and most of the noise, of one far below it the noise alone:
/// the amplitude lies between the difference, and the root of the squares' difference.
fn depth(lowest_v: f64, around_v: f64, floor_v: f64, step_v: f64) -> [f64; 3] {
    let level_v = (around_v - NOISE_ADDS * floor_v).max(f64::MIN_POSITIVE);
    let fall = |left_v: f64| (20.0 * (level_v / left_v.max(f64::MIN_POSITIVE)).log10()).clamp(0.0, DEEPEST_DB);
    let beside_v = NOISE_SCATTERS * floor_v + 0.5 * step_v;
    let least_left_v = lowest_v - floor_v - 0.5 * step_v;
    let most_left_v = (lowest_v.powi(2) - floor_v.powi(2)).max(0.0).sqrt() + beside_v;
    let likely_v = (lowest_v - NOISE_ADDS * floor_v).clamp(least_left_v.max(0.0), most_left_v);
    [fall(likely_v), fall(most_left_v), fall(least_left_v)]
}

impl Fall {
    /// Most likely length.
    #[must_use]
    pub fn length_s(&self) -> f64 {
        0.5 * (self.least_s + self.greatest_s)
    }
}

/// The levels of one record, as half of greatest less least of each bin.
pub(crate) struct Course {
    pub(crate) levels: Vec<f64>,
    /// Their median.
    pub(crate) record_v: f64,
    /// What the point shows without RF.
    pub(crate) floor_v: f64,
    /// One step of the converter.
    pub(crate) step_v: f64,
    /// What a level keeps of itself in the shallowest fall.
    pub(crate) keeps: f64,
}

/// What a record shows.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    pub(crate) falls: Vec<Fall>,
    pub(crate) observed_s: f64,
    pub(crate) lost_s: f64,
}

/// Low bins one after the other: how many, the lowest level, and the level around them.
type Low = (usize, f64, f64);

impl Course {
    /// Falls, and the time in which they could be seen.
    pub(crate) fn look(&self, bin_s: f64) -> Seen {
        let around = local_medians(&self.levels);
        let lost = |i: usize| around[i] < LOST * self.record_v || self.floor_v > 0.8 * self.keeps * around[i];
        let fine = |i: usize| !lost(i) && self.levels[i] >= self.keeps * around[i];
        let mut seen = Seen::default();
        let mut until = 0;
        while until < self.levels.len() {
            let from = until;
            while until < self.levels.len() && fine(until) == fine(from) {
                until += 1;
            }
            let span_s = (until - from) as f64 * bin_s;
            let low = match (fine(from), (from..until).any(lost)) {
                (true, _) => None,
                (false, false) => Some(self.short(&around, from..until)),
                (false, true) => match self.long(&around, from..until, LONGEST_S / bin_s) {
                    Some(low) => Some(low),
                    None => {
                        seen.lost_s += span_s;
                        continue;
                    }
                },
            };
            seen.observed_s += span_s;
            // A fall at an end of the record goes on beyond it.
            if let Some((bins, lowest_v, around_v)) = low
                && from > 0
                && until < self.levels.len()
            {
                let depth_db = depth(lowest_v, around_v, self.floor_v, self.step_v);
                let (least_s, greatest_s) = (bins as f64 * bin_s, (bins as f64 + 2.0) * bin_s);
                seen.falls.push(Fall { bins, least_s, greatest_s, depth_db });
            }
        }
        seen
    }

    /// A run of low bins, none of them lost.
    fn short(&self, around: &[f64], run: Range<usize>) -> Low {
        let share = |i: usize| self.levels[i] / around[i];
        let deepest = run.clone().min_by(|a, b| share(*a).total_cmp(&share(*b))).unwrap_or(run.start);
        (run.len(), self.levels[deepest], around[deepest])
    }

    /// A run with lost bins in it, if it is one fall: level before and after it, low all the while between, and from the one to
    /// the other at once. A level that sinks and rises slowly, as from track to track, is none.
    fn long(&self, around: &[f64], run: Range<usize>, most_bins: f64) -> Option<Low> {
        let around_v = 0.5 * (around[run.start.checked_sub(AROUND)?] + around.get(run.end + AROUND)?);
        let low = |i: &usize| self.levels[*i] < self.keeps * around_v;
        let high = |i: usize| self.levels[i] >= 2.0 * self.keeps * around_v;
        let (first, last) = (run.clone().find(low)?, run.clone().rev().find(low)?);
        let bins = last + 1 - first;
        // The medians fall earlier and rise later than the level.
        let before = run.start.min(first.checked_sub(EDGE)?)..first + 1 - EDGE;
        let after = last + EDGE..run.end.max(last + EDGE + 1);
        let at_once = before.chain(after).all(high);
        let lowest_v = self.levels[first..=last].iter().copied().fold(f64::INFINITY, f64::min);
        ((first..=last).all(|i| low(&i)) && at_once && bins as f64 <= most_bins).then_some((bins, lowest_v, around_v))
    }
}

/// Median over [`AROUND`] bins on either side, by blocks: falls are far shorter than that.
fn local_medians(levels: &[f64]) -> Vec<f64> {
    let block = AROUND / 2;
    let count = levels.len().div_ceil(block);
    let mut window = Vec::with_capacity(2 * AROUND);
    let medians: Vec<f64> = (0..count)
        .map(|b| {
            let middle = b * block + block / 2;
            let (from, to) = (middle.saturating_sub(AROUND), (middle + AROUND).min(levels.len()));
            window.clear();
            window.extend_from_slice(&levels[from..to]);
            median_in_place(&mut window)
        })
        .collect();
    (0..levels.len()).map(|i| medians[i / block]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const BIN_S: f64 = 7.5e-6;

    /// Levels of 0.2 V with one fall in them, of so many seconds, at a depth, that takes so many seconds to begin and to end.
    fn seen(length_s: f64, at_s: f64, keeps: f64, slope_s: f64) -> Seen {
        let level = |t: f64| {
            let outside_s = (at_s - t).max(t - at_s - length_s).max(0.0);
            0.2 * (keeps + (1.0 - keeps) * (outside_s / slope_s.max(1e-12)).min(1.0))
        };
        // A bin shows the greatest of what it holds.
        let of = |i: usize| level(i as f64 * BIN_S).max(level((i as f64 + 1.0) * BIN_S)).max(2e-3);
        let levels: Vec<f64> = (0..2600).map(of).collect();
        Course { levels, record_v: 0.2, floor_v: 2e-3, step_v: 1e-4, keeps: 0.1585 }.look(BIN_S)
    }

    /// Wherever it begins against the blocks of the medians, a fall counts once, with its length; of 20 ms none is lost.
    #[test]
    fn a_fall_counts_once_however_long_it_is() {
        for length_us in [20.0, 50.0, 200.0, 400.0, 450.0, 600.0, 900.0, 1500.0, 4900.0] {
            for start in 0..40 {
                let at_s = 3e-3 + 11.3e-6 * f64::from(start);
                let seen = seen(1e-6 * length_us, at_s, 0.05, 0.0);
                let [fall] = seen.falls[..] else { panic!("{length_us} us at {at_s}: {seen:?}") };
                let says = format!("{length_us} us at {at_s}: {fall:?}");
                assert!(fall.least_s <= 1e-6 * length_us + 1e-12 && 1e-6 * length_us <= fall.greatest_s, "{says}");
                let [_, least_db, greatest_db] = fall.depth_db;
                assert!(least_db < 26.02 && 26.02 < greatest_db && seen.lost_s == 0.0, "{says}");
            }
        }
    }

    /// A head that does not read for a scan, and a level that sinks and rises from track to track.
    #[test]
    fn what_is_no_fall_is_lost_time() {
        for (what, length_s, slope_s) in [("a scan", 10e-3, 0.0), ("between tracks", 0.2e-3, 3e-3)] {
            let seen = seen(length_s, 4.5e-3, 0.05, slope_s);
            assert!(seen.falls.is_empty() && seen.lost_s > 0.9 * length_s, "{what}: {seen:?}");
        }
    }
}
