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

mod hidden;
mod off_track;
mod overlap;

use self::hidden::{contact_at_most, hidden_at_sides};
use self::off_track::{AtCentre, untold};
pub use self::off_track::{End, OffTrack, Untold};
use self::overlap::{Levels, NEIGHBOURS, Same};
use crate::curve::{HeadCurve, Segments, mean};
use crate::error::{MeasureError, volts};
use crate::estimate::{Contribution, Estimate};
use crate::special::normal_quantile;
use tapewright_formats::definitions::{MIDDLE, SEGMENTS};

/// Level at a side over that at centre between which the sides tell. Below, noise and neighbouring tracks
/// count; above, a head that is a little wider than its track hides the place. Common practice, no source.
pub const SIDE_LEVEL: (f64, f64) = (0.35, 0.85);

/// How far the level at centre may lie from the greatest that tracking can reach (relative, a guess, no source).
const CENTRE_MISSED: f64 = 0.05;

/// Half of head and track together, in pitches: from the first on a head tells heights too small, from the second on by up to
/// the share of [`OVERLAP`], most where neighbours' lines do not lie side by side (by trial on simulated machines of 1.2 to 1.6
/// tracks: 8 to 10 %).
const WIDE: (f64, f64) = (1.05, 1.1);
const OVERLAP: f64 = 0.12;

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

/// What three tracking positions tell of one head's path, each end by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct GuideEnds {
    /// Height error of the entrance, in micrometres; positive: low.
    pub entrance: Result<Estimate, Untold>,
    /// Height error of the exit, in micrometres; positive: low.
    pub exit: Result<Estimate, Untold>,
    /// Least contact along the scan; none where an end has left its track, since nothing tells contact there, or where noise hides
    /// an end and nothing tells that its contact is less than whole.
    pub contact: Option<LeastContact>,
    /// Half of head and track together, in pitches, as far as the sides' distance tells: 1 for a head as wide as its track.
    pub reach: f64,
}

/// The least contact along a scan.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastContact {
    /// How much it is (unit 1).
    pub kept: Estimate,
    /// Its segment.
    pub at: usize,
    /// Noise hides an end: what is kept is at most the upper end of its interval, and nothing else is known of it.
    pub at_most: bool,
}

/// What both sides tell of one head's path as long as both its ends lie on their track.
#[derive(Debug, Clone, PartialEq)]
pub struct GuideErrors {
    /// Height error of the entrance, in micrometres; positive: low.
    pub entrance: Estimate,
    /// Height error of the exit, in micrometres; positive: low.
    pub exit: Estimate,
}

fn smoothed(values: &Segments) -> Segments {
    core::array::from_fn(|k| mean(&values[k.saturating_sub(1)..(k + 2).min(SEGMENTS)]))
}

fn moved(values: &Segments, by: &Segments) -> Segments {
    core::array::from_fn(|k| values[k] + by[k])
}

/// Guide errors of one head, where the level along the scan at centre is not asked: while a guide is turned at a side, that of before
/// says nothing of now. Nothing tells then whether an end has left its track. `pitch_um` is the recording's.
///
/// # Errors
/// As [`guide_ends`].
pub fn guide_errors(places: &Places<'_>, pitch_um: f64) -> Result<GuideErrors, MeasureError> {
    let levels = levels(places, pitch_um)?;
    let height = |of: End| end(&levels, places, of, 0.0, pitch_um);
    Ok(GuideErrors { entrance: height(End::Entrance)?, exit: height(End::Exit)? })
}

/// Guide errors of one head, and its least contact, where the level at centre says the same as both sides. `pitch_um` is the
/// recording's.
///
/// # Errors
/// [`MeasureError::InNoise`] without level at centre; [`MeasureError::BadParameter`] where a side's level is not
/// within [`SIDE_LEVEL`] of that at centre, or the pitch is none.
pub fn guide_ends(places: &Places<'_>, pitch_um: f64) -> Result<GuideEnds, MeasureError> {
    let levels = levels(places, pitch_um)?;
    let at_centre = AtCentre::of(&levels, &levels.solve(), places);
    let levels = Levels { lacking: at_centre.lacking(), ..levels };
    let why = [End::Entrance, End::Exit].map(|end| untold(&levels, places, end));
    let height = |of: End| match why[of as usize] {
        Some((why, _)) => Ok(Err(why)),
        None => end(&levels, places, of, at_centre.narrower(of, levels.reach), pitch_um).map(Ok),
    };
    let (entrance, exit) = (height(End::Entrance)?, height(End::Exit)?);
    let contact = match why {
        [None, None] => Some(least_contact(places, &levels)?),
        _ if why.iter().flatten().any(|(why, _)| matches!(why, Untold::OffTrack(_))) => None,
        [at_entrance, at_exit] => {
            let told = at_entrance.map_or(0, |(_, first)| first + 1)..at_exit.map_or(SEGMENTS, |(_, first)| first);
            contact_at_most(&levels, places, &told)?
        }
    };
    Ok(GuideEnds { entrance, exit, contact, reach: levels.reach })
}

/// Whether noise hides an end at both sides, so that what [`guide_errors`] says of it is noise.
///
/// # Errors
/// As [`guide_ends`].
pub fn is_hidden_at_sides(places: &Places<'_>, of: End, pitch_um: f64) -> Result<bool, MeasureError> {
    Ok(hidden_at_sides(&levels(places, pitch_um)?, places, of))
}

fn levels(places: &Places<'_>, pitch_um: f64) -> Result<Levels, MeasureError> {
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
    let (same, beyond, lacking) = (Same::Power, false, [false; SEGMENTS]);
    let levels = Levels { plus, minus, centre, reach: 1.0, same, beyond, lacking };
    Ok(places.apart.map_or(levels, |apart| levels.apart_by(apart)))
}

/// One end's height error with what makes up its uncertainty: each input is moved by its own, and the
/// answer's move is the contribution.
fn end(levels: &Levels, places: &Places<'_>, of: End, narrower: f64, pitch_um: f64) -> Result<Estimate, MeasureError> {
    let value = levels.height(of);
    let moves = |changed: Levels| (changed.height(of) - value).abs() * pitch_um;
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
    contributions.push(Contribution::rectangular("head narrower than its track", narrower * (value * pitch_um).abs()));
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
fn least_contact(places: &Places<'_>, levels: &Levels) -> Result<LeastContact, MeasureError> {
    let smooth = smoothed(&levels.solve().contact);
    let at = (0..SEGMENTS).fold(0, |least, k| if smooth[k] < smooth[least] { k } else { least });
    let value = smooth[at];
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
    let kept = Estimate::combined(value, contributions)?.or_lower("colour-under signal in a dip", hides)?;
    Ok(LeastContact { kept: kept.within(0.0, f64::MAX), at, at_most: false })
}

#[cfg(test)]
mod tests;
