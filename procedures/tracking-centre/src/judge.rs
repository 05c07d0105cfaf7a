//! What the places show: the centre, the heads by themselves, the two sides.

use crate::parameters as p;
use crate::take::Steps;
use tapewright_sdk::heads::name;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::tracking::{Step, Tracking, centres_apart, tracking_centre};
use tapewright_sdk::prelude::*;

/// The control must move the tracking by so many pitches from end to end.
const LEAST_RANGE: f64 = 0.3;

/// What the places showed.
pub(crate) struct Shown<'a> {
    pub(crate) subject: &'a Subject,
    pub(crate) steps: &'a [Steps],
    /// Delay at the control's own centre.
    pub(crate) own: &'a Estimate,
    /// Every head stands clear of the noise where the level is greatest.
    pub(crate) all_heard: bool,
}

pub(crate) fn judge(shown: &Shown<'_>, settings: &Settings, report: &mut Report) -> Result<()> {
    let Shown { subject, own, all_heard, .. } = *shown;
    let steps: &[Step] = &shown.steps.iter().map(|s| s.both).collect::<Vec<_>>();
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
    draw(shown.steps, report);
    let judges = subject.tape == TapeKind::Alignment;
    let apart = if all_heard { heads_apart(shown, judges, settings, report) } else { Apart::NotJudged };
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
    let limits = settings.within(0.0, &p::OFFSET_GOOD, &p::OFFSET_REJECT);
    let measured = Measured::new("tracking.offset-share", Unit::Percent, &share);
    let would = measured.clone().judged(limits.clone()).outcome();
    // Of heads apart the mean has its centre between them, and falls as neither does: that says nothing of the X position.
    let of_one = !matches!(apart, Apart::Judged(Some(Outcome::Fail)) | Apart::Untold);
    report.measured(if judges && of_one { measured.judged(limits) } else { measured });
    let even = evenness(&fit, judges && of_one, settings, report);
    report.note(&format!(
        "The delay is known within a frame only: a control head that stands a frame's length of tape off, {:.2} mm here, looks the same. Sound against picture tells that.",
        subject.format.tape_speed_mm_s.value / subject.format.lines.frame_rate_hz()
    ));
    let seen = format!("centre {:+.3} track pitches from that of the control", offset.value * field_hz);
    match (judges, would) {
        _ if !of_one => {}
        (true, Some(Outcome::Pass)) if all_heard => report.found(Finding::TrackingCentred, &seen),
        (true, Some(Outcome::Fail)) => {
            report.found(Finding::TrackingOffCentre, &seen);
            if matches!(apart, Apart::Judged(outcome) if outcome != Some(Outcome::Pass)) {
                report.advise("The heads may stand at different heights, and the offset is told from the mean of both: run this again with more `frames` before anything is moved.");
            }
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

/// What is known of the heads' own centres, one against the other.
enum Apart {
    /// One head is hooked up or heard, or the tape judges nothing.
    NotJudged,
    /// Both give levels, and no centre of each: they may stand far apart.
    Untold,
    Judged(Option<Outcome>),
}

/// The centre of each head's own level, one against the other.
fn heads_apart(shown: &Shown<'_>, judges: bool, settings: &Settings, report: &mut Report) -> Apart {
    const WHAT: &str = "tracking.heads-apart";
    let of = |head: ScanHead| -> Vec<Step> {
        let steps = shown.steps.iter().flat_map(|s| &s.heads);
        steps.filter(|(of, _)| *of == head).map(|(_, step)| *step).collect()
    };
    let (a, b) = (of(ScanHead::A), of(ScanHead::B));
    if a.is_empty() || b.is_empty() {
        return Apart::NotJudged;
    }
    let apart = tracking_centre(&a).on("head-a").and_then(|a| Ok((a, tracking_centre(&b).on("head-b")?)));
    let apart = apart.and_then(|(a, b)| Ok(centres_apart(&a, &b)?));
    let apart = match apart {
        Ok(apart) => apart.scaled(shown.subject.format.lines.field_rate_hz()),
        Err(unable) => {
            report.unable(unable.on(WHAT));
            return Apart::Untold;
        }
    };
    let measured = Measured::new(WHAT, Unit::One, &apart);
    if !judges {
        report.measured(measured);
        return Apart::NotJudged;
    }
    let outcome = report.measured(measured.judged(settings.within(0.0, &p::APART_GOOD, &p::APART_REJECT)));
    if outcome == Some(Outcome::Fail) {
        report.found(Finding::TrackingHeadsApart, &format!("head B {:+.2} track pitches from head A", apart.value));
        report.advise("One video head stands at another height than the other: leave the audio and control head where it is, since the offset is told from the mean of both. Look at both heads' levels with `guide-adjust`, then at the drum's heads.");
    }
    Apart::Judged(outcome)
}

/// Level over the delay, at even steps: straight lines between the steps taken.
fn draw(steps: &[Steps], report: &mut Report) {
    const COLUMNS: usize = 20;
    let mut sorted: Vec<&Steps> = steps.iter().collect();
    sorted.sort_by(|a, b| a.both.delay_s.total_cmp(&b.both.delay_s));
    let (Some(first), Some(last)) = (sorted.first(), sorted.last()) else { return };
    let (from_s, to_s) = (first.both.delay_s, last.both.delay_s);
    let series = |name: &str, level_v: &dyn Fn(&Steps) -> f64| {
        let values = (0..COLUMNS)
            .map(|i| {
                let at = from_s + (to_s - from_s) * i as f64 / (COLUMNS - 1) as f64;
                let next = sorted.partition_point(|s| s.both.delay_s < at).clamp(1, sorted.len() - 1);
                let (a, b) = (sorted[next - 1], sorted[next]);
                let between_s = (b.both.delay_s - a.both.delay_s).max(f64::MIN_POSITIVE);
                let share = ((at - a.both.delay_s) / between_s).clamp(0.0, 1.0);
                level_v(a) + share * (level_v(b) - level_v(a))
            })
            .collect();
        Series { name: name.into(), values, standard_errors: Vec::new() }
    };
    let mut all = vec![series("both heads", &|s| s.both.level_v)];
    if first.heads.len() > 1 {
        let heads = first.heads.iter().enumerate();
        all.extend(heads.map(|(place, (head, _))| series(name(*head), &|s| s.heads[place].1.level_v)));
    }
    report.draw(Figure {
        name: "tracking".into(),
        x_label: "delay less that of the control's own centre, ms".into(),
        x_low: from_s * 1e3,
        x_high: to_s * 1e3,
        unit: Unit::Volt,
        series: all,
    });
}
