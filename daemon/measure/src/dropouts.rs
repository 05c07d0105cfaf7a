//! Dropouts of RF from peak-detect pairs: falls of the carrier's amplitude, with what their bins leave unknown.
//!
//! A bin shows a fall only where all of it lies within the fall: what is left of the carrier in a bin's other part shows
//! at full height. So `n` low bins in a row tell a length between `n` and `n + 2` bins. What surely counts and what may
//! count are both kept: the interval of the rate goes from the one to the other.

use crate::counts::rate_interval;
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{COVERAGE, Contribution, Estimate};
pub use crate::falls::Fall;
use crate::falls::{Course, LEAST_BINS};
use crate::statistics::{median, median_in_place};
use crate::trace::{PairTrace, Trace};

/// What counts as a dropout.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Definition {
    /// Fall of the level, in decibels.
    pub fall_db: f64,
    /// Length, in seconds.
    pub length_s: f64,
}

/// Fewest dropouts whose least and greatest hold the median of all there are with 95 %: it lies beyond all of `n` with
/// `2 * 0.5^n` (order statistics), 3 % of six and 6 % of five.
pub const FEWEST: usize = 6;

/// All that was seen.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Dropouts {
    /// Falls that may count.
    pub falls: Vec<Fall>,
    /// Time that was looked at.
    pub observed_s: f64,
    /// Time in which the heads read nothing: not counted as observed.
    pub lost_s: f64,
}

/// Pairs from samples that are near enough to meet the carrier's peaks: bins of at most `bin_s`.
///
/// # Errors
/// [`MeasureError::TooSlow`] below five samples in two cycles of the carrier, [`MeasureError::BadParameter`].
pub fn pairs_of_samples(trace: &Trace, carrier_hz: f64, bin_s: f64) -> Result<PairTrace, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    let rate_hz = 1.0 / trace.dt_s();
    let needed_hz = 2.5 * positive("carrier", carrier_hz)?;
    if rate_hz < needed_hz {
        return Err(MeasureError::TooSlow { what: "dropouts by samples", rate_hz, needed_hz });
    }
    let each = ((positive("length of a bin", bin_s)? * rate_hz) as usize).max(1);
    let bins = trace.volts().chunks_exact(each);
    let extreme = |f: fn(f32, f32) -> f32, start: f32| -> Vec<f32> {
        bins.clone().map(|bin| bin.iter().copied().fold(start, f)).collect()
    };
    let dt_s = each as f64 * trace.dt_s();
    PairTrace::from_volts(
        trace.t0_s() + 0.5 * (dt_s - trace.dt_s()),
        dt_s,
        extreme(f32::min, f32::INFINITY),
        extreme(f32::max, f32::NEG_INFINITY),
    )
}

impl Dropouts {
    /// Looks through one record. `floor_v` is what the point shows without RF, as half of greatest less least.
    ///
    /// # Errors
    /// [`MeasureError::TooSlow`] where a bin is longer than half of the shortest dropout: a fall could lie between two bins;
    /// [`MeasureError::InNoise`] where the floor would hide the fall; [`MeasureError::Clipped`], [`MeasureError::TooShort`].
    pub fn look(&mut self, pairs: &PairTrace, floor_v: f64, what: &Definition) -> Result<(), MeasureError> {
        pairs.conversion().demand_unclipped("RF")?;
        let bin_s = pairs.dt_s();
        let length_s = positive("length of a dropout", what.length_s)?;
        if bin_s > 0.5 * length_s * (1.0 + 1e-9) {
            return Err(MeasureError::TooSlow {
                what: "dropouts (a bin is longer than half of the shortest)",
                rate_hz: 1.0 / bin_s,
                needed_hz: 2.0 / length_s,
            });
        }
        at_least("bins of RF", pairs.len(), LEAST_BINS)?;
        let levels: Vec<f64> = (0..pairs.len()).map(|i| pairs.half_range(i)).collect();
        let record_v = median(&levels)?;
        let keeps = 10_f64.powf(-what.fall_db / 20.0);
        if floor_v > 0.8 * keeps * record_v {
            return Err(MeasureError::InNoise {
                what: "dropouts",
                detail: format!(
                    "without RF the point shows {:.2} mV, a fall of {} dB from {:.2} mV would show {:.2} mV",
                    1e3 * floor_v,
                    what.fall_db,
                    1e3 * record_v,
                    1e3 * keeps * record_v
                ),
            });
        }
        let course = Course { levels, record_v, floor_v, step_v: pairs.conversion().step_v, keeps };
        let seen = course.look(bin_s);
        self.observed_s += seen.observed_s;
        self.lost_s += seen.lost_s;
        self.falls.extend(seen.falls.into_iter().filter(|fall| fall.greatest_s >= length_s));
        Ok(())
    }

    fn sure(&self, what: &Definition) -> u64 {
        self.falls.iter().filter(|fall| fall.least_s >= what.length_s).count() as u64
    }

    /// Falls whose most likely length counts.
    #[must_use]
    pub fn likely(&self, what: &Definition) -> Vec<Fall> {
        self.falls.iter().filter(|fall| fall.length_s() >= what.length_s).copied().collect()
    }

    /// Dropouts a minute of observed time, with the exact interval of a count, widened by what the bins leave unknown.
    ///
    /// # Errors
    /// [`MeasureError::BadParameter`] where nothing was observed.
    pub fn a_minute(&self, what: &Definition) -> Result<Estimate, MeasureError> {
        let likely = self.likely(what).len() as f64;
        let (low, high) = rate_interval(self.sure(what), self.falls.len() as u64, self.observed_s, COVERAGE)?;
        let scale = 60.0 / self.observed_s;
        let counted = likely.max(1.0).sqrt() * scale;
        let unknown = (self.falls.len() as f64 - self.sure(what) as f64) * scale;
        Estimate::with_interval(
            likely * scale,
            60.0 * low,
            60.0 * high,
            counted,
            None,
            vec![
                Contribution {
                    degrees_of_freedom: None,
                    ..Contribution::type_a("count of dropouts (Poisson)", counted, 1.0)
                },
                Contribution::rectangular("lengths that the bins leave unknown", 0.5 * unknown),
            ],
        )
    }

    /// Median length in microseconds of those that count; none: there were fewer than [`FEWEST`].
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`].
    pub fn length_us(&self, what: &Definition) -> Result<Option<Estimate>, MeasureError> {
        let each = |fall: &Fall| [fall.length_s(), fall.least_s, fall.greatest_s].map(|s| 1e6 * s);
        spread(&self.likely(what).iter().map(each).collect::<Vec<_>>(), "lengths that the bins leave unknown")
    }

    /// Median depth in decibels of those that count; none: there were fewer than [`FEWEST`].
    ///
    /// # Errors
    /// [`MeasureError::NotFinite`].
    pub fn depth_db(&self, what: &Definition) -> Result<Option<Estimate>, MeasureError> {
        let each = self.likely(what).iter().map(|fall| fall.depth_db).collect::<Vec<_>>();
        spread(&each, "depths that the noise leaves unknown")
    }
}

/// Median of what was seen (most likely, least, greatest); its interval by order statistics is that of the median of all
/// there is, which fewer than [`FEWEST`] do not bound.
fn spread(seen: &[[f64; 3]], unknown: &'static str) -> Result<Option<Estimate>, MeasureError> {
    if seen.len() < FEWEST {
        return Ok(None);
    }
    let [mut likely, mut least, mut greatest] = [0, 1, 2].map(|part| seen.iter().map(|s| s[part]).collect::<Vec<_>>());
    let value = median_in_place(&mut likely);
    let hidden = 0.5 * (median_in_place(&mut greatest) - median_in_place(&mut least)).max(0.0);
    for part in [&mut likely, &mut least, &mut greatest] {
        part.sort_by(f64::total_cmp);
    }
    let n = seen.len() as f64;
    // Places on either side that hold the median with 95 %, by the normal approximation of a binomial, outwards.
    let reach = 0.98 * n.sqrt();
    let at = |sorted: &[f64], place: f64| sorted[(place.max(0.0) as usize).min(sorted.len() - 1)];
    let ends = |low: &[f64], high: &[f64]| (at(low, (0.5 * n - reach).floor()), at(high, (0.5 * n + reach).ceil()));
    let (from, to) = ends(&likely, &likely);
    let contributions = vec![
        Contribution::type_a("spread of the dropouts", (to - from) / 3.92, (n - 1.0).max(1.0)),
        Contribution::rectangular(unknown, hidden),
    ];
    let (combined, dof) = crate::estimate::combine(&contributions)?;
    let (low, high) = ends(&least, &greatest);
    Estimate::with_interval(value, low.min(value), high.max(value), combined, dof, contributions).map(Some)
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHAT: Definition = Definition { fall_db: 16.0, length_s: 15e-6 };

    /// Pairs of a level with falls in it: (start, length, what is kept).
    fn pairs(bin_s: f64, count: usize, falls: &[(f64, f64, f64)], noise_v: f64) -> PairTrace {
        let level = |i: usize| {
            let (from, to) = (i as f64 * bin_s, (i as f64 + 1.0) * bin_s);
            let within = falls.iter().find(|(at, length, _)| from >= *at && to <= at + length);
            let sag = 0.2 * (1.0 - 0.4 * (i as f64 / count as f64));
            (sag * within.map_or(1.0, |(.., keeps)| *keeps)).max(noise_v) as f32
        };
        let greatest: Vec<f32> = (0..count).map(level).collect();
        PairTrace::from_volts(0.0, bin_s, greatest.iter().map(|v| -v).collect(), greatest).unwrap()
    }

    #[test]
    fn falls_are_counted_by_the_definition() {
        let bin = 5e-6;
        for (name, falls, likely) in [
            ("none", &[][..], 0),
            ("one", &[(1.001e-3, 50e-6, 0.05)][..], 1),
            ("too shallow", &[(1.001e-3, 50e-6, 0.3)][..], 0),
            ("too short", &[(1.001e-3, 6e-6, 0.05)][..], 0),
            ("two", &[(1.001e-3, 50e-6, 0.05), (3.002e-3, 31e-6, 0.1)][..], 2),
        ] {
            let mut seen = Dropouts::default();
            seen.look(&pairs(bin, 1250, falls, 1e-3), 1e-3, &WHAT).unwrap();
            assert_eq!(seen.likely(&WHAT).len(), likely, "{name}: {seen:?}");
            let rate = seen.a_minute(&WHAT).unwrap();
            assert!((seen.observed_s - 6.25e-3).abs() < 1e-9);
            assert!(rate.interval.low <= rate.value && rate.value <= rate.interval.high);
            for (fall, (_, length, keeps)) in seen.falls.iter().zip(falls) {
                assert!(fall.least_s <= length + 1e-12 && *length <= fall.greatest_s, "{name}: {fall:?}");
                let [likely, least, greatest] = fall.depth_db;
                let truth = -20.0 * keeps.log10();
                assert!(least <= truth && truth <= greatest && (likely - truth).abs() < 0.8, "{name}: {fall:?}");
            }
        }
    }

    /// What was seen once says nothing of what there is: lengths of dropouts all unlike, their median known.
    #[test]
    fn the_median_of_all_there_are_is_held_or_not_stated() {
        let mut noise = crate::extremes::Noise::new(5);
        let (bin, trials) = (7.5e-6, 400);
        for count in [1, 3, 5, 6, 7, 10, 20, 45] {
            let mut held = 0;
            for _ in 0..trials {
                let falls = (0..count).map(|_| {
                    // Whole bins in a length of 30 to 120 us that begins anywhere in one.
                    let bins = ((30e-6 + 90e-6 * noise.uniform()) / bin - noise.uniform()).floor();
                    Fall {
                        bins: bins as usize,
                        least_s: bins * bin,
                        greatest_s: (bins + 2.0) * bin,
                        depth_db: [20.0; 3],
                    }
                });
                let seen = Dropouts { falls: falls.collect(), observed_s: 1.0, lost_s: 0.0 };
                let length = seen.length_us(&WHAT).unwrap();
                assert_eq!(length.is_some(), count >= FEWEST, "{count}");
                held += i32::from(length.is_some_and(|us| us.interval.low <= 75.0 && 75.0 <= us.interval.high));
            }
            let share = f64::from(held) / f64::from(trials);
            assert!(count < FEWEST || share > 0.95, "{count} dropouts: {share}");
        }
    }

    #[test]
    fn bins_too_long_a_floor_too_high_and_clipping_are_refused() {
        let mut seen = Dropouts::default();
        let long = seen.look(&pairs(8e-6, 1250, &[], 1e-3), 1e-3, &WHAT);
        assert!(matches!(long, Err(MeasureError::TooSlow { .. })), "{long:?}");
        assert!(seen.look(&pairs(7.5e-6, 1250, &[], 1e-3), 1e-3, &WHAT).is_ok());
        let noisy = seen.look(&pairs(5e-6, 1250, &[], 1e-3), 30e-3, &WHAT);
        assert!(matches!(noisy, Err(MeasureError::InNoise { .. })), "{noisy:?}");
        assert!(Dropouts::default().a_minute(&WHAT).is_err(), "nothing was observed");
    }

    #[test]
    fn samples_make_pairs_where_they_meet_the_peaks() {
        let volts: Vec<f32> =
            (0..40_000).map(|i| (core::f64::consts::TAU * 0.171 * f64::from(i)).cos() as f32 * 0.2).collect();
        let trace = Trace::from_volts(0.0, 5e-8, volts).unwrap();
        let made = pairs_of_samples(&trace, 3.4e6, 5e-6).unwrap();
        assert_eq!(made.len(), 400);
        assert!((0..400).all(|i| (made.half_range(i) - 0.2).abs() < 2e-3));
        assert!(pairs_of_samples(&trace, 30e6, 5e-6).is_err());
    }
}
