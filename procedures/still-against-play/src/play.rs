//! Play: one slow gap-free record of the level, lengthened while a slow change needs it.

use crate::lock::{Kind, Lock, lock};
use crate::parameters::RECORD_S;
use tapewright_sdk::control::{demand_even, pulses_of};
use tapewright_sdk::formats::SignalForm;
use tapewright_sdk::measure::record::LevelRecord;
use tapewright_sdk::measure::slip::{Course, SlipReport, course_of};
use tapewright_sdk::measure::statistics::moments;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// Lengths of the record, one after the other, in seconds.
const STEPS_S: [f64; 3] = [4.0, 10.0, 25.0];

/// A regular rise and fall is a slip only where it goes this deep: a slipping head crosses whole tracks, and midway
/// reads nothing but its neighbour, 18 to 27 dB down (R5 and the azimuth loss of the formats crate); a hunting one comes
/// back before. With a twentieth of the record cut off at each end and noise in the floor seven tenths are left of
/// that. A head much wider than its track crosses more gently; then the control pulses tell.
const SLIP_SWING: f64 = 0.7;

/// Changes faster than this are no tracking servo: contact, dirt or a loose connection. Common practice, no source.
const SERVO_HZ: f64 = 2.0;

/// What was seen in play.
pub(crate) struct Play {
    pub(crate) record: LevelRecord,
    pub(crate) course: SlipReport,
    pub(crate) modulation: Estimate,
    pub(crate) lock: Option<Lock>,
}

/// What the course of the level says about the tape's speed and phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Motion {
    /// The level keeps still.
    Steady,
    /// The tape slips steadily.
    Slip,
    /// To and fro.
    Hunting,
    /// It changes; whether slip, hunting or something else was not told.
    Changing,
}

/// The record that was taken in play.
pub(crate) struct Taken {
    capture: Capture,
    lock: Option<Lock>,
}

/// Takes the record in play, which has been reached. Whether it must be longer is told by a first look,
/// the noise in it still.
pub(crate) fn take(front: &Front, settings: &Settings, report: &mut Report) -> Result<Taken> {
    let control = hookup()?.into_iter().find(|point| point.signal == Signal::ControlTrack && !point.trigger_only);
    let control = control.filter(|_| abilities().channels >= 2);
    let spans = spans_s(settings.number(&RECORD_S), front.longest_record_s());
    let no_floor = front.no_floor()?;
    let mut taken: Option<Taken> = None;
    for (n, span_s) in spans.iter().enumerate() {
        report.progress(0.2 + 0.1 * n as f64, &format!("record of {span_s:.0} s in play"));
        let lock = taken.as_mut().and_then(|before| before.lock.take());
        // A run that may turn back is followed further, by its pulses; else the level alone goes on to tell.
        let now = if n == 0 || lock.as_ref().is_some_and(Lock::may_turn_back) {
            with_pulses(front, *span_s, control.as_ref(), report)?
        } else {
            Taken { capture: front.record(*span_s, None, false)?, lock }
        };
        let course = course_of(&front.level_against_time(&now.capture, &no_floor)?)?;
        // A slip or hunting that the control pulses show needs no longer record.
        let moves = now.lock.as_ref().is_some_and(|lock| lock.kind != Kind::Held && !lock.may_turn_back());
        let may_turn_back = now.lock.as_ref().is_some_and(Lock::may_turn_back);
        let told = moves || (!may_turn_back && !matches!(course.course, Course::Slow { .. }));
        taken = Some(now);
        if told {
            break;
        }
    }
    taken.ok_or_else(|| Unable::new(UnableCode::TooShort, "no record in play was taken"))
}

impl Taken {
    /// What it shows, the noise taken off.
    pub(crate) fn read(self, front: &Front, floor: &Floor) -> Result<Play> {
        let record = front.level_against_time(&self.capture, floor)?;
        floor.demand_below(moments(&record.level_v)?.mean)?;
        let course = course_of(&record)?;
        let modulation = front.modulation(&record)?;
        Ok(Play { record, course, modulation, lock: self.lock })
    }
}

/// A record with all that tells, from a head-switch edge and with the control pulses beside it where they are hooked up.
/// Without a head switch it is taken all the same, free-running.
fn with_pulses(front: &Front, span_s: f64, control: Option<&Point>, report: &mut Report) -> Result<Taken> {
    let Some(point) = control else { return Ok(Taken { capture: front.record(span_s, None, false)?, lock: None }) };
    let capture = match front.record(span_s, Some(Signal::ControlTrack), true) {
        Err(unable) if unable.code == UnableCode::NoTrigger => {
            report.note(
                "No head-switch edge came: the record in play was taken without it, and the tape's phase is not told.",
            );
            return Ok(Taken { capture: front.record(span_s, None, false)?, lock: None });
        }
        other => other?,
    };
    let lock = match read_lock(&capture, point.form, front) {
        Ok(lock) => Some(lock),
        Err(unable) => {
            report.note(&format!("The control pulses do not tell whether the tape is locked: {}.", unable.why));
            None
        }
    };
    Ok(Taken { capture, lock })
}

/// Lengths to try: the steps up to what is allowed and what the scope can hold, and that itself.
fn spans_s(allowed_s: f64, holds_s: f64) -> Vec<f64> {
    let most_s = allowed_s.min(holds_s);
    let mut spans: Vec<f64> = STEPS_S.into_iter().filter(|s| *s < 0.8 * most_s).collect();
    spans.push(most_s);
    spans
}

fn read_lock(capture: &Capture, form: SignalForm, front: &Front) -> Result<Lock> {
    let pulses = pulses_of(capture, form)?;
    if form == SignalForm::Spike {
        demand_even(&pulses.gaps())?;
    }
    lock(&pulses, 1.0 / front.lines.frame_rate_hz(), capture.info.timebase_uncertainty)
}

impl Play {
    /// What the tape does, from the control pulses where they tell, else from the level's course.
    pub(crate) fn motion(&self) -> Motion {
        let kind = self.lock.as_ref().map(|lock| lock.kind);
        if self.may_turn_back() {
            // No more than the level shows.
            return match motion(&self.course, None) {
                Motion::Slip => Motion::Slip,
                _ => Motion::Changing,
            };
        }
        motion(&self.course, kind)
    }

    /// The phase ran one way for the whole record, and not yet through a pitch: a slip, or the turn of a slow hunting.
    pub(crate) fn may_turn_back(&self) -> bool {
        self.lock.as_ref().is_some_and(Lock::may_turn_back)
    }

    /// The level against time.
    pub(crate) fn figure(&self) -> Figure {
        Figure {
            name: "level in play".into(),
            x_label: "time, s".into(),
            x_low: self.record.t0_s,
            x_high: self.record.t0_s + self.record.dt_s * self.record.level_v.len().saturating_sub(1) as f64,
            unit: Unit::Volt,
            series: vec![Series {
                name: "level, both heads".into(),
                values: self.record.level_v.clone(),
                standard_errors: Vec::new(),
            }],
        }
    }
}

fn motion(seen: &SlipReport, lock: Option<Kind>) -> Motion {
    match (lock, &seen.course) {
        (Some(Kind::Drifts), _) => Motion::Slip,
        (Some(Kind::Wanders), _) => Motion::Hunting,
        (_, Course::Steady) => Motion::Steady,
        // Also with control pulses that keep their time: then it is the drum that does not turn at its rate.
        (_, Course::Slip { .. }) if seen.swing >= SLIP_SWING => Motion::Slip,
        // The phase is held: what changes is not the tape's motion.
        (Some(Kind::Held), _) => Motion::Changing,
        (None, Course::Irregular { about_hz }) if *about_hz <= SERVO_HZ => Motion::Hunting,
        (None, _) => Motion::Changing,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_record_grows_to_what_is_allowed() {
        for (allowed, holds, want) in [
            (10.0, 41.0, vec![4.0, 10.0]),
            (25.0, 41.0, vec![4.0, 10.0, 25.0]),
            (60.0, 41.0, vec![4.0, 10.0, 25.0, 41.0]),
            (4.0, 41.0, vec![4.0]),
            (25.0, 5.2, vec![4.0, 5.2]),
            (25.0, 4.5, vec![4.5]),
            (25.0, 3.0, vec![3.0]),
        ] {
            assert_eq!(spans_s(allowed, holds), want, "{allowed} {holds}");
        }
    }

    #[test]
    fn motion_follows_the_control_pulses_first() {
        let about = || Estimate::combined(0.2, Vec::new()).unwrap();
        let slip = || Course::Slip { frequency: about(), speed_error: about(), cycles: 3.0 };
        let slow = || Course::Slow { at_most_hz: 0.2, speed_error_at_most: 0.7 };
        let irregular = |about_hz| Course::Irregular { about_hz };
        for (course, swing, lock, want) in [
            (Course::Steady, 0.02, Some(Kind::Held), Motion::Steady),
            (Course::Steady, 0.02, None, Motion::Steady),
            // A head much wider than its track slips without losing level.
            (Course::Steady, 0.02, Some(Kind::Drifts), Motion::Slip),
            (slow(), 0.9, Some(Kind::Drifts), Motion::Slip),
            (slow(), 0.9, Some(Kind::Wanders), Motion::Hunting),
            (slow(), 0.9, Some(Kind::Held), Motion::Changing),
            // The tape keeps its time, and the drum does not.
            (slip(), 0.9, Some(Kind::Held), Motion::Slip),
            (slip(), 0.3, Some(Kind::Held), Motion::Changing),
            (slow(), 0.9, None, Motion::Changing),
            (slip(), 0.9, None, Motion::Slip),
            (slip(), 0.3, None, Motion::Changing),
            (irregular(0.3), 0.5, None, Motion::Hunting),
            (irregular(9.0), 0.5, None, Motion::Changing),
        ] {
            let seen = SlipReport { course, regularity: 0.9, swing, observed_s: 10.0 };
            assert_eq!(motion(&seen, lock), want, "{seen:?} {lock:?}");
        }
    }
}
