//! Where one head's bars lie against the other's: in time the wave of the level goes on over the switching without a step.
//!
//! From a capture of two scans that follow each other come two phases of the fit, and their advance against the count of
//! bars. A count that is off moves the advance from head A to head B as much as that from B to A: of captures that begin with
//! either head the half difference is free of it.

use super::{HARMONICS, ScanCourse, fit};
use crate::error::{MeasureError, at_least, finite};
use crate::estimate::{Contribution, Estimate};
use crate::statistics::moments;
use core::f64::consts::TAU;

/// Two scans of one capture, the second from where the first ends at the drum's nominal rate.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanPair {
    /// The scan that the capture begins with.
    pub first: ScanCourse,
    /// The other head's scan after it.
    pub second: ScanCourse,
}

/// One capture's bars, by position in the second scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstBar {
    /// Where the first head's bars, going on, put the second scan's first bar.
    pub predicted: f64,
    /// The bar that is seen nearest to it.
    pub seen: f64,
}

/// Head B's bars against head A's.
#[derive(Debug, Clone, PartialEq)]
pub struct Places {
    /// By how much of the distance between bars head B's come after where head A's, going on, put them, within half of it.
    pub off: Estimate,
    /// First bars of head B's scans that follow on head A's, a capture each.
    pub first: Vec<FirstBar>,
}

/// Captures of each order that it takes at least: one of each tells no scatter.
const LEAST: usize = 2;

/// Bars of a scan that it takes at least: a part of one bends to its shape, and with it the place (from trials: see the test).
pub const LEAST_BARS: f64 = 0.9;

/// Between the orders the advances differ by twice what the count is off. Beyond this nobody knows which bar is which.
const MOST_APART: f64 = 0.25;

/// Mean resultant of the advances, as points of a circle, below which they go round anyhow: at this the standard deviation is
/// an eighth of a bar.
const LEAST_RESULTANT: f64 = 0.7;

/// Standard uncertainty by the bars' shape for one bar in a scan, and the least of it however many there are, in bars (by trial on
/// simulated machines).
const SHAPE_U: (f64, f64) = (0.01, 0.002);

/// Within half a cycle of zero.
fn wrapped(cycles: f64) -> f64 {
    cycles - cycles.round()
}

/// Turn of the fit's crest from a scan's start, in cycles.
fn crest(scan: &ScanCourse, bars: f64) -> f64 {
    let (c, _) = fit(scan, bars, HARMONICS);
    c[2].atan2(c[1]) / TAU
}

/// Head B's bars against head A's in captures that begin with head A's scan and with head B's, at so many bars a scan.
///
/// # Errors
/// [`MeasureError::TooShort`] for too few captures of either order or fewer than [`LEAST_BARS`], [`MeasureError::NotSteady`] where
/// the bars do not go on alike or not by what the count says, [`MeasureError::NotFinite`].
pub fn places_off(from_a: &[ScanPair], from_b: &[ScanPair], bars: f64) -> Result<Places, MeasureError> {
    at_least("captures of a scan of head A with one of head B", from_a.len(), LEAST)?;
    at_least("captures of a scan of head B with one of head A", from_b.len(), LEAST)?;
    if bars.is_nan() || bars < LEAST_BARS {
        return Err(MeasureError::TooShort { what: "bars of a scan", given: bars, needed: LEAST_BARS });
    }
    for scan in from_a.iter().chain(from_b).flat_map(|pair| [&pair.first, &pair.second]) {
        finite("levels of a scan", &scan.level_v)?;
    }
    let crests = |pair: &ScanPair| (crest(&pair.first, bars), crest(&pair.second, bars));
    // The second scan's crest comes late by what its turn is more than the count says.
    let late = |(first, second): (f64, f64)| second - first + bars;
    let crests_a: Vec<(f64, f64)> = from_a.iter().map(crests).collect();
    let by_a: Vec<f64> = crests_a.iter().map(|pair| late(*pair)).collect();
    let by_b: Vec<f64> = from_b.iter().map(|pair| -late(crests(pair))).collect();
    let centre = |values: &[f64]| {
        let (x, y) = values.iter().fold((0.0, 0.0), |(x, y), v| (x + (TAU * v).cos(), y + (TAU * v).sin()));
        (y.atan2(x) / TAU, x.hypot(y) / values.len() as f64)
    };
    let mut means = Vec::new();
    for values in [&by_a, &by_b] {
        let (about, resultant) = centre(values);
        if resultant < LEAST_RESULTANT {
            return Err(MeasureError::NotSteady {
                what: "places of noise bars",
                detail: format!(
                    "from one head's scan to the other's the bars go on by another part of their distance in each capture \
                     (mean resultant {resultant:.2})"
                ),
            });
        }
        let unwrapped: Vec<f64> = values.iter().map(|v| about + wrapped(v - about)).collect();
        means.push(moments(&unwrapped)?);
    }
    let (a, b) = (means[0], means[1]);
    let apart = wrapped(b.mean - a.mean);
    if apart.abs() > MOST_APART {
        return Err(MeasureError::NotSteady {
            what: "places of noise bars",
            detail: format!(
                "from one scan to the next the bars go on by {:.2} of their distance more or less than their count says: \
                 which of them is which cannot be told",
                0.5 * apart.abs()
            ),
        });
    }
    let off = wrapped(a.mean + 0.5 * apart);
    let share = |m: &crate::statistics::Moments| 0.5 * m.standard_deviation / (m.count as f64).sqrt();
    let shares = vec![
        Contribution::type_a("captures from head A on", share(&a), a.count as f64 - 1.0),
        Contribution::type_a("captures from head B on", share(&b), b.count as f64 - 1.0),
        Contribution::type_b("shape of the bars", (SHAPE_U.0 / bars.powi(2)).max(SHAPE_U.1)),
    ];
    let off = Estimate::combined(off, shares)?;
    let first = crests_a
        .iter()
        .zip(&by_a)
        .map(|((first, _), late)| {
            let predicted = (first + 0.5 - bars).rem_euclid(1.0) / bars;
            FirstBar { predicted, seen: predicted + wrapped(*late) / bars }
        })
        .collect();
    Ok(Places { off, first })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::Noise;

    const LEVELS: u32 = 120;

    /// How bars are drawn.
    #[derive(Clone, Copy)]
    struct Drawn {
        bars: f64,
        /// By how much of a bar distance head B's come later.
        off: f64,
        /// Height above which the level is cut off, and least level.
        cut: (f64, f64),
        /// Parts of the scan that are seen, first and second.
        seen: [(f64, f64); 2],
    }

    impl Drawn {
        /// Level at a place, in cycles.
        fn level(&self, cycles: f64) -> f64 {
            (self.cut.0 * (1.0 - 2.0 * (cycles - cycles.round()).abs())).clamp(self.cut.1, 1.0)
        }

        fn scan(&self, at: f64, (from, to): (f64, f64), noise: &mut Noise) -> ScanCourse {
            let place = |i: u32| (f64::from(i) + 0.5) / f64::from(LEVELS);
            let inside: Vec<f64> = (0..LEVELS).map(place).filter(|x| (from..to).contains(x)).collect();
            let level_v = inside.iter().map(|x| self.level(at + self.bars * x) + 0.01 * noise.normal()).collect();
            ScanCourse { level_v, from: inside[0], to: inside[inside.len() - 1] }
        }

        /// Captures from one head on; `cycles` of each first scan's start.
        fn pairs(&self, late: f64, starts: &[f64], noise: &mut Noise) -> Vec<ScanPair> {
            starts
                .iter()
                .map(|at| ScanPair {
                    first: self.scan(*at, self.seen[0], noise),
                    second: self.scan(*at + self.bars - late, self.seen[1], noise),
                })
                .collect()
        }
    }

    /// Captures from either head on, caught anywhere or all in step, and a count that is off by so much.
    fn seen(drawn: &Drawn, in_step: bool, count_off: f64, noise: &mut Noise) -> Result<Places, MeasureError> {
        let mut starts = || {
            let one = noise.uniform();
            (0..4).map(|_| if in_step { one } else { noise.uniform() }).collect::<Vec<f64>>()
        };
        let (starts_a, starts_b) = (starts(), starts());
        let from_a = drawn.pairs(drawn.off, &starts_a, noise);
        let from_b = drawn.pairs(-drawn.off, &starts_b, noise);
        places_off(&from_a, &from_b, drawn.bars + count_off)
    }

    /// Bars of any shape in scans of which the drum takes an end or a beginning, with a count that is off.
    #[track_caller]
    fn check_drawn(bars: (f64, f64), off: f64, most_u: f64) {
        let mut noise = Noise::new(3);
        let (trials, mut held) = (60, 0);
        for trial in 0..trials {
            let between = |(low, high): (f64, f64), share: f64| low + (high - low) * share;
            let drawn = Drawn {
                bars: between(bars, noise.uniform()),
                off,
                cut: (between((0.9, 1.5), noise.uniform()), between((0.03, 0.3), noise.uniform())),
                seen: [[(0.02, 0.98), (0.08, 0.98)], [(0.02, 0.93), (0.02, 0.87)]][trial % 2],
            };
            let found = seen(&drawn, trial % 3 == 0, 0.03 * (noise.uniform() - 0.5), &mut noise).unwrap();
            // Half a bar late is half a bar early.
            let from = off - wrapped(off - found.off.value);
            let half = found.off.interval.high - found.off.value;
            held += i32::from((from - off).abs() <= half);
            assert!(found.off.standard_uncertainty < most_u, "{bars:?}: {:?}", found.off);
            for bar in &found.first {
                let late = drawn.bars * (bar.seen - bar.predicted);
                assert!(wrapped(late - off).abs() < 0.1, "{bars:?}: {bar:?}");
                assert!((0.0..1.0 / (drawn.bars - 0.02)).contains(&bar.predicted), "{bars:?}: {bar:?}");
            }
        }
        assert!(held >= 55, "{bars:?}, {off}: {held} of {trials}");
    }

    #[test]
    fn bars_out_of_place_are_found_whatever_the_count_is_off() {
        for off in [0.0, 0.1, -0.35, 0.49] {
            check_drawn((0.95, 1.2), off, 0.05);
            check_drawn((1.2, 4.0), off, 0.01);
            check_drawn((4.0, 13.0), off, 0.005);
        }
    }

    #[test]
    fn bars_that_do_not_go_on_have_no_place() {
        let mut noise = Noise::new(5);
        let drawn = Drawn { bars: 3.0, off: 0.0, cut: (1.2, 0.03), seen: [(0.02, 0.98), (0.02, 0.98)] };
        // The count is off by more than tells one bar from the next.
        assert!(matches!(seen(&drawn, false, 0.2, &mut noise), Err(MeasureError::NotSteady { .. })));
        assert!(matches!(
            seen(&Drawn { bars: 0.6, ..drawn }, false, 0.0, &mut noise),
            Err(MeasureError::TooShort { .. })
        ));
        // The second scan is another one in each capture.
        let mut pairs = |steps: [f64; 4]| {
            steps.iter().flat_map(|step| drawn.pairs(*step, &[0.3], &mut noise)).collect::<Vec<ScanPair>>()
        };
        let (any, even) = (pairs([0.1, 0.35, 0.6, 0.85]), pairs([0.0; 4]));
        assert!(matches!(places_off(&any, &even, 3.0), Err(MeasureError::NotSteady { .. })));
        assert!(matches!(places_off(&even, &any, 3.0), Err(MeasureError::NotSteady { .. })));
        assert!(matches!(places_off(&even[..1], &even, 3.0), Err(MeasureError::TooShort { .. })));
        assert!(places_off(&even, &even, 3.0).unwrap().off.value.abs() < 0.01);
    }

    /// What is left out before a position leaves the other levels where they were.
    #[test]
    fn a_scan_that_begins_late_keeps_its_places() {
        let level_v: Vec<f64> = (0..10).map(f64::from).collect();
        let scan = ScanCourse { level_v, from: 0.05, to: 0.95 };
        for (start, first, from) in [(-0.2, 0.0, 0.05), (0.0, 0.0, 0.05), (0.2, 2.0, 0.25), (0.21, 3.0, 0.35)] {
            let cut = scan.clone().after(start);
            assert_eq!((cut.level_v[0], cut.level_v.len()), (first, 10 - first as usize));
            assert!((cut.from - from).abs() < 1e-12 && cut.to == 0.95, "{cut:?}");
        }
    }
}
