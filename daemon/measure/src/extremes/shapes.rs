//! The simple shapes that change smoothly along a scan.

use super::Segments;
use tapewright_formats::definitions::SEGMENTS;

/// Most terms of a shape.
pub(super) const TERMS: usize = 6;

/// Columns of one simple shape; the first so many are used.
#[derive(Clone, Copy)]
pub(super) struct Shape {
    pub(super) columns: [Segments; TERMS],
    pub(super) terms: usize,
    /// How many shapes of this kind there are: each gets its share of the kind's weight.
    pub(super) kin: f64,
    pub(super) bends: Option<Bends>,
}

/// Where a level part bends, in segments from the end that it bends towards.
#[derive(Clone, Copy)]
pub(super) struct Bends {
    pub(super) entrance: Option<f64>,
    pub(super) exit: Option<f64>,
    pub(super) powers: &'static [i32],
    /// Segments from the end at which the bend levels off; 0: it does not.
    pub(super) level: f64,
}

/// What a bend is made of.
const POWERS: [&[i32]; 3] = [&[1], &[2], &[1, 2]];

/// Single bends at one end, of which each has its share of the kind's weight: 26 places, three makes.
pub(super) const SINGLE: f64 = 78.0;

/// Bends at both ends: some thirty pairs of places, three makes, and less likely than a bend at one end (by trial).
pub(super) const DOUBLE: f64 = 300.0;

/// Single bends at one end that level off: 57 pairs of places a segment apart, of two makes.
pub(super) const LEVELLED: f64 = 114.0;

/// Places of two bends at once, in segments from the end; a single bend is tried every half segment.
const KNOTS: [f64; 6] = [2.0, 3.5, 5.0, 7.0, 9.0, 12.0];

const LAST: f64 = (SEGMENTS - 1) as f64;

/// Mean of `(knot - max(place, level))^power`, 0 beyond the knot, from one place to another: a segment's level is the mean over
/// its width, and where a head leaves its track the curve may bend within it by many times the segment's error.
fn mean_of_bend(from: f64, to: f64, knot: f64, level: f64, power: i32) -> f64 {
    let rest = |place: f64| (knot - place.max(level)).max(0.0);
    let levelled = (to.min(level) - from).max(0.0) * rest(level).powi(power);
    let bends = (rest(from).powi(power + 1) - rest(to).powi(power + 1)) / f64::from(power + 1);
    (levelled + bends) / (to - from)
}

pub(super) fn bent(bends: Bends, kin: f64) -> Option<Shape> {
    let mut columns = [[1.0; SEGMENTS]; TERMS];
    let mut terms = 1;
    for (knot, from_exit) in [(bends.entrance, false), (bends.exit, true)] {
        let Some(knot) = knot else { continue };
        if !(knot > 1.0 && knot < LAST) {
            return None;
        }
        // The last segment's outer end lies half a segment beyond its middle.
        let level = if bends.level > 0.0 { bends.level } else { -0.5 };
        for power in bends.powers {
            columns[terms] = core::array::from_fn(|k| {
                let place = if from_exit { LAST - k as f64 } else { k as f64 };
                mean_of_bend(place - 0.5, place + 0.5, knot, level, *power) / knot.powi(*power)
            });
            terms += 1;
        }
    }
    Some(Shape { columns, terms, kin, bends: Some(bends) })
}

/// Every simple shape.
pub(super) fn shapes() -> Vec<Shape> {
    let mut out = Vec::with_capacity(520);
    let x = |k: usize| 2.0 * k as f64 / LAST - 1.0;
    let columns: [Segments; TERMS] = core::array::from_fn(|p| core::array::from_fn(|k| x(k).powi(p as i32)));
    out.extend((1..=TERMS).map(|terms| Shape { columns, terms, kin: 1.0, bends: None }));
    for half in 3..=28 {
        let knot = Some(0.5 * f64::from(half));
        for powers in POWERS {
            out.extend(bent(Bends { entrance: knot, exit: None, powers, level: 0.0 }, SINGLE));
            out.extend(bent(Bends { entrance: None, exit: knot, powers, level: 0.0 }, SINGLE));
        }
    }
    for level in 1..=6 {
        for knot in level + 2..=14 {
            let (level, knot) = (f64::from(level), Some(f64::from(knot)));
            for powers in [POWERS[0], POWERS[1]] {
                out.extend(bent(Bends { entrance: knot, exit: None, powers, level }, LEVELLED));
                out.extend(bent(Bends { entrance: None, exit: knot, powers, level }, LEVELLED));
            }
        }
    }
    for entrance in KNOTS {
        for exit in KNOTS {
            if entrance + exit <= LAST {
                let bends = |powers| Bends { entrance: Some(entrance), exit: Some(exit), powers, level: 0.0 };
                out.extend(POWERS.into_iter().filter_map(|powers| bent(bends(powers), DOUBLE)));
            }
        }
    }
    out
}
