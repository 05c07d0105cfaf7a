//! The procedure tracking-centre: level against tracking offset, while the operator steps through it.

mod parameters;
mod take;

use parameters as p;
use take::Taker;
use tapewright_sdk::heads::CLEAR_OF_NOISE;
use tapewright_sdk::measure::tracking::{Step, Tracking, tracking_centre};
use tapewright_sdk::phase::PhaseTaker;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

struct TrackingCentre;

/// The control must move the tracking by so many pitches from end to end.
const LEAST_RANGE: f64 = 0.3;
/// What the operator answers.
const DONE: &str = "done";
const CANNOT: &str = "cannot";

impl Procedure for TrackingCentre {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&[(&p::OFFSET_GOOD, &p::OFFSET_REJECT), (&p::EVEN_GOOD, &p::EVEN_REJECT)])?;
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
        report.progress(0.92, "takes the noise floor, tape stopped");
        let floor = taker.floor()?;
        let taken = places
            .iter()
            .chain([&own])
            .map(|place| taker.step(place, &floor, own.delay.value))
            .collect::<Result<Vec<Step>>>()
            .on("level")?;
        let at = |n: &usize| taken[*n].level_v;
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
        judge(&subject, &taken, &own.delay, all_heard, settings, report)
    }
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

fn judge(
    subject: &Subject,
    steps: &[Step],
    own: &Estimate,
    all_heard: bool,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let field_hz = subject.format.lines.field_rate_hz();
    let (low, high) = steps.iter().fold((f64::MAX, f64::MIN), |(l, h), s| (l.min(s.delay_s), h.max(s.delay_s)));
    let range_s = high - low;
    if range_s * field_hz < LEAST_RANGE {
        let why = format!(
            "from end to end of the control the delay from control pulse to head switch moved by {:.3} track pitches only: tracking is automatic, or the control does not act",
            range_s * field_hz
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("tracking.offset"));
    }
    draw(steps, report);
    let fit = tracking_centre(steps).on("tracking.offset")?;
    report.note(&format!(
        "{} steps over {:.2} ms; flat top {:.2} ms wide, levels {:.2} % about the fit",
        fit.steps,
        range_s * 1e3,
        2.0 * fit.flat_s * 1e3,
        100.0 * fit.scatter_v / fit.top_v
    ));
    // Delays count from that at the control's own centre, which is known as well as one of the steps.
    let offset =
        fit.centre.clone().also(Contribution::type_b("delay at the control's own centre", own.standard_uncertainty))?;
    report.measured(Measured::new("tracking.delay", Unit::Millisecond, &own.clone().scaled(1e3)));
    report.measured(Measured::new("tracking.offset-time", Unit::Millisecond, &offset.clone().scaled(1e3)));
    report.measured(Measured::new("tracking.offset", Unit::One, &offset.clone().scaled(field_hz)));
    // R13: a head that stands too far along the tape gets its pulses late, and the centre needs a shorter delay.
    let x_mm = offset.clone().scaled(-subject.format.tape_speed_mm_s.value);
    report.measured(Measured::new("tracking.x-error", Unit::Millimetre, &x_mm));
    let share = offset.clone().scaled(100.0 / range_s);
    let judges = subject.tape == TapeKind::Alignment;
    let limits = settings.within(0.0, &p::OFFSET_GOOD, &p::OFFSET_REJECT);
    let measured = Measured::new("tracking.offset-share", Unit::Percent, &share);
    let would = measured.clone().judged(limits.clone()).outcome();
    report.measured(if judges { measured.judged(limits) } else { measured });
    let even = evenness(&fit, judges, settings, report);
    let seen = format!("centre {:+.3} track pitches from that of the control", offset.value * field_hz);
    match (judges, would) {
        (true, Some(Outcome::Pass)) if all_heard => report.found(Finding::TrackingCentred, &seen),
        (true, Some(Outcome::Fail)) => {
            report.found(Finding::TrackingOffCentre, &seen);
            report.advise(&format!(
                "Move the audio and control head by {:.3} mm {} the drum (its X position), after height, azimuth and tilt are right; then run this again.",
                x_mm.value.abs(),
                if x_mm.value > 0.0 { "towards" } else { "away from" }
            ));
        }
        _ => {}
    }
    if !judges {
        if would != Some(Outcome::Pass) || even == Some(Outcome::Fail) {
            report.note("Off its centre with this tape: the place of this machine's audio and control head, or of that which recorded the tape.");
        }
        let why = format!(
            "a tape of kind {} carries the X position of its own recorder: only an alignment tape can judge this machine's",
            subject.tape
        );
        report.unable(Unable::new(UnableCode::WrongTape, why).on("tracking-centre"));
    }
    Ok(())
}

fn evenness(fit: &Tracking, judges: bool, settings: &Settings, report: &mut Report) -> Option<Outcome> {
    let Some(even) = &fit.evenness else {
        report.note("One side of the centre has too few steps: whether the level falls evenly is not known.");
        return None;
    };
    let measured = Measured::new("tracking.evenness", Unit::One, even);
    if !judges {
        report.measured(measured);
        return None;
    }
    let outcome = report.measured(measured.judged(settings.within(1.0, &p::EVEN_GOOD, &p::EVEN_REJECT)));
    if outcome == Some(Outcome::Fail) {
        report
            .found(Finding::TrackingUneven, &format!("one side falls {:.2} times as steeply as the other", even.value));
        report.advise("Look at the envelope on both sides of the centre: a guide out of height, or one head, makes the two sides unlike.");
    }
    outcome
}

/// Level over the delay, at even steps: straight lines between the steps taken.
fn draw(steps: &[Step], report: &mut Report) {
    const COLUMNS: usize = 20;
    let mut sorted: Vec<&Step> = steps.iter().collect();
    sorted.sort_by(|a, b| a.delay_s.total_cmp(&b.delay_s));
    let (Some(first), Some(last)) = (sorted.first(), sorted.last()) else { return };
    let values = (0..COLUMNS)
        .map(|i| {
            let at = first.delay_s + (last.delay_s - first.delay_s) * i as f64 / (COLUMNS - 1) as f64;
            let next = sorted.partition_point(|s| s.delay_s < at).clamp(1, sorted.len() - 1);
            let (a, b) = (sorted[next - 1], sorted[next]);
            let share = ((at - a.delay_s) / (b.delay_s - a.delay_s).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
            a.level_v + share * (b.level_v - a.level_v)
        })
        .collect();
    report.draw(Figure {
        name: "tracking".into(),
        x_label: "delay less that of the control's own centre, ms".into(),
        x_low: first.delay_s * 1e3,
        x_high: last.delay_s * 1e3,
        unit: Unit::Volt,
        series: vec![Series { name: "both heads".into(), values, standard_errors: Vec::new() }],
    });
}

tapewright_sdk::export!(TrackingCentre);
