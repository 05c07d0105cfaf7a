//! An end that has left its track.
//!
//! Levels at two places give a place and a contact whatever they are: also where the head lies beside its track at both, or reads
//! the next one of its azimuth, two pitches away. The third level, at centre, says whether it is so. From a segment's place `e`
//! and contact `g` it must be `g o(e)`; off the track less is read, since there the head has left it by more than at one of the
//! sides. Dirt takes as much from all three, so that it does not count here however deep it is.
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
const UNTOLD: f64 = 0.2;

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
}

impl fmt::Display for End {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Entrance => "entrance",
            Self::Exit => "exit",
        })
    }
}

/// Why no height of an end is told, nor the contact along the scan.
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

impl OffTrack {
    /// The code of `unable` that this becomes in a verdict.
    #[must_use]
    pub const fn code(&self) -> UnableCode {
        UnableCode::NotPossible
    }
}

/// What the levels at centre lack of what place and contact say, over the contact.
pub(super) struct AtCentre {
    lack: Segments,
    u: Segments,
}

impl AtCentre {
    pub(super) fn of(levels: &Levels, solved: &Solved, places: &Places<'_>) -> Self {
        let over = solved.contact.map(|contact| (contact * levels.centre).max(f64::MIN_POSITIVE));
        let square = |of: &HeadCurve, k: usize| {
            let shared = of.shared.iter().map(|cause| cause.by_v[k].powi(2)).sum::<f64>();
            of.standard_error_v[k].powi(2) + shared
        };
        let all = [places.centre, places.plus, places.minus];
        Self {
            lack: array::from_fn(|k| levels.overlap(solved.place[k]) - places.centre.median_v[k] / over[k]),
            // The contact is the mean of both sides, which lie at 60 %: its error is about that of one of them.
            u: array::from_fn(|k| all.map(|of| square(of, k)).iter().sum::<f64>().sqrt() / over[k]),
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

    /// Whether a segment's place and contact hold at centre too; or, where it may lie beyond the fold, those there.
    fn fits(&self, k: usize, reach: f64, beyond: Option<&Self>) -> bool {
        let (lack, u) = (self.lack[k], self.u[k]);
        let wide = MOST_LACK.0 + MOST_LACK.1 * (reach - WIDER_THAN).max(0.0);
        let holds = |most: f64| lack < wide.min(most) + u;
        let there = |beyond: &Self| holds(MOST_BEYOND) && beyond.lack[k].abs() < TOO_MUCH + 2.0 * u;
        u < UNTOLD && -lack < TOO_MUCH + 2.0 * u && (holds(MOST_HERE) || beyond.is_some_and(there))
    }
}

/// Whether an end has left its track.
pub(super) fn off_track(levels: &Levels, places: &Places<'_>, end: End) -> Option<OffTrack> {
    let solved = levels.solve();
    let here = AtCentre::of(levels, &solved, places);
    let beyond = Levels { beyond: true, ..*levels };
    let beyond = AtCentre::of(&beyond, &beyond.solve(), places);
    let outward: Vec<usize> = match end {
        End::Entrance => (0..MIDDLE.start).rev().collect(),
        End::Exit => (MIDDLE.end..SEGMENTS).collect(),
    };
    // Where nothing tells how wide the head is, it may be as wide as any.
    let reach = places.apart.map_or(MOST_REACH, |_| levels.reach);
    let place = |i: usize| solved.place[outward[i]];
    let first = (0..outward.len()).find(|i| {
        let k = outward[*i];
        let jumps = *i > 0 && (place(*i) - place(i - 1)).abs() > JUMP;
        jumps || !here.fits(k, reach, Some(&beyond).filter(|_| solved.may_beyond[k]))
    })?;
    let low = lean((0..first).map(place));
    Some(OffTrack { end, low })
}

/// Which way a path leans that is told so far, from the middle on: positive is low.
fn lean(told: impl Iterator<Item = f64> + Clone) -> Option<bool> {
    let greatest = told.clone().fold(0.0, |most: f64, at| if at.abs() > most.abs() { at } else { most });
    let against = told.filter(|at| at * greatest < 0.0).fold(0.0, |most: f64, at| most.max(at.abs()));
    (greatest.abs() >= LEANS && against < AGAINST).then_some(greatest > 0.0)
}
