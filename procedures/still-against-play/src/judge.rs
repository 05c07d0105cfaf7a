//! Holding still against play: what was measured, what is sure, what it points to.

use crate::lock::{Kind, Lock};
use crate::parameters::{MODULATION_GOOD, MODULATION_REJECT, SPEED_GOOD, SPEED_REJECT};
use crate::play::{Motion, Play};
use crate::still::{HeadInStill, weak};
use tapewright_sdk::heads::name;
use tapewright_sdk::known::KnownLevel;
use tapewright_sdk::measure::slip::Course;
use tapewright_sdk::prelude::*;

/// Whether the RF repeats; none: not told.
pub(crate) type Steady = Option<bool>;

/// Steady when the whole interval is good, unsteady when none of it is.
fn steady(modulation: &Estimate, good: f64, repeats: bool) -> Steady {
    if modulation.interval.low > good {
        Some(false)
    } else if modulation.interval.high <= good && repeats {
        Some(true)
    } else {
        None
    }
}

/// Still: each head's modulation and best level.
pub(crate) fn still(heads: &[HeadInStill], settings: &Settings, report: &mut Report) -> Result<Steady> {
    let good = settings.number(&MODULATION_GOOD);
    let limits = settings.at_most(&MODULATION_GOOD, &MODULATION_REJECT);
    let mut told: Vec<Steady> = Vec::new();
    let mut seen = Vec::new();
    for head in heads {
        let of = name(head.head);
        report.measured(Measured::new(format!("{of}.still-best-level"), Unit::Volt, &head.level));
        if !head.heard() {
            let why = "at no stop in still did it stand clear of the noise: look whether it delivers anything in play";
            report.unable(Unable::new(UnableCode::InNoise, why).on(format!("{of}.still-modulation")));
            continue;
        }
        let (modulation, repeats) = head.modulation(good)?;
        told.push(steady(&modulation, good, repeats));
        seen.push(format!("{of} changes by {:.1} %", 100.0 * modulation.value));
        report.measured(Measured::new(format!("{of}.still-modulation"), Unit::One, &modulation).judged(limits.clone()));
    }
    let result = if told.contains(&Some(false)) {
        Some(false)
    } else if !told.is_empty() && told.iter().all(|head| *head == Some(true)) {
        Some(true)
    } else {
        None
    };
    let seen = format!("from frame to frame at rest {}", seen.join(", "));
    match result {
        Some(true) => report.found(Finding::RfSteadyInStill, &seen),
        Some(false) => report.found(Finding::RfUnsteadyInStill, &seen),
        None => {}
    }
    if let [a, b] = heads
        && let Some(finding) = weak(a, b)
    {
        report.found(
            finding,
            &format!("over all stops head A reaches {:.4} V, head B {:.4} V", a.best.value, b.best.value),
        );
    }
    Ok(result)
}

/// From this share of the known level on, reached at a stop, a head is well whatever it gives in play. Common practice, no source.
const WELL: f64 = 0.7;

/// Whether both heads reach their level somewhere at rest, where no tracking keeps them beside their tracks.
pub(crate) fn level_in_still(heads: &[HeadInStill], known: KnownLevel, report: &mut Report) -> Result<()> {
    let shares = heads.iter().map(|head| known.share_of(&head.level)).collect::<Result<Vec<_>>>()?;
    if shares.len() == 2 && shares.iter().all(|share| share.interval.low >= WELL) {
        let of = shares.iter().map(|share| format!("{:.2}", share.value)).collect::<Vec<_>>().join(" and ");
        report.found(
            Finding::RfLevelInStill,
            &format!("at rest the heads reach {of} of the {:.3} V known or expected", known.most_v()),
        );
    }
    Ok(())
}

/// Play: modulation, and the tape's speed as far as it shows.
pub(crate) fn play(seen: &Play, settings: &Settings, report: &mut Report) -> Result<Steady> {
    let good = settings.number(&MODULATION_GOOD);
    report.draw(seen.figure());
    let modulation = Measured::new("play.modulation", Unit::One, &seen.modulation);
    report.measured(modulation.judged(settings.at_most(&MODULATION_GOOD, &MODULATION_REJECT)));
    let motion = seen.motion();
    if let Some(lock) = &seen.lock {
        of_lock(lock, seen, settings, report);
    }
    of_course(seen, settings, report)?;
    let observed = format!(
        "over {:.1} s the level in play changes by {:.0} %",
        seen.course.observed_s,
        100.0 * seen.modulation.value
    );
    let result = steady(&seen.modulation, good, motion == Motion::Steady);
    match result {
        Some(true) => report.found(Finding::RfSteadyInPlay, &observed),
        Some(false) => report.found(Finding::RfUnsteadyInPlay, &observed),
        None => {}
    }
    if motion == Motion::Changing && seen.may_turn_back() {
        report.unable(still_open(seen));
    }
    match motion {
        Motion::Slip => report.found(Finding::TapeSlip, &speed_text(seen)),
        Motion::Hunting => {
            report.found(Finding::TrackingHunting, &format!("{observed}, to and fro without a period"));
            report
                .advise("The machine's own tracking works against any adjustment: set it to manual, then look again.");
        }
        Motion::Steady if seen.lock.is_none() => {
            report.note("Steady, but without control pulses that is no proof of lock: a machine may hold its phase by luck on its own recording.");
        }
        Motion::Steady | Motion::Changing => {}
    }
    Ok(result)
}

/// A slip goes on from track to track, a servo that hunts turns back before the next: a shorter run tells neither.
fn still_open(seen: &Play) -> Unable {
    let run = seen.lock.as_ref().map_or(0.0, |lock| lock.run_pitches);
    let why = format!(
        "over {:.1} s the tape ran away from the drum by {run:.2} of a track pitch: a slip goes on from track to track, a tracking \
         servo that hunts turns back before the neighbour on either side, and this record is too short to tell; take a longer \
         one (record-s)",
        seen.course.observed_s
    );
    Unable::new(UnableCode::TooShort, why).on("slip")
}

fn speed_text(seen: &Play) -> String {
    let error = match (&seen.lock, &seen.course.course) {
        (Some(lock), _) if lock.kind == Kind::Drifts => Some(&lock.speed_error),
        (_, Course::Slip { speed_error, .. }) => Some(speed_error),
        _ => None,
    };
    error.map_or_else(
        || "the level rises and falls steadily".to_owned(),
        |e| {
            format!(
                "the tape slips by {:.2} % of its speed ({:.2} to {:.2} %)",
                e.value, e.interval.low, e.interval.high
            )
        },
    )
}

fn of_lock(lock: &Lock, seen: &Play, settings: &Settings, report: &mut Report) {
    let steady = matches!(seen.course.course, Course::Steady);
    let said = match lock.kind {
        Kind::Held if steady => "the tape is locked to the drum",
        Kind::Held => {
            "the tape keeps its time, and yet the level changes: the drum may not turn at its rate, or it is contact or dirt"
        }
        Kind::Drifts => "the tape runs away from the drum",
        Kind::Wanders => "the tape goes to and fro against the drum",
    };
    report.note(&format!(
        "Over {:.1} s the control pulses' delay to the head switch moves by no more than {:.1} ms, the step of the record included: {said}.",
        lock.observed_s, lock.excursion_ms
    ));
    let wander = Measured::new("tracking-wander", Unit::One, &lock.wander);
    report.measured(wander.judged(settings.at_most(&MODULATION_GOOD, &MODULATION_REJECT)));
    let speed = Measured::new("speed-error", Unit::Percent, &lock.speed_error).judged(speed_limits(settings));
    match lock.kind {
        Kind::Held if steady => {
            report.measured(speed);
        }
        Kind::Drifts if !lock.may_turn_back() => {
            // A frame of tape lost a cycle.
            let frequency = lock.speed_error.clone().scaled(seen.record.frame_rate_hz / 100.0);
            report.measured(Measured::new("slip-frequency", Unit::Hertz, &frequency));
            report.measured(speed);
        }
        // The mean speed of a tape that goes to and fro, or may do so, is no measure of it; a drum off its rate makes it another one.
        Kind::Held | Kind::Drifts | Kind::Wanders => {}
    }
}

fn speed_limits(settings: &Settings) -> Limits {
    settings.at_most(&SPEED_GOOD, &SPEED_REJECT)
}

fn of_course(seen: &Play, settings: &Settings, report: &mut Report) -> Result<()> {
    // Where the control pulses show the motion, they have been reported.
    let told = seen.lock.as_ref().is_some_and(|lock| lock.kind != Kind::Held);
    match &seen.course.course {
        Course::Slip { .. } | Course::Slow { .. } if told => {}
        Course::Slip { frequency, speed_error, cycles } => {
            report.note(&format!(
                "The level rises and falls regularly, {cycles:.1} times in {:.1} s.",
                seen.course.observed_s
            ));
            if seen.motion() == Motion::Slip {
                report.measured(Measured::new("slip-frequency", Unit::Hertz, frequency));
                report
                    .measured(Measured::new("speed-error", Unit::Percent, speed_error).judged(speed_limits(settings)));
            }
        }
        Course::Slow { at_most_hz, speed_error_at_most } => {
            report.note(&format!(
                "The level changes, but fewer than two cycles were seen in {:.1} s: that only bounds a slip, at {at_most_hz:.2} Hz; a \
                 longer record (record-s) tells more.",
                seen.course.observed_s
            ));
            report.measured(Measured::new("slip-frequency", Unit::Hertz, &bound(*at_most_hz)?));
            report.measured(
                Measured::new("speed-error", Unit::Percent, &bound(*speed_error_at_most)?)
                    .judged(speed_limits(settings)),
            );
        }
        Course::Irregular { about_hz } => {
            report.note(&format!("The level changes without a period, about {about_hz:.2} times a second."));
        }
        Course::Steady => {}
    }
    Ok(())
}

/// A quantity of which only an upper bound is known: anywhere between nothing and that.
fn bound(at_most: f64) -> Result<Estimate> {
    let u = at_most / 12.0_f64.sqrt();
    let contributions = vec![Contribution::type_b("fewer than two cycles seen: only a bound", u)];
    Ok(Estimate::with_interval(0.5 * at_most, 0.0, at_most, u, None, contributions)?)
}

/// What still and play say together.
pub(crate) fn conclude(still: Steady, play: Steady, control_track: bool, report: &mut Report) {
    if let Some(text) = conclusion(still, play, control_track) {
        report.advise(text);
    }
}

const fn conclusion(still: Steady, play: Steady, control_track: bool) -> Option<&'static str> {
    match (still, play) {
        (Some(true), Some(false)) if !control_track => Some(
            "Steady at rest, changing in play: heads, drum and switching are sound, the tape's speed or phase is not controlled. Follow the \
             tracking error made of the pilot tones to the capstan servo.",
        ),
        (Some(true), Some(false)) => Some(
            "Steady at rest, changing in play: heads, drum and switching are sound, the tape's speed or phase is not controlled. Follow the \
             control pulses from their head to the capstan servo.",
        ),
        (Some(false), _) => Some(
            "Changing even with the tape at rest: heads, drum, head switching or the amplifier, whatever the drive does. Look at the head \
             switch's jitter, the rotary transformer and the drum's earth brush first.",
        ),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn between(low: f64, high: f64) -> Estimate {
        Estimate::with_interval(0.5 * (low + high), low, high, 0.25 * (high - low), None, Vec::new()).unwrap()
    }

    #[test]
    fn only_a_whole_interval_says_steady_or_unsteady() {
        for (low, high, repeats, want) in [
            (0.0, 0.05, true, Some(true)),
            (0.0, 0.05, false, None),
            (0.05, 0.15, true, None),
            (0.12, 0.2, true, Some(false)),
            (0.5, 0.7, false, Some(false)),
        ] {
            assert_eq!(steady(&between(low, high), 0.10, repeats), want, "{low} to {high}, {repeats}");
        }
    }

    #[test]
    fn the_conclusion_needs_both_sides() {
        assert!(conclusion(Some(true), Some(false), true).is_some_and(|text| text.contains("control pulses")));
        // Nobody is sent after pulses that the format does not have.
        let pilots = conclusion(Some(true), Some(false), false);
        assert!(pilots.is_some_and(|text| text.contains("pilot tones") && !text.contains("control pulses")));
        assert!(conclusion(Some(false), Some(false), true).is_some_and(|text| text.contains("at rest")));
        for (still, play) in [(Some(true), Some(true)), (None, Some(false)), (Some(true), None), (None, None)] {
            assert_eq!(conclusion(still, play, true), None);
        }
    }

    #[test]
    fn a_bound_that_reaches_reject_decides_nothing() {
        let limits = Limits {
            good: Limit { at_least: None, at_most: Some(0.1) },
            reject: Limit { at_least: None, at_most: Some(0.5) },
            source: "common practice, no source".into(),
        };
        for (at_most, want) in [(0.67, Outcome::Inconclusive), (0.27, Outcome::Marginal), (0.08, Outcome::Pass)] {
            assert_eq!(bound(at_most).unwrap().decide(&limits).unwrap(), want, "{at_most}");
        }
    }
}
