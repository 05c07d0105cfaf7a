//! What can be told where noise hides an end of the scan: how much is kept there at the most.

use super::off_track::{End, UNTOLD, square};
use super::overlap::Levels;
use super::{LeastContact, Places, smoothed};
use crate::curve::{HeadCurve, Segments};
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use core::array;
use core::ops::Range;
use tapewright_formats::definitions::SEGMENTS;

/// Places at which a head is looked for, over two pitches: from there on tracks of its azimuth come again.
const PLACES: u32 = 200;

/// What a head narrower than its track, or with a reading that was moved, may read less than computed (a guess, no source).
const LESS: f64 = 0.8;

/// Standard uncertainties that a level may lie above what was read.
const ABOVE: f64 = 2.0;

/// Whether noise hides an end at both sides.
pub(super) fn hidden_at_sides(levels: &Levels, places: &Places<'_>, end: End) -> bool {
    let contact = levels.solve().contact;
    end.segments().any(|k| {
        let u = (square(places.plus, k) + square(places.minus, k)).sqrt();
        u >= UNTOLD * contact[k] * levels.centre
    })
}

/// The least contact along the scan, at the most: in the segments that are told it is what both sides say; in the others no more
/// than the greatest of the three levels over what the head would read of whole contact at one of the three positions at least,
/// wherever it lies. None where that leaves whole contact.
pub(super) fn contact_at_most(
    levels: &Levels,
    places: &Places<'_>,
    told: &Range<usize>,
) -> Result<Option<LeastContact>, MeasureError> {
    let contact = levels.solve().contact;
    let over = levels.centre * LESS * levels.least_of_greatest(PLACES);
    let above = |of: &HeadCurve, k: usize| of.median_v[k].max(0.0) + ABOVE * square(of, k).sqrt();
    let all = [places.centre, places.plus, places.minus];
    let wherever = |k: usize| all.map(|of| above(of, k)).into_iter().fold(0.0, f64::max) / over;
    let by_sides = |k: usize| {
        let u = (square(places.plus, k) + square(places.minus, k)).sqrt();
        contact[k] + ABOVE * u / levels.centre
    };
    let most: Segments = array::from_fn(|k| if told.contains(&k) { by_sides(k) } else { wherever(k) });
    let most = smoothed(&most);
    let at = (0..SEGMENTS).fold(0, |least, k| if most[k] < most[least] { k } else { least });
    let shape_u = places.plus.shape_u.max(places.minus.shape_u);
    let high = most[at] * (1.0 + ABOVE * shape_u);
    if high >= 1.0 {
        return Ok(None);
    }
    // Anything from nothing on.
    let between = Contribution::rectangular("anything up to the most that may be kept", 0.5 * high);
    let u = between.standard_uncertainty;
    let kept = Estimate::with_interval(0.5 * high, 0.0, high, u, None, vec![between])?;
    Ok(Some(LeastContact { kept, at, at_most: true }))
}
