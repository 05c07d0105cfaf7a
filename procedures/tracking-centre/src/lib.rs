//! The procedure tracking-centre: level against tracking offset, while relays on the tracking keys, or the operator, step
//! through it.

mod judge;
mod keys;
mod parameters;
mod take;

use parameters as p;
use take::{Place, Steps, Taker};
use tapewright_sdk::heads::CLEAR_OF_NOISE;
use tapewright_sdk::phase::PhaseTaker;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

struct TrackingCentre;

/// What the operator answers.
const DONE: &str = "done";
const CANNOT: &str = "cannot";

impl Procedure for TrackingCentre {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&[
            (&p::OFFSET_GOOD, &p::OFFSET_REJECT),
            (&p::EVEN_GOOD, &p::EVEN_REJECT),
            (&p::APART_GOOD, &p::APART_REJECT),
        ])?;
        let subject = subject()?;
        subject.demand_control_track().inspect_err(|_| {
            report.advise("Such a format keeps its tracks by pilot tones, and has no tracking control to step through: `pilot-tracking` shows whether the two beats are equal.");
        })?;
        let frames = settings.count(&p::FRAMES);
        let mut taker = Taker {
            front: Front::for_scans(&subject, 2, frames)?,
            phase: PhaseTaker::new(Signal::ControlTrack, subject.format.lines)?,
            field_hz: subject.format.lines.field_rate_hz(),
            frames,
        };
        taker.front.to_play()?;
        let steps = settings.count(&p::STEPS);
        let (own, places) = match keys::walked(&mut taker, steps, report)? {
            Some(taken) => taken,
            None => by_hand(&mut taker, steps, settings, report)?,
        };
        report.progress(0.92, "takes the noise floor, tape stopped");
        let floor = taker.floor()?;
        let taken = places
            .iter()
            .chain([&own])
            .map(|place| taker.steps(place, &floor, own.delay.value))
            .collect::<Result<Vec<Steps>>>()
            .on("level")?;
        let at = |n: &usize| taken[*n].both.level_v;
        let best = (0..taken.len()).max_by(|a, b| at(a).total_cmp(&at(b))).unwrap_or_default();
        floor.demand_below(at(&best))?;
        let best = places.get(best).unwrap_or(&own);
        let silent = taker.silent(best, &floor, settings.number(&CLEAR_OF_NOISE)).on("level")?;
        let all_heard = silent.is_empty();
        for unable in silent {
            report.advise(&format!(
                "Nothing of {} is heard where the level is greatest: the centre told is that of the other head alone. Look with `envelope`, and run this again once both heads play.",
                unable.what
            ));
            report.unable(unable);
        }
        report.progress(0.97, "fits the centre");
        judge::judge(&judge::Shown { subject: &subject, steps: &taken, own: &own.delay, all_heard }, settings, report)
    }
}

/// The operator turns the control, place by place.
fn by_hand(taker: &mut Taker, steps: u32, settings: &Settings, report: &mut Report) -> Result<(Place, Vec<Place>)> {
    turn(
        "tracking-detent",
        "Set tracking to manual, and the tracking control to its own centre (its click, or both tracking keys at once).",
        settings,
    )?;
    let own = taker.place().on("the control's own centre")?;
    let mut places = Vec::new();
    for n in 1..=steps {
        report.progress(0.05 + 0.85 * f64::from(n - 1) / f64::from(steps), &format!("place {n} of {steps}"));
        turn(&format!("tracking-{n}"), &where_to(n, steps), settings)?;
        places.push(taker.place().on(&format!("place {n} of the tracking control"))?);
    }
    // What comes after is measured where the machine is used.
    turn(
        "tracking-back",
        "Set the tracking control back to its own centre (its click, or both tracking keys at once).",
        settings,
    )?;
    Ok((own, places))
}

fn where_to(n: u32, steps: u32) -> String {
    if n == 1 {
        "Turn the tracking control to one end.".to_owned()
    } else if n == steps {
        "Turn the tracking control to the other end.".to_owned()
    } else {
        format!("Turn the tracking control on, towards the other end: about {} of {} of its way.", n - 1, steps - 1)
    }
}

fn turn(id: &str, text: &str, settings: &Settings) -> Result<()> {
    let prompt = Prompt {
        id,
        text,
        action: Action::Adjust("tracking control".to_owned()),
        choices: &[DONE, CANNOT],
        deadline_s: settings.number(&p::DEADLINE_S),
    };
    match prompt.ask()?.as_str() {
        DONE => Ok(()),
        other => {
            let why =
                format!("the operator answered `{other}`: without stepping through the tracking there is no centre");
            Err(Unable::new(UnableCode::Declined, why))
        }
    }
}

tapewright_sdk::export!(TrackingCentre);
