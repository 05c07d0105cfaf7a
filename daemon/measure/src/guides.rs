//! Height errors of the guides and contact, from curves at three tracking positions.
//!
//! The definitions stand in [`tapewright_formats::definitions`]. A head beside its track reads what it
//! overlaps: `o(x) = s - |x|` pitches, between 0 and 1, with `s = (head width + track width) / 2` in pitches (1
//! for a head as wide as its track; first-order overlap model). From the levels of a segment on both sides,
//! over the level of the middle at centre, follow the place `e` (their ratio falls evenly with it) and the
//! contact `g = (a + b) / (o(e + d) + o(e - d))`. At the middle `e` is 0 by definition, which gives `d = s - r`
//! with the level `r` there. What a head or an amplifier does along the scan by itself counts as contact.

use crate::beside::WIDER;
use crate::curve::{HeadCurve, Segments, mean};
use crate::error::MeasureError;
use crate::estimate::{Contribution, Estimate};
use crate::special::normal_quantile;
use tapewright_formats::definitions::{ENTRANCE, EXIT, MIDDLE, SEGMENTS};

/// Level at a side over that at centre between which the sides tell. Below, noise and neighbouring tracks
/// count; above, a head that is a little wider than its track hides the place. Common practice, no source.
pub const SIDE_LEVEL: (f64, f64) = (0.35, 0.85);

/// How far the level at centre may lie from the greatest that tracking can reach (relative, a guess, no source).
const CENTRE_MISSED: f64 = 0.05;

/// What neighbouring tracks add to a level at a side, by their azimuth, over the level at centre (computed for
/// the crossed azimuth of the formats of the table at 0.4 of overlap: at most this). Their power counts, so that a lower level
/// gains more, in inverse proportion.
const NEIGHBOURS: f64 = 0.005;
/// Level at the side where they add as much.
const NEIGHBOURS_AT: f64 = 0.6;

/// Curves of one head at three tracking positions, in one set-up.
#[derive(Debug, Clone, Copy)]
pub struct Places<'a> {
    /// At tracking centre.
    pub centre: &'a HeadCurve,
    /// The head moved towards the track recorded next.
    pub plus: &'a HeadCurve,
    /// The head moved towards the track recorded before.
    pub minus: &'a HeadCurve,
}

/// What three tracking positions tell of one head's path.
#[derive(Debug, Clone, PartialEq)]
pub struct GuideErrors {
    /// Height error of the entrance, in micrometres; positive: low.
    pub entrance: Estimate,
    /// Height error of the exit, in micrometres; positive: low.
    pub exit: Estimate,
    /// Least contact along the scan (unit 1).
    pub contact: Estimate,
    /// Segment of the least contact.
    pub contact_at: usize,
    /// Place of the head along the scan, in micrometres.
    pub place_um: Segments,
    /// Contact along the scan (unit 1).
    pub contact_along: Segments,
}

/// Everything that the arithmetic stands on, so that it can be moved by each uncertainty.
#[derive(Clone, Copy)]
struct Levels {
    plus: Segments,
    minus: Segments,
    centre: f64,
    reach: f64,
}

struct Solved {
    place: Segments,
    contact: Segments,
}

impl Levels {
    fn solve(&self) -> Solved {
        let (r_plus, r_minus) = (mean(&self.plus[MIDDLE]) / self.centre, mean(&self.minus[MIDDLE]) / self.centre);
        let (d_plus, d_minus) = (self.reach - r_plus, self.reach - r_minus);
        let overlap = |x: f64| (self.reach - x.abs()).clamp(0.0, 1.0);
        let mut solved = Solved { place: [0.0; SEGMENTS], contact: [1.0; SEGMENTS] };
        for k in 0..SEGMENTS {
            let (a, b) = (self.plus[k].max(0.0) / self.centre, self.minus[k].max(0.0) / self.centre);
            let (mut low, mut high) = (-r_minus, r_plus);
            for _ in 0..48 {
                let e = 0.5 * (low + high);
                if a * overlap(e - d_minus) - b * overlap(e + d_plus) > 0.0 { high = e } else { low = e }
            }
            let e = 0.5 * (low + high);
            let both = overlap(e + d_plus) + overlap(e - d_minus);
            solved.place[k] = e;
            solved.contact[k] = if both > 0.0 { (a + b) / both } else { 0.0 };
        }
        solved
    }

    /// Without what neighbouring tracks add at the most.
    fn without_neighbours(&self) -> Self {
        let less = |level: f64| {
            let share = (level / self.centre).max(0.1);
            level - self.centre * NEIGHBOURS * NEIGHBOURS_AT / share
        };
        Self { plus: self.plus.map(less), minus: self.minus.map(less), ..*self }
    }

    fn ends(&self) -> (f64, f64) {
        let place = self.solve().place;
        let middle = mean(&place[MIDDLE]);
        (mean(&place[ENTRANCE]) - middle, mean(&place[EXIT]) - middle)
    }
}

fn smoothed(values: &Segments) -> Segments {
    core::array::from_fn(|k| mean(&values[k.saturating_sub(1)..(k + 2).min(SEGMENTS)]))
}

fn moved(values: &Segments, by: &Segments) -> Segments {
    core::array::from_fn(|k| values[k] + by[k])
}

/// Guide errors of one head. `pitch_um` is the recording's.
///
/// # Errors
/// [`MeasureError::InNoise`] without level at centre; [`MeasureError::BadParameter`] where a side's level is not
/// within [`SIDE_LEVEL`] of that at centre, or the pitch is none.
pub fn guide_errors(places: &Places<'_>, pitch_um: f64) -> Result<GuideErrors, MeasureError> {
    crate::error::positive("track pitch", pitch_um)?;
    let centre = mean(&places.centre.median_v[MIDDLE]);
    if centre <= 0.0 {
        return Err(MeasureError::InNoise { what: "level at tracking centre", detail: format!("{centre} V") });
    }
    for side in [places.plus, places.minus] {
        let share = mean(&side.median_v[MIDDLE]) / centre;
        if !(SIDE_LEVEL.0..=SIDE_LEVEL.1).contains(&share) {
            return Err(MeasureError::BadParameter {
                what: "level at a tracking side over that at centre",
                given: share,
                expected: "0.35 to 0.85, best about 0.6",
            });
        }
    }
    let levels = Levels { plus: places.plus.median_v, minus: places.minus.median_v, centre, reach: 1.0 };
    let solved = levels.solve();
    let (entrance, exit) = levels.ends();
    let place_um = solved.place.map(|e| e * pitch_um);
    let smooth = smoothed(&solved.contact);
    let contact_at = (0..SEGMENTS).fold(0, |least, k| if smooth[k] < smooth[least] { k } else { least });
    let contact = contact(places, &levels, smooth[contact_at], contact_at)?;
    Ok(GuideErrors {
        entrance: end(&levels, places, entrance, |(entrance, _)| entrance, pitch_um)?,
        exit: end(&levels, places, exit, |(_, exit)| exit, pitch_um)?,
        contact,
        contact_at,
        place_um,
        contact_along: solved.contact,
    })
}

/// One end's height error with what makes up its uncertainty: each input is moved by its own, and the
/// answer's move is the contribution.
fn end(
    levels: &Levels,
    places: &Places<'_>,
    value: f64,
    pick: impl Fn((f64, f64)) -> f64,
    pitch_um: f64,
) -> Result<Estimate, MeasureError> {
    let moves = |changed: Levels| (pick(changed.ends()) - value).abs() * pitch_um;
    let scatter = |of: &HeadCurve, put: &dyn Fn(Segments) -> Levels| {
        let mut square = 0.0;
        for k in 0..SEGMENTS {
            let mut by = [0.0; SEGMENTS];
            by[k] = of.standard_error_v[k];
            square += moves(put(moved(&of.median_v, &by))).powi(2);
        }
        square.sqrt()
    };
    let type_a = |name, u, of: &HeadCurve| Contribution {
        degrees_of_freedom: of.shape_dof,
        ..Contribution::type_a(name, u, 1.0)
    };
    let with_plus = |plus: Segments| Levels { plus, ..*levels };
    let with_minus = |minus: Segments| Levels { minus, ..*levels };
    let mut contributions = vec![
        type_a("scatter over frames, towards the next track", scatter(places.plus, &with_plus), places.plus),
        type_a("scatter over frames, towards the former track", scatter(places.minus, &with_minus), places.minus),
        Contribution::rectangular(
            "centre missed by the operator",
            moves(Levels { centre: levels.centre * (1.0 + CENTRE_MISSED), ..*levels }),
        ),
        Contribution::rectangular(
            "head wider than its track",
            moves(Levels { reach: levels.reach + WIDER, ..*levels }),
        ),
        Contribution::rectangular("neighbouring tracks", NEIGHBOURS * pitch_um),
    ];
    contributions.extend(by_cause(levels, places, moves));
    Estimate::combined(value * pitch_um, contributions)
}

/// What each cause that all segments share contributes: it moves both sides at once.
fn by_cause(levels: &Levels, places: &Places<'_>, moves: impl Fn(Levels) -> f64) -> Vec<Contribution> {
    let causes = places.plus.shared.iter().zip(&places.minus.shared);
    causes
        .map(|(plus, minus)| {
            let both =
                Levels { plus: moved(&levels.plus, &plus.by_v), minus: moved(&levels.minus, &minus.by_v), ..*levels };
            Contribution::type_b(plus.name, moves(both)).spread(plus.spread)
        })
        .collect()
}

/// The least contact.
fn contact(places: &Places<'_>, levels: &Levels, value: f64, at: usize) -> Result<Estimate, MeasureError> {
    let near = at.saturating_sub(1)..(at + 2).min(SEGMENTS);
    let relative = |of: &HeadCurve| {
        let n = near.len() as f64;
        let own = of.standard_error_v[near.clone()].iter().map(|u| u * u).sum::<f64>().sqrt() / n;
        own / mean(&of.median_v[MIDDLE]).max(f64::MIN_POSITIVE)
    };
    let scatter = 0.5 * value * relative(places.plus).hypot(relative(places.minus));
    let causes = by_cause(levels, places, |changed| (smoothed(&changed.solve().contact)[at] - value).abs());
    let shared = causes.iter().map(|cause| cause.standard_uncertainty.powi(2)).sum::<f64>().sqrt();
    let alone = (smoothed(&levels.without_neighbours().solve().contact)[at] - value).abs();
    let wider = (smoothed(&Levels { reach: levels.reach + WIDER, ..*levels }.solve().contact)[at] - value).abs();
    // Where nothing dips, the least of so many noisy values lies below what they all scatter about, by this many deviations of
    // one (G. Blom, 1958, from memory); neighbours share two of their three segments. What the corrections leave differs from segment
    // to segment as well.
    let smooth = smoothed(&levels.solve().contact);
    let spread = scatter.hypot(shared);
    let rivals = smooth.iter().filter(|other| **other - value < 2.0 * spread).count() as f64;
    let rivals = (rivals / 2.0).max(1.0);
    let lowered = spread * normal_quantile((rivals - 0.375) / (rivals + 0.25)).max(0.0);
    let value = value + lowered;
    let mut contributions = vec![
        Contribution {
            degrees_of_freedom: places.plus.shape_dof,
            ..Contribution::type_a("scatter over frames", scatter, 1.0)
        },
        Contribution::rectangular("least of noisy segments", lowered),
        Contribution::rectangular("head wider than its track", wider),
        Contribution::rectangular("neighbouring tracks", alone),
    ];
    contributions.extend(causes);
    let shape_u = places.plus.shape_u.max(places.minus.shape_u);
    if shape_u > 0.0 {
        contributions.push(Contribution::type_b("picture content", value * shape_u));
    }
    let hides = places.centre.colour.hides(value);
    Ok(Estimate::combined(value, contributions)?.or_lower("colour-under signal in a dip", hides)?.within(0.0, f64::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::ColourPart;
    use crate::curve::flatness;

    /// A head as wide as its track, on a bent path, with a contact of its own: straight from the overlap.
    fn curve(offset: f64, bend: impl Fn(f64) -> f64, contact: impl Fn(f64) -> f64) -> HeadCurve {
        let at = |k: usize| (k as f64 + 0.5) / SEGMENTS as f64;
        let level = |k: usize| 0.2 * contact(at(k)) * (1.0 - (offset + bend(at(k))).abs()).max(0.0);
        HeadCurve {
            median_v: core::array::from_fn(level),
            standard_error_v: [0.0005; SEGMENTS],
            shape_dof: Some(100.0),
            segment_dof: 20.0,
            mean_error_v: 0.0002,
            mean_dof: Some(7.0),
            shared: vec![crate::curve::Shared {
                name: "lift of noise",
                spread: crate::estimate::Spread::Normal,
                by_v: [0.0002; SEGMENTS],
                own: false,
            }],
            common: Vec::new(),
            of_head: Vec::new(),
            shape_u: 0.0,
            colour: ColourPart::beside_amplitude(0.316),
            noise_v: 0.002,
            frames: 8,
        }
    }

    fn bent(entrance: f64, exit: f64) -> impl Fn(f64) -> f64 + Copy {
        move |x: f64| {
            let fade = |share: f64| (1.0 - share / 0.4).max(0.0).powi(2);
            entrance * fade(x) + exit * fade(1.0 - x)
        }
    }

    #[track_caller]
    fn check(entrance: f64, exit: f64, dip: f64, sides: (f64, f64)) {
        const PITCH_UM: f64 = 58.0;
        let bend = bent(entrance, exit);
        let contact = move |x: f64| 1.0 - dip * (-((x - 0.85) / 0.07).powi(2) / 2.0).exp();
        let [centre, plus, minus] = [0.0, sides.0, -sides.1].map(|offset| curve(offset, bend, contact));
        let errors = guide_errors(&Places { centre: &centre, plus: &plus, minus: &minus }, PITCH_UM).unwrap();
        let truth = |range: core::ops::Range<usize>| {
            let n = range.len() as f64;
            range.map(|k| bend((k as f64 + 0.5) / SEGMENTS as f64)).sum::<f64>() / n * PITCH_UM
        };
        for (name, estimate, range) in [("entrance", &errors.entrance, ENTRANCE), ("exit", &errors.exit, EXIT)] {
            let want = truth(range) - truth(MIDDLE);
            let inside = estimate.interval.low <= want && want <= estimate.interval.high;
            assert!(inside && (estimate.value - want).abs() < 0.6, "{name}: {want} um, {estimate:?}");
        }
        let smooth = smoothed(&core::array::from_fn(|k| contact((k as f64 + 0.5) / SEGMENTS as f64)));
        let least = smooth.iter().fold(f64::MAX, |l, v| l.min(*v));
        assert!((errors.contact.value - least).abs() < 0.02, "{least}, {:?}", errors.contact);
    }

    #[test]
    fn a_tilt_that_mirrors_is_height_with_its_sign() {
        for (entrance, exit) in [(0.0, 0.0), (0.3, 0.0), (-0.3, 0.0), (0.0, 0.25), (0.1, -0.4), (0.5, 0.5)] {
            check(entrance, exit, 0.0, (0.4, 0.4));
        }
    }

    #[test]
    fn the_same_dip_on_both_sides_is_contact() {
        check(0.0, 0.0, 0.5, (0.4, 0.4));
        check(0.2, 0.0, 0.4, (0.4, 0.4));
        check(0.0, -0.2, 0.4, (0.4, 0.4));
    }

    /// A dip that keeps 0.64 of the carrier in a picture in full colour shows 0.71 (computed by the formula in [`crate::colour`]): the
    /// interval reaches down to it, and no further up.
    #[test]
    fn a_dip_may_be_deeper_than_colour_shows() {
        let shown = (0.64 + 0.316 * 0.64_f64.powf(0.11)) / 1.316;
        let contact = |x: f64| if (0.7..0.9).contains(&x) { shown } else { 1.0 };
        let [centre, plus, minus] = [0.0, 0.4, -0.4].map(|offset| curve(offset, |_| 0.0, contact));
        let errors = guide_errors(&Places { centre: &centre, plus: &plus, minus: &minus }, 58.0).unwrap();
        let got = &errors.contact;
        assert!(got.interval.low < 0.64 && got.interval.high < shown + 0.02, "{got:?}");
        let flat = flatness(&centre).unwrap();
        assert!(flat.interval.low < 0.64 && flat.interval.high < shown + 0.02, "{flat:?}");
    }

    #[test]
    fn sides_need_not_be_equal() {
        check(0.3, -0.2, 0.3, (0.3, 0.5));
        check(-0.3, 0.2, 0.0, (0.55, 0.25));
    }

    #[test]
    fn a_side_that_is_none_is_refused() {
        let flat = curve(0.0, |_| 0.0, |_| 1.0);
        let far = curve(0.8, |_| 0.0, |_| 1.0);
        let near = curve(0.4, |_| 0.0, |_| 1.0);
        for (plus, minus) in [(&flat, &near), (&near, &far)] {
            let places = Places { centre: &flat, plus, minus };
            assert!(matches!(guide_errors(&places, 58.0), Err(MeasureError::BadParameter { .. })));
        }
    }
}
