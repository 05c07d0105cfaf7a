//! Judging curves: flatness by the tape's kind, which side sags, balance, level against the known one.

use crate::look::Look;
use crate::parameters::{
    BALANCE_GOOD, BALANCE_REJECT, FLATNESS_GOOD, FLATNESS_REJECT, LEVEL_GOOD, LEVEL_REJECT, OWN_GOOD, OWN_REJECT,
};
use crate::shape::{Allowed, Shape, Side, common_sides};
use tapewright_sdk::heads::name;
use tapewright_sdk::known::KnownLevel;
use tapewright_sdk::measure::curve::{balance, greatest_level, middle_level};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::{LEVEL_MOST, surely_above};

/// Flatness, ends and middle of each head, and what the tape's kind allows to be said of them. Where not
/// all heads were heard, nothing is flat.
pub(crate) fn flatness(
    looks: &[&Look],
    all_heard: bool,
    tape: TapeKind,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let allowed = Allowed::by(tape);
    let limits = match allowed {
        Allowed::OwnPath => settings.at_least(&OWN_GOOD, &OWN_REJECT),
        Allowed::Guides | Allowed::Nothing => settings.at_least(&FLATNESS_GOOD, &FLATNESS_REJECT),
    };
    let good = limits.good.at_least.unwrap_or(1.0);
    let shapes = looks.iter().map(|look| Shape::of(&look.curve).on(name(look.head))).collect::<Result<Vec<_>>>()?;
    for (look, shape) in looks.iter().zip(&shapes) {
        let head = name(look.head);
        let flatness = Measured::new(format!("{head}.flatness"), Unit::One, &shape.flatness);
        report.measured(if allowed == Allowed::Nothing { flatness } else { flatness.judged(limits.clone()) });
        report.measured(Measured::new(format!("{head}.entrance"), Unit::One, &shape.entrance));
        report.measured(Measured::new(format!("{head}.exit"), Unit::One, &shape.exit));
        report.measured(Measured::new(format!("{head}.middle-level"), Unit::Volt, &middle_level(&look.curve)?));
    }
    conclude(looks, &shapes, all_heard, allowed, good, report);
    Ok(())
}

fn conclude(looks: &[&Look], shapes: &[Shape], all_heard: bool, allowed: Allowed, good: f64, report: &mut Report) {
    let values = looks
        .iter()
        .zip(shapes)
        .map(|(look, s)| {
            format!(
                "{} flatness {:.2}, entrance {:.2}, exit {:.2}",
                name(look.head),
                s.flatness.value,
                s.entrance.value,
                s.exit.value
            )
        })
        .collect::<Vec<_>>()
        .join("; ");
    let all: Vec<&Shape> = shapes.iter().collect();
    let flat = all_heard && all.iter().all(|shape| shape.surely_flat(good));
    let sags = all.iter().any(|shape| shape.surely_sags(good));
    if flat {
        report.found(Finding::EnvelopeFlat, &values);
        report.note(match allowed {
            Allowed::Guides => "Flat at this tracking position. That alone clears no guide: a head wider than its track hides a height error at centre.",
            Allowed::OwnPath => "Flat on a recording of this machine, which plays flat on a bent path too: this says nothing of the guides.",
            Allowed::Nothing => "Flat on a tape that was not made for it: nothing speaks against the path, nothing proves it.",
        });
    }
    if all.len() == 2 {
        let sides = common_sides(&all, good);
        for side in &sides {
            report.found(side.finding(), &format!("both heads sag {}: {values}", side.text()));
        }
        if sags && sides.is_empty() {
            alone(looks, shapes, good, report);
        } else if sides.contains(&Side::Middle) {
            report.advise(
                "Clean the drum and look at the back tension before any guide: a dip in the middle is contact.",
            );
        }
    } else if sags {
        report.note(
            "Only one head could be judged: whether the other sags as well, as it does with a guide, is not known.",
        );
    }
    if allowed == Allowed::Nothing && !flat {
        if sags {
            report.found(Finding::MachineOrTape, &values);
        }
        let why = "the curve is not surely flat, and this tape cannot tell the machine's path from the one it was recorded on: \
                   only an alignment tape can judge the guides";
        report.unable(Unable::new(UnableCode::WrongTape, why).on("guides"));
        report.advise("Try another tape: a sag that stays is the machine's. Let a scrap tape run first, then an alignment tape judges the guides.");
    }
}

fn alone(looks: &[&Look], shapes: &[Shape], good: f64, report: &mut Report) {
    for (look, shape) in looks.iter().zip(shapes).filter(|(_, shape)| shape.surely_sags(good)) {
        let sides = shape.sides().iter().map(|side| side.text()).collect::<Vec<_>>().join(" and ");
        let head = name(look.head);
        if sides.is_empty() {
            report.note(&format!(
                "{head} is not flat, but its ends do not tell on which side it sags: look at the curve."
            ));
            continue;
        }
        report.note(&format!("{head} sags {sides}, and the other head does not with it: a guide acts on both heads, so this is that head, its contact or its dirt."));
        report.advise(&format!("Clean {head} by hand and look again before touching a guide."));
    }
}

/// Balance of the heads, where both stand clear of the noise.
pub(crate) fn balance_of(a: &Look, b: &Look, settings: &Settings, report: &mut Report) -> Result<()> {
    weigh(&balance(&a.curve, &b.curve).on("balance")?, settings, report);
    Ok(())
}

/// Balance where one head does not stand clear of the noise.
pub(crate) fn balance_with_lost_head(
    kept: &Look,
    lost: &Look,
    times: f64,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let share = lost_share(lost.curve.mean_v(), lost.curve.noise_v, lost.curve.mean_error_v, times);
    let estimate = lost_balance(kept.curve.mean_v(), share, kept.head)?;
    weigh(&estimate, settings, report);
    Ok(())
}

/// Least, likely and greatest level of a head in the noise, in volts: the greatest is what would have
/// counted as clear; the least is a hundredth of it, since a level of nothing has no decibels.
fn lost_share(level_v: f64, noise_v: f64, error_v: f64, times: f64) -> (f64, f64, f64) {
    let greatest_v = (times * noise_v.max(error_v)).max(level_v).max(f64::MIN_POSITIVE);
    let least_v = 0.01 * greatest_v;
    (least_v, level_v.clamp(least_v, greatest_v), greatest_v)
}

fn lost_balance(kept_v: f64, (least_v, level_v, greatest_v): (f64, f64, f64), kept: ScanHead) -> Result<Estimate> {
    // Balance is B over A: with B lost it is negative, with A lost positive.
    let sign = if kept == ScanHead::A { 1.0 } else { -1.0 };
    let db = |v: f64| sign * 20.0 * (v / kept_v).log10();
    let (one, other) = (db(least_v), db(greatest_v));
    let u = (one - other).abs() / 12.0_f64.sqrt();
    let contributions = vec![Contribution::type_b("a level in the noise may be anywhere below it", u)];
    Ok(Estimate::with_interval(db(level_v), one.min(other), one.max(other), u, None, contributions)?)
}

fn weigh(estimate: &Estimate, settings: &Settings, report: &mut Report) {
    let reject = settings.number(&BALANCE_REJECT);
    report.measured(Measured::new("balance", Unit::Decibel, estimate).judged(settings.within(
        0.0,
        &BALANCE_GOOD,
        &BALANCE_REJECT,
    )));
    if let Some(weak) = weak_head(estimate, reject) {
        let seen = format!("head B stands {:+.1} dB against head A", estimate.value);
        report.found(weak, &seen);
    }
}

/// The head that is surely weak; none where the interval does not say so.
fn weak_head(balance: &Estimate, reject_db: f64) -> Option<Finding> {
    if balance.interval.low > reject_db {
        Some(Finding::HeadAWeak)
    } else if balance.interval.high < -reject_db {
        Some(Finding::HeadBWeak)
    } else {
        None
    }
}

/// Middle levels over the known level of this point. Heads are weak alike where both stay below it all along.
/// Far above it the probe's factor is wrong, and weak heads read as strong ones.
pub(crate) fn level(
    looks: &[&Look],
    known: KnownLevel,
    point: &Point,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let limits = settings.at_least(&LEVEL_GOOD, &LEVEL_REJECT);
    let reject = settings.number(&LEVEL_REJECT);
    let mut greatest = Vec::new();
    for look in looks {
        let share = known.share_of(&middle_level(&look.curve)?)?;
        if surely_above(&share, 1.0, settings.number(&LEVEL_MOST)) {
            let middle = Measured::new(format!("{}.level", name(look.head)), Unit::One, &share);
            report.measured(middle);
            let why = format!(
                "{:.2} times the {:.3} V known or expected on {}: check the probe's factor and its point, then the level that was given",
                share.value,
                known.most_v(),
                point.channel
            );
            return Err(Unable::new(UnableCode::BadData, why).on("level"));
        }
        report.measured(Measured::new(format!("{}.level", name(look.head)), Unit::One, &share).judged(limits.clone()));
        greatest.push(known.share_of(&greatest_level(&look.curve)?)?);
    }
    if both_weak(&greatest, reject) {
        let of = greatest.iter().map(|share| format!("{:.2}", share.value)).collect::<Vec<_>>().join(" and ");
        let seen = format!(
            "nowhere in the scan do the heads reach more than {of} of the {:.3} V known or expected",
            known.most_v()
        );
        report.found(Finding::LevelLow, &seen);
    }
    Ok(())
}

/// Both heads are there, and surely weak.
fn both_weak(greatest: &[Estimate], reject: f64) -> bool {
    greatest.len() == 2 && greatest.iter().all(|share| share.interval.high < reject)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lost_head_is_weak_and_on_the_right_side() {
        let lost = lost_share(0.001, 0.004, 0.0005, 3.0);
        for (kept, weak) in [(ScanHead::A, Finding::HeadBWeak), (ScanHead::B, Finding::HeadAWeak)] {
            let estimate = lost_balance(0.2, lost, kept).unwrap();
            assert_eq!(weak_head(&estimate, 3.0), Some(weak), "{estimate:?}");
            assert!(estimate.interval.low <= estimate.value && estimate.value <= estimate.interval.high);
        }
        // Noise near the level of the other head: nothing is sure.
        let unsure = lost_balance(0.2, lost_share(0.05, 0.06, 0.01, 3.0), ScanHead::A).unwrap();
        assert_eq!(weak_head(&unsure, 3.0), None, "{unsure:?}");
    }

    #[test]
    fn a_head_is_weak_only_when_the_interval_says_so() {
        let about =
            |value: f64| Estimate::with_interval(value, value - 0.5, value + 0.5, 0.25, None, Vec::new()).unwrap();
        for (value, want) in
            [(0.0, None), (3.4, None), (3.6, Some(Finding::HeadAWeak)), (-3.4, None), (-3.6, Some(Finding::HeadBWeak))]
        {
            assert_eq!(weak_head(&about(value), 3.0), want, "{value}");
        }
    }

    #[test]
    fn both_heads_are_weak_only_where_both_surely_lie_below() {
        let about =
            |value: f64| Estimate::with_interval(value, 0.9 * value, 1.1 * value, 0.05, None, Vec::new()).unwrap();
        for (shares, want) in [
            (&[1.0, 0.9][..], false),
            (&[0.4, 0.3][..], true),
            (&[0.4, 0.9][..], false),
            (&[0.4, 0.47][..], false),
            // Of one head nothing is said of both.
            (&[0.3][..], false),
        ] {
            let shares: Vec<Estimate> = shares.iter().map(|share| about(*share)).collect();
            assert_eq!(both_weak(&shares, 0.5), want, "{shares:?}");
        }
    }
}
