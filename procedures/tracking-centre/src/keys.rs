//! The tracking control by its keys, where relays press them: through its range with nobody at the machine.

use crate::take::{Place, RESTED, Taker};
use tapewright_sdk::prelude::*;

/// What moves the delay by fewer pitches did not move the control: two rests are compared.
const LEAST_MOVE: f64 = 2.0 * RESTED;
/// Presses after the first, before it is believed that a key does nothing: a fine control moves by more than one.
const MORE: i32 = 4;
/// To the first end it goes by about so many pitches at once; no levels are taken there.
const STRIDE: f64 = 0.2;
/// It goes no farther from its own centre, in pitches: a pitch off, the delay no longer tells which way it went.
const FARTHEST: f64 = 0.8;
/// Presses in all, at most: any control has come to its end by then.
const MOST_PRESSES: u32 = 400;
/// Nor is a stride begun that would end beyond this: the delay would then count from the other side.
const BEYOND: f64 = 0.95;
/// Its own centre, set again, must be the same place to so many pitches.
const SAME: f64 = 0.03;

/// Takes the control's own centre and about `steps` places from one end to the other, and sets it back to its own centre
/// whatever comes of it; none: no relay presses the keys of this machine.
pub(crate) fn walked(taker: &mut Taker, steps: u32, report: &mut Report) -> Result<Option<(Place, Vec<Place>)>> {
    report.progress(0.02, &format!("presses {}", TrackingPress::Centre));
    if !turn_tracking(TrackingPress::Centre).on("tracking keys")? {
        return Ok(None);
    }
    report.note("The control's own centre is where both keys at once put it, pressed by relays. On a machine where that switches automatic tracking on the offset says nothing of the X position: see what the keys do before it is believed.");
    let taken = Walk::through(taker, steps, report);
    let back = turn_tracking(TrackingPress::Centre).on("tracking keys");
    let (own, places) = taken?;
    back?;
    // Keys that do not set it there would have had the offset told from a place of automatic tracking's choice.
    let again = taker.rest().on("the control's own centre, set again")?;
    let off = taker.pitches_between(own.delay.value, again.value);
    if off.abs() > SAME {
        let why = format!(
            "{} gave another place after the steps than before them, by {off:+.3} track pitches: there is no centre to tell the offset from; see what both keys at once do on this machine, or step its control by hand (no `tracking` in the relays' table)",
            TrackingPress::Centre
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("tracking.offset"));
    }
    Ok(Some((own, places)))
}

/// On the way.
struct Walk<'a> {
    taker: &'a mut Taker,
    report: &'a mut Report,
    /// The delay where it stands.
    last: Estimate,
    /// Pitches from the control's own centre.
    away: f64,
    /// Most pitches that a press was seen to move it.
    step: f64,
    presses: u32,
}

impl Walk<'_> {
    fn through(taker: &mut Taker, steps: u32, report: &mut Report) -> Result<(Place, Vec<Place>)> {
        let own = taker.place().on("the control's own centre")?;
        let mut walk = Walk { last: own.delay.clone(), taker, report, away: 0.0, step: 0.0, presses: 0 };
        if !(walk.moves(1)? || walk.moves(MORE)?) {
            return Err(walk.dead(1));
        }
        let stride = (STRIDE / walk.step).round().clamp(1.0, 50.0) as i32;
        while walk.away.abs() < FARTHEST && walk.may_go(stride, walk.away.signum()) && walk.moves_on(stride)? {}
        let mut places = vec![walk.place(0.25, steps)?];
        let first_end = walk.away;
        let stride = (2.0 * first_end.abs() / walk.step / f64::from(steps - 1)).round().max(1.0) as i32;
        let way = -first_end.signum();
        while walk.away * way < FARTHEST && walk.may_go(stride, way) && walk.moves_on(-stride)? {
            let share = 0.25 + 0.65 * (walk.away - first_end).abs() / (2.0 * first_end.abs());
            places.push(walk.place(share.min(0.9), steps)?);
        }
        if places.len() == 1 { Err(walk.dead(-1)) } else { Ok((own, places)) }
    }

    /// Whether so many presses towards one side (1 or -1) end less than a pitch from the centre.
    fn may_go(&self, presses: i32, way: f64) -> bool {
        self.away * way + self.step * f64::from(presses) < BEYOND
    }

    fn place(&mut self, share: f64, steps: u32) -> Result<Place> {
        self.report.progress(share, &format!("takes a place of about {steps}, {:+.2} track pitches", self.away));
        self.taker.look_at(self.last.clone()).on(&format!("tracking control at {:+.2} track pitches", self.away))
    }

    /// Presses, and says whether the delay moved.
    fn moves(&mut self, by: i32) -> Result<bool> {
        let press = TrackingPress::By(by);
        self.presses += press.presses();
        if self.presses > MOST_PRESSES {
            let why = format!(
                "after {MOST_PRESSES} presses of the tracking keys the control has come to no end, {:+.2} track pitches from its own centre: see what the keys do, with tracking set to manual",
                self.away
            );
            return Err(Unable::new(UnableCode::NotPossible, why).on("tracking.offset"));
        }
        if !turn_tracking(press).on("tracking keys")? {
            let why = "the tracking keys were there at first, and are not any more: see the relays (`bench check`)";
            return Err(Unable::new(UnableCode::NotPossible, why).on("tracking keys"));
        }
        let delay = self.taker.rest().on(&format!("after {press}"))?;
        let moved = self.taker.pitches_between(self.last.value, delay.value);
        self.away += moved;
        self.last = delay;
        self.step = self.step.max(moved.abs() / f64::from(press.presses()));
        Ok(moved.abs() > LEAST_MOVE)
    }

    /// The same at a place where it may be at its end: that one stride does nothing is not believed at once.
    fn moves_on(&mut self, by: i32) -> Result<bool> {
        Ok(self.moves(by)? || self.moves(by)?)
    }

    fn dead(&self, by: i32) -> Unable {
        let why = format!(
            "{} moves nothing: the delay from control pulse to head switch stays where it is; see that the relay lies across that key, that the key works by hand, and that tracking is manual",
            TrackingPress::By(by)
        );
        Unable::new(UnableCode::NotPossible, why).on("tracking.offset")
    }
}
