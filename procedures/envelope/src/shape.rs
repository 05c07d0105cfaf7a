//! Where a curve sags, and whether that is sure. Pure decisions on estimates.

use tapewright_sdk::formats::definitions::{ENTRANCE, EXIT, SEGMENTS};
use tapewright_sdk::measure::curve::{HeadCurve, Segments, entrance, exit, flatness};
use tapewright_sdk::prelude::*;

/// Where a curve sags.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Entrance,
    Exit,
    Middle,
}

impl Side {
    pub(crate) const ALL: [Self; 3] = [Self::Entrance, Self::Exit, Self::Middle];

    pub(crate) const fn text(self) -> &'static str {
        match self {
            Self::Entrance => "at the entrance side",
            Self::Exit => "at the exit side",
            Self::Middle => "in the middle",
        }
    }

    pub(crate) const fn finding(self) -> Finding {
        match self {
            Self::Entrance => Finding::EnvelopeEntranceSag,
            Self::Exit => Finding::EnvelopeExitSag,
            Self::Middle => Finding::EnvelopeMiddleSag,
        }
    }
}

/// The shape of one head's curve.
#[derive(Debug, Clone)]
pub(crate) struct Shape {
    pub(crate) flatness: Estimate,
    pub(crate) entrance: Estimate,
    pub(crate) exit: Estimate,
    /// Segment with the least level.
    pub(crate) least: usize,
}

/// An end counts as lower than the middle when its whole interval lies below this share of it.
/// Common practice, no source: half a decibel is within what heads do by themselves.
const LOWER: f64 = 0.95;

impl Shape {
    pub(crate) fn of(curve: &HeadCurve) -> Result<Self> {
        Ok(Self {
            flatness: flatness(curve)?,
            entrance: entrance(curve)?,
            exit: exit(curve)?,
            least: least_of(&curve.median_v),
        })
    }

    /// Surely not good: the whole interval lies below the limit.
    pub(crate) fn surely_sags(&self, good: f64) -> bool {
        self.flatness.interval.high < good
    }

    /// Surely good: the whole interval lies at or above the limit.
    pub(crate) fn surely_flat(&self, good: f64) -> bool {
        self.flatness.interval.low >= good
    }

    /// Where the curve is lower than elsewhere, as far as the intervals tell.
    pub(crate) fn sides(&self) -> Vec<Side> {
        let lower = |end: &Estimate| end.interval.high < LOWER;
        let mut sides = Vec::new();
        if lower(&self.entrance) {
            sides.push(Side::Entrance);
        }
        if lower(&self.exit) {
            sides.push(Side::Exit);
        }
        // A dip inside: the least level lies away from both ends, or both ends surely stand above the middle.
        let inside = (ENTRANCE.end + 1..EXIT.start - 1).contains(&self.least);
        let above = self.entrance.interval.low > 1.0 / LOWER && self.exit.interval.low > 1.0 / LOWER;
        if sides.is_empty() && (inside || above) {
            sides.push(Side::Middle);
        }
        sides
    }
}

fn least_of(levels: &Segments) -> usize {
    (0..SEGMENTS).fold(0, |least, k| if levels[k] < levels[least] { k } else { least })
}

/// Sides that both heads sag at, when at least one of them surely sags. A guide acts on both heads; what one head
/// shows alone is that head's.
pub(crate) fn common_sides(shapes: &[&Shape], good: f64) -> Vec<Side> {
    if !shapes.iter().any(|shape| shape.surely_sags(good)) {
        return Vec::new();
    }
    let sides: Vec<_> = shapes.iter().map(|shape| shape.sides()).collect();
    Side::ALL.into_iter().filter(|side| sides.iter().all(|of| of.contains(side))).collect()
}

/// What the tape's kind allows to be said about flatness.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Allowed {
    /// A true path: a sag is the machine's.
    Guides,
    /// Recorded on this path: flat on a bent one too, but a sag is a change since.
    OwnPath,
    /// Recorded on another path: a sag is the machine's or the tape's.
    Nothing,
}

impl Allowed {
    pub(crate) const fn by(tape: TapeKind) -> Self {
        match tape {
            TapeKind::Alignment => Self::Guides,
            TapeKind::Own => Self::OwnPath,
            TapeKind::Other | TapeKind::Unknown => Self::Nothing,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn about(value: f64) -> Estimate {
        Estimate::with_interval(value, value - 0.02, value + 0.02, 0.01, None, Vec::new()).unwrap()
    }

    fn shape(flatness: f64, entrance: f64, exit: f64, least: usize) -> Shape {
        Shape { flatness: about(flatness), entrance: about(entrance), exit: about(exit), least }
    }

    #[test]
    fn each_sag_has_its_side() {
        for (shape, want) in [
            (shape(0.95, 1.0, 0.99, 10), vec![Side::Middle]),
            (shape(0.60, 1.0, 0.7, 19), vec![Side::Exit]),
            (shape(0.60, 0.7, 1.0, 0), vec![Side::Entrance]),
            (shape(0.60, 0.7, 0.7, 0), vec![Side::Entrance, Side::Exit]),
            (shape(0.60, 1.0, 1.0, 10), vec![Side::Middle]),
            (shape(0.60, 1.5, 1.4, 10), vec![Side::Middle]),
            // A tilt: the exit is below the middle, the entrance above.
            (shape(0.65, 1.2, 0.8, 19), vec![Side::Exit]),
            // Not surely lower.
            (shape(0.90, 1.0, 0.94, 19), vec![]),
        ] {
            assert_eq!(shape.sides(), want, "{shape:?}");
        }
    }

    #[test]
    fn only_a_sure_sag_of_both_heads_is_the_paths() {
        let (flat, sags, other, near) =
            (shape(0.9, 1.0, 1.0, 19), shape(0.6, 1.0, 0.7, 19), shape(0.6, 0.7, 1.0, 0), shape(0.76, 1.0, 0.85, 19));
        for (shapes, want) in [
            (vec![&sags, &sags], vec![Side::Exit]),
            (vec![&sags, &near], vec![Side::Exit]),
            (vec![&near, &near], vec![]),
            (vec![&sags, &flat], vec![]),
            (vec![&sags, &other], vec![]),
            (vec![&flat, &flat], vec![]),
        ] {
            assert_eq!(common_sides(&shapes, 0.75), want, "{shapes:?}");
        }
    }

    #[test]
    fn only_an_alignment_tape_speaks_of_guides() {
        assert_eq!(Allowed::by(TapeKind::Alignment), Allowed::Guides);
        assert_eq!(Allowed::by(TapeKind::Own), Allowed::OwnPath);
        assert_eq!(Allowed::by(TapeKind::Other), Allowed::Nothing);
        assert_eq!(Allowed::by(TapeKind::Unknown), Allowed::Nothing);
    }
}
