//! What a head beside its track reads, turned round: from the levels at both sides to the place and the contact.

use super::off_track::End;
use crate::beside::WIDER;
use crate::curve::{Segments, mean};
use tapewright_formats::definitions::{MIDDLE, SEGMENTS};

/// What neighbouring tracks add to a level at a side, by their azimuth, over the level at centre (computed for
/// the crossed azimuth of the formats of the table at 0.4 of overlap: at most this). Their power counts, so that a lower level
/// gains more, in inverse proportion.
pub(super) const NEIGHBOURS: f64 = 0.005;

/// Level at the side where they add as much.
const NEIGHBOURS_AT: f64 = 0.6;

/// How far a reach that the sides' distance tells may be wrong, in pitches: tracking that settles, pulses that jitter, and a
/// centre that was missed (a guess, no source).
const TOLD: f64 = 0.05;

/// Within this much of the place where the level of one side rises again, a segment may lie beyond it, in pitches: the first for
/// a head as wide as its track, where both places come together so that levels say little (computed: at sides of 60 % a head that
/// lies 0.64 aside is found at 0.53), the other for a wide one, which reads both tracks of its azimuth alike there, and a guide
/// beyond its limit bends its end by that much from segment to segment (computed).
const NEAR_FOLD: (f64, f64) = (0.09, 0.18);

/// Greatest reach that is looked for: a head of two tracks.
pub(super) const MOST_REACH: f64 = 1.5;

/// Steps of a bisection: below the rounding of what is measured.
const HALVINGS: usize = 48;

/// What the next track of a head's own azimuth adds to the level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Same {
    /// Nothing: the head does not reach it.
    Nothing,
    /// Its power.
    Power,
    /// Its amplitude: the crest of the beat, which is what a reading by peaks may show.
    Crest,
}

/// Everything that the arithmetic stands on, so that it can be moved by each uncertainty.
#[derive(Clone, Copy)]
pub(super) struct Levels {
    pub(super) plus: Segments,
    pub(super) minus: Segments,
    pub(super) centre: f64,
    pub(super) reach: f64,
    /// How the next track of the head's own azimuth counts.
    pub(super) same: Same,
    /// Segments that may lie beyond the fold lie there.
    pub(super) beyond: bool,
    /// Segments that lack so much at centre that they may lie beyond it, if they are near.
    pub(super) lacking: [bool; SEGMENTS],
}

pub(super) struct Solved {
    pub(super) place: Segments,
    pub(super) contact: Segments,
    /// Segments that may lie beyond the fold as well: what is stated reaches as far.
    pub(super) may_beyond: [bool; SEGMENTS],
}

impl Levels {
    /// Level of a head so far aside, over that at centre.
    pub(super) fn overlap(&self, x: f64) -> f64 {
        let of = |x: f64| (self.reach - x.abs()).clamp(0.0, 1.0);
        let (own, next) = (of(x), of(2.0 - x.abs()));
        match self.same {
            Same::Nothing => own,
            Same::Power => own.hypot(next),
            Same::Crest => own + next,
        }
    }

    /// How far aside the middle lies where it keeps this level.
    pub(super) fn aside(&self, level: f64) -> f64 {
        if self.same == Same::Nothing {
            return self.reach - level;
        }
        bisect(0.0, 1.0, |x| self.overlap(x) < level)
    }

    /// What the greatest of the three levels is at the least, over that at centre, wherever a head of whole contact lies: looked for
    /// at so many places from its track to the next one of its azimuth.
    pub(super) fn least_of_greatest(&self, places: u32) -> f64 {
        let (r_plus, r_minus) = self.shares();
        let (d_plus, d_minus) = (self.aside(r_plus), self.aside(r_minus));
        let greatest = |x: f64| [x, x + d_plus, x - d_minus].map(|x| self.overlap(x)).into_iter().fold(0.0, f64::max);
        (0..=places).map(|n| greatest(2.0 * f64::from(n) / f64::from(places))).fold(f64::MAX, f64::min)
    }

    fn shares(&self) -> (f64, f64) {
        (mean(&self.plus[MIDDLE]) / self.centre, mean(&self.minus[MIDDLE]) / self.centre)
    }

    /// With the reach that makes the sides so far apart. A head narrower than its track counts as wide as it.
    pub(super) fn apart_by(&self, apart: f64) -> Self {
        let (r_plus, r_minus) = self.shares();
        let of = |reach: f64| Self { reach, ..*self };
        let reach = bisect(1.0, MOST_REACH, |reach| of(reach).aside(r_plus) + of(reach).aside(r_minus) > apart);
        of(reach)
    }

    pub(super) fn solve(&self) -> Solved {
        let (r_plus, r_minus) = self.shares();
        let (d_plus, d_minus) = (self.aside(r_plus), self.aside(r_minus));
        // Beyond these places the level of one side rises again.
        let (low, high) = if self.same == Same::Nothing { (-r_minus, r_plus) } else { (d_minus - 1.0, 1.0 - d_plus) };
        let of = |k: usize| (self.plus[k].max(0.0) / self.centre, self.minus[k].max(0.0) / self.centre);
        let over = |k: usize, e: f64| {
            let (a, b) = of(k);
            a * self.overlap(e - d_minus) - b * self.overlap(e + d_plus) > 0.0
        };
        let mut place: Segments = core::array::from_fn(|k| bisect(low, high, |e| over(k, e)));
        let wide = (2.0 * (self.reach - 1.0)).clamp(NEAR_FOLD.0, NEAR_FOLD.1);
        let may = |k: usize| {
            let near = if self.lacking[k] { NEAR_FOLD.1 } else { wide };
            place[k] - low < near || high - place[k] < near
        };
        let mut may_beyond = [false; SEGMENTS];
        // A path bends evenly: once it may be beyond, all further out may be.
        (0..MIDDLE.start).rev().skip_while(|k| !may(*k)).for_each(|k| may_beyond[k] = true);
        (MIDDLE.end..SEGMENTS).skip_while(|k| !may(*k)).for_each(|k| may_beyond[k] = true);
        for k in (0..SEGMENTS).filter(|k| self.beyond && may_beyond[*k]) {
            place[k] =
                if place[k] < 0.0 { bisect(-1.0, low, |e| !over(k, e)) } else { bisect(high, 1.0, |e| !over(k, e)) };
        }
        let contact = core::array::from_fn(|k| {
            let (a, b) = of(k);
            let both = self.overlap(place[k] + d_plus) + self.overlap(place[k] - d_minus);
            if both > 0.0 { (a + b) / both } else { 0.0 }
        });
        Solved { place, contact, may_beyond }
    }

    /// What a head of another width would have shown: wider by what none can be seen to be, as wide as the sides' distance
    /// tells within its error, and with the ends beyond the fold.
    pub(super) fn of_other_widths(&self) -> [(&'static str, Self); 5] {
        [
            ("head wider than its track", Self { reach: self.reach + WIDER, same: Same::Nothing, ..*self }),
            ("width told too great", Self { reach: (self.reach - TOLD).max(1.0), ..*self }),
            ("width told too small", Self { reach: if self.reach > 1.0 { self.reach + TOLD } else { 1.0 }, ..*self }),
            ("beat with the next track of the same azimuth", Self { same: Same::Crest, ..*self }),
            ("next track of the same azimuth", Self { beyond: true, ..*self }),
        ]
    }

    /// Without what neighbouring tracks add at the most.
    pub(super) fn without_neighbours(&self) -> Self {
        let less = |level: f64| {
            let share = (level / self.centre).max(0.1);
            level - self.centre * NEIGHBOURS * NEIGHBOURS_AT / share
        };
        Self { plus: self.plus.map(less), minus: self.minus.map(less), ..*self }
    }

    /// Height error of an end, in pitches.
    pub(super) fn height(&self, of: End) -> f64 {
        let place = self.solve().place;
        mean(&place[of.segments()]) - mean(&place[MIDDLE])
    }
}

/// Where a condition that holds from some place on begins to hold.
fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if holds(middle) { high = middle } else { low = middle }
    }
    0.5 * (low + high)
}
