//! Judging the points: by the tape's kind; difference and jitter; which way to turn.

use crate::Side;
use crate::parameters as p;
use tapewright_sdk::formats::relations::degrees_a_line;
use tapewright_sdk::measure::switching::difference;
use tapewright_sdk::prelude::*;

pub(crate) fn judge(subject: &Subject, sides: &[Side], settings: &Settings, report: &mut Report) -> Result<()> {
    let lines = subject.format.lines;
    let line_hz = lines.line_rate_hz();
    let judges = subject.tape == TapeKind::Alignment;
    let limits = settings.within(settings.number(&p::POINT), &p::POINT_GOOD, &p::POINT_REJECT);
    let mut off = false;
    let mut on_point = true;
    let mut blamed = false;
    for side in sides {
        let in_lines = side.point.mean.clone().scaled(line_hz);
        let measured = Measured::new(format!("{}.point", side.name), Unit::Line, &in_lines);
        // What the limits make of it, whether or not this tape may judge.
        let outcome = measured.clone().judged(limits.clone()).outcome();
        report.measured(if judges { measured.judged(limits.clone()) } else { measured });
        let time = side.point.mean.clone().scaled(1e6);
        report.measured(Measured::new(format!("{}.point-time", side.name), Unit::Microsecond, &time));
        let angle = in_lines.clone().scaled(degrees_a_line(lines));
        report.measured(Measured::new(format!("{}.point-angle", side.name), Unit::Degree, &angle));
        on_point &= outcome == Some(Outcome::Pass);
        if outcome == Some(Outcome::Fail) {
            off = true;
            if judges {
                blame(side, in_lines.value, settings.number(&p::POINT), report);
                blamed = true;
            }
        }
    }
    if blamed {
        report.advise("Before anything is turned see that tracking stands at its centre (`tracking-centre`): off its centre it moves both points alike.");
    }
    apart(sides, line_hz, judges, settings, report)?;
    jitter(sides, line_hz, settings, report);
    if judges {
        if on_point {
            report.found(Finding::HeadSwitchOnPoint, "both edges, with an alignment tape");
        }
        return Ok(());
    }
    if off {
        report.found(Finding::HeadSwitchMachineOrTape, &format!("with a tape of kind {}", subject.tape));
        report.advise("The switching lies off its place, in this machine or in the one that recorded the tape. Try another tape; then, after a scrap tape ran safely, an alignment tape judges it.");
    }
    let why = format!(
        "a tape of kind {} carries the switching of its own recorder: only an alignment tape can judge the point",
        subject.tape
    );
    report.unable(Unable::new(UnableCode::WrongTape, why).on("head-switch-point"));
    Ok(())
}

fn blame(side: &Side, lines: f64, point: f64, report: &mut Report) {
    let seen = format!("{}: {lines:.2} lines before vertical sync, {point} are right", side.name);
    if lines > point {
        report.found(Finding::HeadSwitchEarly, &seen);
        report.advise(&format!("Set the switching to {} later, by {:.1} lines.", side.name, lines - point));
    } else {
        report.found(Finding::HeadSwitchLate, &seen);
        report.advise(&format!("Set the switching to {} earlier, by {:.1} lines.", side.name, point - lines));
    }
}

fn apart(sides: &[Side], line_hz: f64, judges: bool, settings: &Settings, report: &mut Report) -> Result<()> {
    let [a, b] = sides else { return Ok(()) };
    let apart = difference(&a.point, &b.point).on("difference")?.scaled(line_hz);
    let measured = Measured::new("difference", Unit::Line, &apart);
    if !judges {
        report.measured(measured);
        return Ok(());
    }
    let limits = settings.within(0.0, &p::APART_GOOD, &p::APART_REJECT);
    if report.measured(measured.judged(limits)) == Some(Outcome::Fail) {
        report.found(
            Finding::HeadSwitchUneven,
            &format!(
                "the edge to head B comes {:.2} lines {} than that to head A",
                apart.value.abs(),
                if apart.value > 0.0 { "earlier" } else { "later" }
            ),
        );
        report.advise("Bring both edges to the same number of lines: each may have its own adjustment; if there is only one, look at the pulses of the drum's position sensor.");
    }
    Ok(())
}

fn jitter(sides: &[Side], line_hz: f64, settings: &Settings, report: &mut Report) {
    let limits = settings.at_most(&p::JITTER_GOOD, &p::JITTER_REJECT);
    let mut seen = Vec::new();
    for side in sides {
        let jitter = side.point.jitter.clone().scaled(line_hz);
        let measured = Measured::new(format!("{}.jitter", side.name), Unit::Line, &jitter).judged(limits.clone());
        match report.measured(measured) {
            Some(Outcome::Fail) => seen.push(format!("{} {:.2} lines", side.name, jitter.value)),
            Some(Outcome::Inconclusive) => {
                report.advise("Take more edges (`edges`): too few came to decide on the jitter.")
            }
            _ => {}
        }
    }
    if !seen.is_empty() {
        report.found(Finding::HeadSwitchJitter, &format!("standard deviation: {}", seen.join(", ")));
        report.advise("Look at the drum's bearing and position sensor, then at `drum-lock`.");
    }
}
