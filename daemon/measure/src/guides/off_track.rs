//! An end that has left its track.
//!
//! Levels at two places give a place and a contact whatever they are: also where the head lies beside its track at both, or reads
//! the next one of its azimuth, two pitches away. The third level, at centre, says whether it is so. From a segment's place `e`
//! and contact `g` it must be `g o(e)`; off the track less is read, since there the head has left it by more than at one of the
//! sides. Dirt takes as much from all three, so that it does not count here as long as noise leaves something to tell.
//!
//! Where dirt or a lifted tape takes so much that noise hides the rest, nothing fits either, and nothing is known of the guide: that
//! is no end off its track. Off it, half a pitch and more, the head comes nearer to a track of its azimuth at one of the sides, which
//! are less than a pitch away: so a side must read more than centre, by more than noise makes.
//!
//! How much is lacking, over `g`, for a head as wide as its track with sides at 60 % (computed): 0.02 at 0.6 pitches, 0.07 at 0.65,
//! 0.14 at 0.7, 0.26 at 0.75, 0.94 at a whole pitch. For heads of 1.2, 1.4 and 1.6 tracks 0.3, 0.5 and 0.5 at 0.65 pitches, and from
//! there on more. But those lack 0.03, 0.2 and 0.3 at half a pitch already, where the interval of the height reaches as far as the
//! head may lie; and 0.15 more where a reading by peaks shows the crest of its beat with the next track. What simulated machines
//! with guides within half a pitch lack: 0.04 at most for heads as wide as their tracks, 0.35 for wide ones near the fold, 0.1
//! elsewhere.
//!
//! Two pitches aside everything fits again. So a path is followed outward from the middle, and what lies beyond the first segment
//! that does not fit is off as well.

use super::Places;
use super::overlap::{Levels, MOST_REACH, Solved};
use crate::curve::{HeadCurve, Segments};
use core::ops::Range;
use core::{array, fmt};
use tapewright_formats::UnableCode;
use tapewright_formats::definitions::{ENTRANCE, EXIT, MIDDLE, SEGMENTS};

/// What may be lacking at centre, over the contact: of a head up to `WIDER_THAN` in reach, and how much more for each pitch of it.
const MOST_LACK: (f64, f64) = (0.07, 3.4);
const WIDER_THAN: f64 = 1.04;

/// However wide the head: where it lies before the fold, and where what is stated reaches beyond the fold too.
const MOST_HERE: f64 = 0.3;
const MOST_BEYOND: f64 = 0.5;

/// From this on so much is lacking that a segment near the fold may lie beyond it.
const LACKING: f64 = 0.036;

/// More than this too much at centre fits no place either.
const TOO_MUCH: f64 = 0.3;

/// From this on more is read at centre than noise makes, by a head narrower than its track: one of 0.9 tracks has 0.04, one of 0.8
/// 0.1, less where places are small. Their places come out too great by 0.11 and 0.25 of themselves (computed).
const NARROWER: f64 = 0.025;
const TOO_GREAT: (f64, f64) = (0.25, 3.0);

/// With this as the standard uncertainty of what is lacking, noise tells nothing of it (common practice, no source).
pub(super) const UNTOLD: f64 = 0.2;

/// Standard uncertainties by which an end must be found off its track, and a side to read more than centre, before that is no
/// noise (common practice, no source).
const SURE: f64 = 3.0;

/// The same for a side that reads more than centre in a single segment: any of a dozen may, by chance.
const ALONE: f64 = 5.0;

/// Up to this standard uncertainty of what is lacking noise moves no segment over a limit that it is far from (a guess, no source).
const QUIET: f64 = 0.02;

/// No path that stays on its track bends by more from one segment to the next, in pitches (computed: half a pitch at the end bends
/// by 0.13).
const JUMP: f64 = 0.35;

/// A path that comes this far aside where it is still told, and to the other side nowhere as far as the second, lies on that side
/// beyond, in pitches (common practice, no source).
const LEANS: f64 = 0.2;
const AGAINST: f64 = 0.05;

/// An end of the scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// Where the head meets the tape.
    Entrance,
    /// Where it leaves it.
    Exit,
}

impl End {
    /// Its segments.
    pub(super) const fn segments(self) -> Range<usize> {
        match self {
            Self::Entrance => ENTRANCE,
            Self::Exit => EXIT,
        }
    }

    /// The segments from the middle to it.
    pub(super) fn outward(self) -> Vec<usize> {
        match self {
            Self::Entrance => (0..MIDDLE.start).rev().collect(),
            Self::Exit => (MIDDLE.end..SEGMENTS).collect(),
        }
    }
}

impl fmt::Display for End {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Entrance => "entrance",
            Self::Exit => "exit",
        })
    }
}

/// Why no height of an end is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Untold {
    /// It has left its track, so that nothing tells the contact along the scan either.
    #[error(transparent)]
    OffTrack(#[from] OffTrack),
    /// Too little is read there to tell where it lies, on its track or off: no contact, or too much noise.
    #[error(
        "the {0} end of the scan is hidden by noise: at all three tracking positions too little is read there to tell where it lies, so \
         that nothing is known of the {0} guide"
    )]
    Hidden(End),
}

impl Untold {
    /// Whether the guide there stands low, where that is known.
    #[must_use]
    pub const fn low(&self) -> Option<bool> {
        match self {
            Self::OffTrack(off) => off.low,
            Self::Hidden(_) => None,
        }
    }

    /// The code of `unable` that this becomes in a verdict.
    #[must_use]
    pub const fn code(&self) -> UnableCode {
        match self {
            Self::OffTrack(_) => UnableCode::NotPossible,
            Self::Hidden(_) => UnableCode::InNoise,
        }
    }
}

/// That an end has left its track.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "the {end} end of the scan has left its track: its levels at the three tracking positions fit no place on it, whatever the contact"
)]
pub struct OffTrack {
    /// Which end.
    pub end: End,
    /// Whether the guide there stands low, where the path on the way there leans that way for sure; none: nothing tells.
    pub low: Option<bool>,
}

/// What the levels at centre lack of what place and contact say, over the contact.
pub(super) struct AtCentre {
    lack: Segments,
    u: Segments,
    /// A side reads more than centre for sure, as off the track one does.
    side_leads: [bool; SEGMENTS],
}

impl AtCentre {
    pub(super) fn of(levels: &Levels, solved: &Solved, places: &Places<'_>) -> Self {
        let over = solved.contact.map(|contact| (contact * levels.centre).max(f64::MIN_POSITIVE));
        let all = [places.centre, places.plus, places.minus];
        let leads = |side: &HeadCurve, k: usize, by: f64| {
            let lead_v = side.median_v[k] - places.centre.median_v[k];
            lead_v > by * (square(side, k) + square(places.centre, k)).sqrt()
        };
        let leads_surely = |side: &HeadCurve, k: usize| {
            let beside = |k: usize| k < SEGMENTS && leads(side, k, SURE);
            leads(side, k, ALONE) || (beside(k) && (beside(k + 1) || k.checked_sub(1).is_some_and(beside)))
        };
        Self {
            lack: array::from_fn(|k| levels.overlap(solved.place[k]) - places.centre.median_v[k] / over[k]),
            // The contact is the mean of both sides, which lie at 60 %: its error is about that of one of them.
            u: array::from_fn(|k| all.map(|of| square(of, k)).iter().sum::<f64>().sqrt() / over[k]),
            side_leads: array::from_fn(|k| [places.plus, places.minus].iter().any(|side| leads_surely(side, k))),
        }
    }

    /// Segments that may lie beyond the fold, if they are near it.
    pub(super) fn lacking(&self) -> [bool; SEGMENTS] {
        array::from_fn(|k| self.lack[k] > LACKING)
    }

    /// By how much of themselves places of an end may be told too great, since the head is narrower than its track: then more is
    /// read at centre.
    pub(super) fn narrower(&self, end: End, reach: f64) -> f64 {
        let most = end.segments().map(|k| -self.lack[k] - 2.0 * self.u[k]).fold(0.0, f64::max);
        if reach < WIDER_THAN && most > NARROWER { TOO_GREAT.0.max(TOO_GREAT.1 * most) } else { 0.0 }
    }

    /// Whether noise hides where a segment lies.
    fn hides(&self, k: usize) -> bool {
        self.u[k] >= UNTOLD
    }

    /// Whether a segment's place and contact hold at centre too, by so many standard uncertainties; or, where it may lie beyond the
    /// fold, those there.
    fn fits(&self, k: usize, within: f64, reach: f64, beyond: Option<&Self>) -> bool {
        let (lack, u) = (self.lack[k], within * self.u[k]);
        let wide = MOST_LACK.0 + MOST_LACK.1 * (reach - WIDER_THAN).max(0.0);
        let holds = |most: f64| lack < wide.min(most) + u;
        let there = |beyond: &Self| holds(MOST_BEYOND) && beyond.lack[k].abs() < TOO_MUCH + 2.0 * u;
        !self.hides(k) && -lack < TOO_MUCH + 2.0 * u && (holds(MOST_HERE) || beyond.is_some_and(there))
    }
}

/// Square of what noise and what all segments share make of a level, as a standard uncertainty.
pub(super) fn square(of: &HeadCurve, k: usize) -> f64 {
    let shared = of.shared.iter().map(|cause| cause.by_v[k].powi(2)).sum::<f64>();
    of.standard_error_v[k].powi(2) + shared
}

/// Why an end is not told, and the first segment from the middle on that is not; none: it lies on its track.
pub(super) fn untold(levels: &Levels, places: &Places<'_>, end: End) -> Option<(Untold, usize)> {
    let solved = levels.solve();
    let here = AtCentre::of(levels, &solved, places);
    let beyond = Levels { beyond: true, ..*levels };
    let beyond = AtCentre::of(&beyond, &beyond.solve(), places);
    let outward = end.outward();
    // Where nothing tells how wide the head is, it may be as wide as any.
    let reach = places.apart.map_or(MOST_REACH, |_| levels.reach);
    let place = |i: usize| solved.place[outward[i]];
    let jumps = |i: usize, most: f64| i > 0 && (place(i) - place(i - 1)).abs() > most;
    let fits = |i: usize, within: f64| {
        let k = outward[i];
        here.fits(k, within, reach, Some(&beyond).filter(|_| solved.may_beyond[k]))
    };
    let first = (0..outward.len()).find(|i| jumps(*i, JUMP) || !fits(*i, 1.0))?;
    let is_off = |i: usize| {
        let k = outward[i];
        // What noise hides has no place that another could lie far from.
        let jumps = |before: usize| !here.hides(before) && jumps(i, JUMP + SURE * here.u[k].hypot(here.u[before]));
        let within = if here.u[k] > QUIET { SURE } else { 1.0 };
        !here.hides(k)
            && here.side_leads[k]
            && (!fits(i, within) || i.checked_sub(1).is_some_and(|i| jumps(outward[i])))
    };
    let why = if (first..outward.len()).any(is_off) {
        Untold::OffTrack(OffTrack { end, low: lean((0..first).map(place)) })
    } else {
        Untold::Hidden(end)
    };
    Some((why, outward[first]))
}

/// Which way a path leans that is told so far, from the middle on: positive is low.
fn lean(told: impl Iterator<Item = f64> + Clone) -> Option<bool> {
    let greatest = told.clone().fold(0.0, |most: f64, at| if at.abs() > most.abs() { at } else { most });
    let against = told.filter(|at| at * greatest < 0.0).fold(0.0, |most: f64, at| most.max(at.abs()));
    (greatest.abs() >= LEANS && against < AGAINST).then_some(greatest > 0.0)
}
