//! Height errors of the guides and contact, from curves at three tracking positions.
//!
//! The definitions stand in [`tapewright_formats::definitions`]. A head beside its track reads what it
//! overlaps: `o(x) = s - |x|` pitches, between 0 and 1, with `s = (head width + track width) / 2` in pitches (1
//! for a head as wide as its track; first-order overlap model). From the levels of a segment on both sides,
//! over the level of the middle at centre, follow the place `e` (their ratio falls evenly with it) and the
//! contact `g = (a + b) / (o(e + d) + o(e - d))`. At the middle `e` is 0 by definition, which gives `d = s - r`
//! with the level `r` there. What a head or an amplifier does along the scan by itself counts as contact.
//!
//! A head wider than its track reaches the next track of its own azimuth, two pitches away, before it has left its own:
//! both levels add as powers, `hypot(o(x), o(2 - |x|))`, which is least at `|x| = 1` and the same on either side of it.
//! How wide the head is follows from how far apart both sides lie, where the control pulses tell that; a segment that
//! may lie beyond `|x| = 1` widens the interval by as much.

use crate::beside::WIDER;
use crate::curve::{HeadCurve, Segments, mean};
use crate::error::{MeasureError, volts};
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
/// Half of head and track together, in pitches: from the first on a head tells heights too small, from the second on by up to
/// the share of [`OVERLAP`], most where neighbours' lines do not lie side by side (by trial on simulated machines of 1.2 to 1.6
/// tracks: 8 to 10 %).
const WIDE: (f64, f64) = (1.05, 1.1);
const OVERLAP: f64 = 0.12;

/// Level at the side where they add as much.
const NEIGHBOURS_AT: f64 = 0.6;

/// How far a reach that the sides' distance tells may be wrong, in pitches: tracking that settles, pulses that jitter, and a
/// centre that was missed (a guess, no source).
const TOLD: f64 = 0.05;

/// Within this much of the place where a wide head reads both tracks of its azimuth alike, a segment may lie beyond it, in
/// pitches: a guide beyond its limit bends its end by that much from segment to segment (computed).
const NEAR_FOLD: f64 = 0.18;

/// Greatest reach that is looked for: a head of two tracks.
const MOST_REACH: f64 = 1.5;

/// Steps of a bisection: below the rounding of what is measured.
const HALVINGS: usize = 48;

/// Curves of one head at three tracking positions, in one set-up.
#[derive(Debug, Clone, Copy)]
pub struct Places<'a> {
    /// At tracking centre.
    pub centre: &'a HeadCurve,
    /// The head moved towards the track recorded next.
    pub plus: &'a HeadCurve,
    /// The head moved towards the track recorded before.
    pub minus: &'a HeadCurve,
    /// How far the tracking was moved from `minus` to `plus`, in pitches; none where nothing tells.
    pub apart: Option<f64>,
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
    /// Half of head and track together, in pitches, as far as the sides' distance tells: 1 for a head as wide as its track.
    pub reach: f64,
}

/// What the next track of a head's own azimuth adds to the level.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Same {
    /// Nothing: the head does not reach it.
    Nothing,
    /// Its power.
    Power,
    /// Its amplitude: the crest of the beat, which is what a reading by peaks may show.
    Crest,
}

/// Everything that the arithmetic stands on, so that it can be moved by each uncertainty.
#[derive(Clone, Copy)]
struct Levels {
    plus: Segments,
    minus: Segments,
    centre: f64,
    reach: f64,
    /// How the next track of the head's own azimuth counts.
    same: Same,
    /// Segments that may lie beyond the fold lie there.
    beyond: bool,
}

struct Solved {
    place: Segments,
    contact: Segments,
}

impl Levels {
    /// Level of a head so far aside, over that at centre.
    fn overlap(&self, x: f64) -> f64 {
        let of = |x: f64| (self.reach - x.abs()).clamp(0.0, 1.0);
        let (own, next) = (of(x), of(2.0 - x.abs()));
        match self.same {
            Same::Nothing => own,
            Same::Power => own.hypot(next),
            Same::Crest => own + next,
        }
    }

    /// How far aside the middle lies where it keeps this level.
    fn aside(&self, level: f64) -> f64 {
        if self.same == Same::Nothing {
            return self.reach - level;
        }
        bisect(0.0, 1.0, |x| self.overlap(x) < level)
    }

    fn shares(&self) -> (f64, f64) {
        (mean(&self.plus[MIDDLE]) / self.centre, mean(&self.minus[MIDDLE]) / self.centre)
    }

    /// With the reach that makes the sides so far apart. A head narrower than its track counts as wide as it.
    fn apart_by(&self, apart: f64) -> Self {
        let (r_plus, r_minus) = self.shares();
        let of = |reach: f64| Self { reach, ..*self };
        let reach = bisect(1.0, MOST_REACH, |reach| of(reach).aside(r_plus) + of(reach).aside(r_minus) > apart);
        of(reach)
    }

    fn solve(&self) -> Solved {
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
        if self.beyond {
            let near = (2.0 * (self.reach - 1.0)).clamp(0.0, NEAR_FOLD);
            let mut put = |outward: &mut dyn Iterator<Item = usize>| {
                let may = |place: &Segments, k: usize| place[k] - low < near || high - place[k] < near;
                // A path bends evenly: once it may be beyond, all further out may be.
                for k in outward.skip_while(|k| near <= 0.0 || !may(&place, *k)).collect::<Vec<_>>() {
                    place[k] = if place[k] < 0.0 {
                        bisect(-1.0, low, |e| !over(k, e))
                    } else {
                        bisect(high, 1.0, |e| !over(k, e))
                    };
                }
            };
            put(&mut (0..MIDDLE.start).rev());
            put(&mut (MIDDLE.end..SEGMENTS));
        }
        let contact = core::array::from_fn(|k| {
            let (a, b) = of(k);
            let both = self.overlap(place[k] + d_plus) + self.overlap(place[k] - d_minus);
            if both > 0.0 { (a + b) / both } else { 0.0 }
        });
        Solved { place, contact }
    }

    /// What a head of another width would have shown: wider by what none can be seen to be, as wide as the sides' distance
    /// tells within its error, and with the ends beyond the fold.
    fn of_other_widths(&self) -> [(&'static str, Self); 5] {
        [
            ("head wider than its track", Self { reach: self.reach + WIDER, same: Same::Nothing, ..*self }),
            ("width told too great", Self { reach: (self.reach - TOLD).max(1.0), ..*self }),
            ("width told too small", Self { reach: if self.reach > 1.0 { self.reach + TOLD } else { 1.0 }, ..*self }),
            ("beat with the next track of the same azimuth", Self { same: Same::Crest, ..*self }),
            ("next track of the same azimuth", Self { beyond: true, ..*self }),
        ]
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

/// Where a condition that holds from some place on begins to hold.
fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if holds(middle) { high = middle } else { low = middle }
    }
    0.5 * (low + high)
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
        return Err(MeasureError::InNoise { what: "level at tracking centre", detail: volts(centre) });
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
    let (plus, minus) = (places.plus.median_v, places.minus.median_v);
    let levels = Levels { plus, minus, centre, reach: 1.0, same: Same::Power, beyond: false };
    let levels = places.apart.map_or(levels, |apart| levels.apart_by(apart));
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
        reach: levels.reach,
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
        Contribution::rectangular("neighbouring tracks", NEIGHBOURS * pitch_um),
    ];
    let wide = ((levels.reach - WIDE.0) / (WIDE.1 - WIDE.0)).clamp(0.0, 1.0);
    contributions.push(Contribution::rectangular("overlap of a wide head", OVERLAP * wide * (value * pitch_um).abs()));
    let widths = levels.of_other_widths().into_iter();
    contributions.extend(widths.map(|(name, other)| Contribution::rectangular(name, moves(other))));
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
    let widths = levels
        .of_other_widths()
        .map(|(name, other)| Contribution::rectangular(name, (smoothed(&other.solve().contact)[at] - value).abs()));
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
        Contribution::rectangular("neighbouring tracks", alone),
    ];
    contributions.extend(widths);
    contributions.extend(causes);
    let shape_u = places.plus.shape_u.max(places.minus.shape_u);
    if shape_u > 0.0 {
        contributions.push(Contribution::type_b("picture content", value * shape_u));
    }
    let hides = places.centre.colour.hides(value);
    Ok(Estimate::combined(value, contributions)?.or_lower("colour-under signal in a dip", hides)?.within(0.0, f64::MAX))
}

#[cfg(test)]
mod tests;
