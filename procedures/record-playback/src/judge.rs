//! The own recording judged by itself, and against a reference tape.

use crate::parameters::{BALANCE_GOOD, BALANCE_REJECT, FLATNESS_GOOD, FLATNESS_REJECT, LEVEL_GOOD, LEVEL_REJECT};
use tapewright_sdk::earlier::{Measurement, Run};
use tapewright_sdk::heads::{figure, name};
use tapewright_sdk::measure::HeadCurve;
use tapewright_sdk::measure::curve::{balance, entrance, exit, flatness, middle_level};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

/// Procedures whose middle level is that of a reference tape.
const REFERENCE: [&str; 1] = ["envelope"];

/// Shape and balance of the own recording.
pub(crate) fn own(curves: &[(ScanHead, HeadCurve)], settings: &Settings, report: &mut Report) -> Result<()> {
    for (head, curve) in curves {
        let head = name(*head);
        let flat = Measured::new(format!("{head}.flatness"), Unit::One, &flatness(curve)?);
        report.measured(flat.judged(settings.at_least(&FLATNESS_GOOD, &FLATNESS_REJECT)));
        report.measured(Measured::new(format!("{head}.entrance"), Unit::One, &entrance(curve)?));
        report.measured(Measured::new(format!("{head}.exit"), Unit::One, &exit(curve)?));
        report.measured(Measured::new(format!("{head}.middle-level"), Unit::Volt, &middle_level(curve)?));
    }
    if let [(_, a), (_, b)] = curves {
        // A head that is weak in both runs keeps its ratio to the reference: only the other head tells of it.
        let limits = settings.within(0.0, &BALANCE_GOOD, &BALANCE_REJECT);
        report.measured(Measured::new("balance", Unit::Decibel, &balance(a, b)?).judged(limits));
    }
    report.draw(figure("own recording", curves.iter().map(|(head, curve)| (name(*head), curve))));
    report.note("Flat on a recording of this machine says nothing of the guides: it plays flat on a bent path too.");
    Ok(())
}

/// Level of the own recording against the reference tape's, head by head.
pub(crate) fn against(
    curves: &[(ScanHead, HeadCurve)],
    reference: &Run,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    report.note(&format!("Held against {}.", reference.text()));
    if reference.tape != TapeKind::Alignment.as_str() {
        let why = format!("{} did not play a reference tape: name a run with the alignment tape", reference.text());
        report.unable(Unable::new(UnableCode::WrongTape, why).on("own recording against the reference tape"));
        return Ok(());
    }
    for (head, curve) in curves {
        let head = name(*head);
        let what = format!("{head}.against-reference");
        let Some(then) = reference.measured(&REFERENCE, &format!("{head}.middle-level"), Unit::Volt) else {
            let why = format!(
                "{} gives no middle level of {head} that `envelope` found good enough to hold others against: clear what it found, run `envelope` with the alignment tape, and name that run",
                reference.text()
            );
            report.unable(Unable::new(UnableCode::NotPossible, why).on(what));
            continue;
        };
        let limits = settings.within(0.0, &LEVEL_GOOD, &LEVEL_REJECT);
        let ratio = decibels(&middle_level(curve)?, then).on(&what)?;
        let outcome = report.measured(Measured::new(what, Unit::Decibel, &ratio).judged(limits));
        if outcome == Some(Outcome::Fail) && ratio.value < 0.0 {
            report.found(
                if head == "head-a" { Finding::HeadARecordsWeak } else { Finding::HeadBRecordsWeak },
                &format!("{head} plays its own recording {:+.1} dB against the reference tape", ratio.value),
            );
        }
    }
    Ok(())
}

/// `20 log10` of now over then, both with what is known of them. The gain of the set-up need not be the same on
/// two days, so it is counted on both sides.
fn decibels(now: &Estimate, then: &Measurement) -> Result<Estimate> {
    if now.value <= 0.0 || then.value <= 0.0 {
        return Err(Unable::new(UnableCode::InNoise, format!("{} V now, {} V then", now.value, then.value)));
    }
    let per = 20.0 / core::f64::consts::LN_10;
    let then_u = then.standard_uncertainty() / then.value;
    let mut shares = vec![Contribution::type_b("the reference run's own uncertainty", per * then_u)];
    for share in &now.contributions {
        shares
            .push(Contribution { standard_uncertainty: per * share.standard_uncertainty / now.value, ..share.clone() });
    }
    Ok(Estimate::combined(per * (now.value / then.value).ln(), shares)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_compare_in_decibels() {
        let now = Estimate::combined(0.1, vec![Contribution::type_b("gain", 0.001)]).unwrap();
        let then = Measurement {
            procedure: "envelope".into(),
            name: "head-a.middle-level".into(),
            unit: "V".into(),
            value: 0.2,
            low: 0.196,
            high: 0.204,
            coverage: 0.95,
        };
        let db = decibels(&now, &then).unwrap();
        assert!((db.value + 6.0206).abs() < 1e-4, "{db:?}");
        assert!((db.standard_uncertainty - 8.686 * 0.01 * 2.0_f64.sqrt()).abs() < 1e-3, "{db:?}");
        assert!(decibels(&now, &Measurement { value: 0.0, ..then }).is_err());
    }
}
