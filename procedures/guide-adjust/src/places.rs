//! The three tracking positions of a run: asked for, checked, captured.

use crate::bench::Eye;
use crate::parameters::FRAMES;
use tapewright_sdk::heads::{STEADY, name};
use tapewright_sdk::measure::guides::SIDE_LEVEL;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::steadiness::frame_to_frame_change;
use tapewright_sdk::measure::{HeadCurve, ScanLevels};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// How long somebody may take to turn the tracking.
const TURN_DEADLINE_S: f64 = 1_800.0;

/// How often a side is asked for before it is given up.
const TRIES: u32 = 4;

/// How often captures are taken anew while the servo settles.
const SETTLING: u32 = 4;

/// Least move of the tracking, in pitches, that counts as a side (common practice, no source).
const LEAST_MOVE: f64 = 0.1;

/// Greatest move: a pitch away the head lies as near to the next track of its azimuth, and neither the level nor the pulses tell
/// the sides apart.
const MOST_MOVE: f64 = 0.92;

const DONE: &str = "done";
const CANNOT: &str = "cannot";

/// One tracking position.
pub(crate) struct Place {
    /// Captures of each head, in the order of the front's heads.
    captures: Vec<Vec<Capture>>,
    delay_s: Option<f64>,
}

/// All three, the sides in the order that they were turned to.
pub(crate) struct Sight {
    pub(crate) centre: Place,
    sides: [Place; 2],
    floor: Option<(Front, Floor)>,
}

fn turn(id: &'static str, text: &str) -> Result<()> {
    let answer = Prompt {
        id,
        text,
        action: Action::Adjust("tracking".to_owned()),
        choices: &[DONE, CANNOT],
        deadline_s: TURN_DEADLINE_S,
    }
    .ask()?;
    if answer == DONE {
        return Ok(());
    }
    Err(Unable::new(UnableCode::Declined, "the tracking could not be moved; without its sides no guide can be judged")
        .on("guides"))
}

/// Asks for the tracking to stand at its centre.
pub(crate) fn at_centre() -> Result<()> {
    turn(
        "tracking-centre",
        "Set tracking to manual, then turn it to its centre: the greatest and most even level. Leave it there.",
    )
}

impl Place {
    /// Captures, once the servo has settled after the turn: a set that changes from frame to frame is taken anew.
    fn take(eye: &Eye, count: u32, steady: f64) -> Result<Self> {
        let mut place = Self::take_once(eye, count)?;
        for _ in 1..SETTLING {
            if place.is_steady(eye, steady)? {
                break;
            }
            place = Self::take_once(eye, count)?;
        }
        Ok(place)
    }

    fn is_steady(&self, eye: &Eye, most: f64) -> Result<bool> {
        for (head, captures) in eye.front.heads.iter().zip(&self.captures) {
            let Some(first) = captures.first() else { continue };
            let frames = levels(&eye.front, &eye.front.no_floor_for(first)?, *head, captures)?;
            if frame_to_frame_change(&frames)?.change.value > 0.5 * most {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn take_once(eye: &Eye, count: u32) -> Result<Self> {
        let heads = &eye.front.heads;
        let mut captures: Vec<Vec<Capture>> = heads.iter().map(|_| Vec::new()).collect();
        let half = count / 2;
        // Half of the first head, all of the other, the other half: a slow change of the level meets both alike.
        let order = if heads.len() == 2 { vec![(0, half), (1, count), (0, count - half)] } else { vec![(0, count)] };
        for (place, share) in order {
            captures[place].extend(eye.front.frames(heads[place], 1, share).on(name(heads[place]))?);
        }
        Ok(Self { captures, delay_s: delay_s(eye)? })
    }

    /// Level at the middle of the scan, in volts, the noise still in it: to tell a side's share.
    fn middle_v(&self, eye: &Eye) -> Result<f64> {
        let mut sum = 0.0;
        for (head, captures) in eye.front.heads.iter().zip(&self.captures) {
            let Some(first) = captures.first() else { continue };
            let floor = eye.front.no_floor_for(first)?;
            let curve = HeadCurve::over_frames(&levels(&eye.front, &floor, *head, captures)?)?;
            sum += tapewright_sdk::measure::curve::middle_level(&curve)?.value;
        }
        Ok(sum / self.captures.len().max(1) as f64)
    }

    /// Frames of the front's head of this number, by the floor.
    pub(crate) fn frames(&self, front: &Front, floor: &Floor, head: usize) -> Result<Vec<ScanLevels>> {
        levels(front, floor, front.heads[head], &self.captures[head])
    }
}

fn levels(front: &Front, floor: &Floor, head: ScanHead, captures: &[Capture]) -> Result<Vec<ScanLevels>> {
    let mut frames = Vec::new();
    for capture in captures {
        let found = front.levels(capture, floor, head, 1).on(name(head))?;
        frames.extend(found.into_iter().filter(|(of, _)| *of == head).map(|(_, levels)| levels));
    }
    Ok(frames)
}

/// The delay from control pulse to head switch; none where the control pulses do not tell it.
fn delay_s(eye: &Eye) -> Result<Option<f64>> {
    if !eye.sign_is_told() {
        return Ok(None);
    }
    let capture = eye.front.frame_beside(ScanHead::A, 2, eye.beside()).on("tracking position")?;
    Ok(eye.delay_s(&capture))
}

impl Sight {
    /// Takes centre, where the tracking stands, and asks for both sides.
    ///
    /// # Errors
    /// `declined`, `unattended`, `not-possible` where a side is not reached.
    pub(crate) fn take(eye: &Eye, settings: &Settings, mut progress: impl FnMut(f64, &str)) -> Result<Self> {
        progress(0.0, "at centre");
        let centre = Place::take(eye, settings.count(&FRAMES), settings.number(&STEADY))?;
        progress(0.3, "one tracking side");
        let one = side(eye, settings, &centre, None)?;
        progress(0.6, "the other tracking side");
        let other = side(eye, settings, &centre, Some(&one))?;
        Ok(Self { centre, sides: [one, other], floor: None })
    }

    /// The same with the noise floor, which stops the machine.
    ///
    /// # Errors
    /// What the daemon says; `in-noise`.
    pub(crate) fn with_floor(mut self, eye: &Eye) -> Result<Self> {
        let floor = eye.front.floor_in_stop(1)?;
        let taken: Vec<_> =
            eye.front.heads.iter().copied().zip(self.centre.captures.iter().map(Vec::as_slice)).collect();
        // Where it cannot be told, it is not corrected, and cancels between the sides all the same.
        let front = eye.front.with_blanking(&taken, &floor).unwrap_or_else(|_| eye.front.clone());
        self.floor = Some((front, floor));
        Ok(self)
    }

    /// The front and the floor, once taken.
    pub(crate) fn floor(&self) -> Result<&(Front, Floor)> {
        self.floor.as_ref().ok_or_else(|| Unable::new(UnableCode::ProcedureFault, "the noise floor was not taken"))
    }

    /// Towards the next track and towards the former one, and how far apart they are, in pitches. Where the control pulses do
    /// not tell, they come in the order that they were turned to, and may be one side.
    pub(crate) fn plus_and_minus(&self, eye: &Eye) -> (&Place, &Place, Option<f64>) {
        let [one, other] = &self.sides;
        let apart = apart(one.moved(eye, &self.centre), other.moved(eye, &self.centre));
        if apart.is_some_and(|by| by < 0.0) { (other, one, apart.map(f64::abs)) } else { (one, other, apart) }
    }
}

/// How far the first side lies beyond the other one; none where that is not told, or they are one side.
fn apart(one: Option<f64>, other: Option<f64>) -> Option<f64> {
    let (one, other) = (one?, other?);
    (one * other < 0.0).then_some(one - other)
}

impl Place {
    /// How far the tracking was moved from centre, in pitches.
    fn moved(&self, eye: &Eye, centre: &Self) -> Option<f64> {
        Some(eye.pitches(self.delay_s?, centre.delay_s?))
    }
}

fn side(eye: &Eye, settings: &Settings, centre: &Place, before: Option<&Place>) -> Result<Place> {
    let (id, which) =
        if before.is_some() { ("tracking-other-side", "the other side") } else { ("tracking-one-side", "one side") };
    let full_v = centre.middle_v(eye)?;
    let mut said = String::new();
    for _ in 0..TRIES {
        turn(
            id,
            &format!(
                "{said}Turn tracking to {which} of centre until the level falls to about 60 %, and leave it there."
            ),
        )?;
        let place = Place::take(eye, settings.count(&FRAMES), settings.number(&STEADY))?;
        let share = place.middle_v(eye)? / full_v.max(f64::MIN_POSITIVE);
        if !(SIDE_LEVEL.0 + 0.03..=SIDE_LEVEL.1 - 0.03).contains(&share) {
            let how = if share > 0.6 { "further" } else { "back a little" };
            said = format!("The level stands at {:.0} % of that at centre: turn {how}. ", 100.0 * share);
            continue;
        }
        let moved = place.moved(eye, centre);
        if moved.is_some_and(|by| by.abs() < LEAST_MOVE) {
            "The level fell, but the tracking did not move: set tracking to manual. ".clone_into(&mut said);
            continue;
        }
        if moved.is_some_and(|by| by.abs() > MOST_MOVE) {
            "The tracking was turned by about a whole track: turn back. ".clone_into(&mut said);
            continue;
        }
        if let (Some(by), Some(first)) = (moved, before.and_then(|first| first.moved(eye, centre)))
            && (by > 0.0) == (first > 0.0)
        {
            "That is the side that was measured already. ".clone_into(&mut said);
            continue;
        }
        return Ok(place);
    }
    Err(Unable::new(
        UnableCode::NotPossible,
        format!(
            "{which} of the tracking was not reached in {TRIES} tries. {said}Where the level does not fall on either side, the heads are \
             too wide for this method at this tape speed: take an alignment tape of the fastest speed"
        ),
    )
    .on("guides"))
}

#[cfg(test)]
mod tests {
    use super::apart;

    #[test]
    fn sides_are_told_only_by_pulses_on_both_and_only_where_they_are_two() {
        for (one, other, want) in [
            (Some(0.5), Some(-0.25), Some(0.75)),
            (Some(-0.5), Some(0.25), Some(-0.75)),
            (Some(0.5), Some(0.25), None),
            (None, Some(0.25), None),
            (Some(0.5), None, None),
            (None, None, None),
        ] {
            assert_eq!(apart(one, other), want, "{one:?} {other:?}");
        }
    }
}
