//! The procedure interchange: one recording on two machines, or on one machine at two visits. What another
//! run made of the same tape is held against what this one makes of it.

mod parameters;

use parameters::{CHANGE_GOOD, CHANGE_REJECT, FLATNESS_GOOD, FLATNESS_REJECT, FRAMES};
use tapewright_sdk::earlier::{self, Measurement, Run};
use tapewright_sdk::heads::{Demands, curves_in_play, figure, name};
use tapewright_sdk::measure::curve::{entrance, exit, flatness};
use tapewright_sdk::prelude::*;

/// Procedures that measured the same of the same tape.
const SAME: [&str; 3] = ["interchange", "record-playback", "envelope"];

struct Interchange;

impl Procedure for Interchange {
    fn describe() -> Description {
        parameters::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        stopped_after(measure(settings, report))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    report.progress(0.1, "playing");
    let curves = curves_in_play(&subject, Demands::in_force(settings, &FRAMES), report)?;
    let other = earlier::look();
    if let Some(other) = &other {
        report.note(&format!("Held against {}.", other.text()));
        if other.tape_name != subject.tape_name {
            let why = format!(
                "{} played `{}`, this run plays `{}`: one recording must be played on both",
                other.id, other.tape_name, subject.tape_name
            );
            return Err(Unable::new(UnableCode::WrongTape, why).on("interchange"));
        }
    }
    let mut differs = Vec::new();
    for (head, curve) in &curves {
        let head = name(*head);
        let flat = Measured::new(format!("{head}.flatness"), Unit::One, &flatness(curve)?);
        report.measured(flat.judged(settings.at_least(&FLATNESS_GOOD, &FLATNESS_REJECT)));
        for (end, estimate) in [("entrance", entrance(curve)?), ("exit", exit(curve)?)] {
            let what = format!("{head}.{end}");
            report.measured(Measured::new(&what, Unit::One, &estimate));
            let Some(other) = &other else { continue };
            differs.extend(change(&what, &estimate, other, settings, report)?);
        }
    }
    let named = curves.iter().map(|(head, curve)| (name(*head), curve));
    report.draw(figure(format!("`{}` on this machine", subject.tape_name), named));
    if other.is_none() {
        let why =
            "no earlier run was named: play the same tape on the other machine first, and name that run by --against";
        report.unable(Unable::new(UnableCode::NotPossible, why).on("interchange"));
    }
    if !differs.is_empty() {
        report.found(Finding::InterchangeDiffers, &differs.join("; "));
        report.advise("The two paths differ: play an alignment tape on each, and set that which sags on it.");
    }
    Ok(())
}

/// One end here against there: what surely differs, in words.
fn change(
    what: &str,
    here: &Estimate,
    other: &Run,
    settings: &Settings,
    report: &mut Report,
) -> Result<Option<String>> {
    let name = format!("{what}.change");
    let Some(there) = other.measured(&SAME, what, Unit::One) else {
        let why = format!("{} did not measure {what}: run `interchange` or `record-playback` there", other.text());
        report.unable(Unable::new(UnableCode::NotPossible, why).on(name));
        return Ok(None);
    };
    let difference = difference(here, there)?;
    let measured =
        Measured::new(name, Unit::One, &difference).judged(settings.within(0.0, &CHANGE_GOOD, &CHANGE_REJECT));
    let fails = report.measured(measured) == Some(Outcome::Fail);
    Ok(fails.then(|| format!("{what} {:.2} here, {:.2} there", here.value, there.value)))
}

/// Here less there. Each interval may reach farther to one side (what colour hides of a dip lies below): what is lower there makes
/// the difference higher.
fn difference(here: &Estimate, there: &Measurement) -> Result<Estimate> {
    let value = here.value - there.value;
    let down = (here.value - here.interval.low).hypot(there.high - there.value);
    let up = (here.interval.high - here.value).hypot(there.value - there.low);
    let u = here.standard_uncertainty.hypot(there.standard_uncertainty());
    // The other's degrees of freedom are taken for many.
    let many = (u / here.standard_uncertainty).powi(4);
    let dof = here.degrees_of_freedom.map(|dof| dof * many).filter(|dof| dof.is_finite());
    let mut shares = here.contributions.clone();
    shares.push(Contribution::type_b("the other run's own uncertainty", there.standard_uncertainty()));
    Ok(Estimate::with_interval(value, value - down, value + up, u, dof, shares)?)
}

tapewright_sdk::export!(Interchange);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_uncertainties_count() {
        let here = Estimate::combined(0.7, vec![Contribution::type_b("here", 0.03)]).unwrap();
        let d = difference(&here, &there(0.9, 0.82, 0.98)).unwrap();
        assert!((d.value + 0.2).abs() < 1e-12 && (d.standard_uncertainty - 0.05).abs() < 1e-9, "{d:?}");
    }

    fn there(value: f64, low: f64, high: f64) -> Measurement {
        let (procedure, name, unit) = ("interchange".into(), "head-a.exit".into(), "1".into());
        Measurement { procedure, name, unit, value, low, high, coverage: 0.95 }
    }

    /// What colour may hide of a dip reaches down, and keeps its whole reach: here downwards, there upwards.
    #[test]
    fn what_reaches_to_one_side_stays_on_its_side() {
        let level = |value: f64| Estimate::combined(value, vec![Contribution::type_b("here", 0.005)]).unwrap();
        let here = level(0.6).or_lower("colour", 0.1).unwrap();
        let d = difference(&here, &there(0.6, 0.59, 0.61)).unwrap();
        assert!((0.10..0.11).contains(&-d.interval.low) && d.interval.high < 0.02, "{d:?}");
        let d = difference(&level(0.6), &there(0.6, 0.5, 0.61)).unwrap();
        assert!((0.10..0.11).contains(&d.interval.high) && -d.interval.low < 0.02, "{d:?}");
    }
}
