//! The procedure search-modes: noise bars in cue and review, how many and where, against the format's geometry.

mod parameters;
mod take;

use parameters as p;
use take::{HeadLook, Looks, drum_ratio, looks, scans_a_capture, sign, take};
use tapewright_sdk::formats::definitions::pitches_a_bar;
use tapewright_sdk::formats::{Format, SignalForm};
use tapewright_sdk::measure::search::{Bars, FirstBar, Places};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

struct SearchModes;

impl Procedure for SearchModes {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&p::PAIRS)?;
        let subject = subject()?;
        let front = Front::slow(&subject)?;
        let control = hookup()?
            .into_iter()
            .find(|point| point.signal == Signal::ControlTrack && !point.trigger_only && subject.format.control_track)
            .map(|point| if point.form == SignalForm::Spike { SignalForm::Spike } else { SignalForm::Square });
        let mut taken = Vec::new();
        for (place, mode) in [Mode::Cue, Mode::Review].into_iter().enumerate() {
            report.progress(0.05 + 0.45 * place as f64, &format!("captures scans in {mode}"));
            taken.push(take(&front, subject.format, mode, settings.count(&p::SCANS), control)?);
        }
        // The noise is known once the tape stands: only then is a level one.
        let floor = front.floor_in_stop(scans_a_capture(&front))?;
        for take in &taken {
            if control.is_some() && take.by_pulses.is_none() {
                report.note(&format!(
                    "{}: the control pulses tell no speed, since noise hides them or they come at odd places: the bars are not held against it; `control-track` looks closer",
                    take.mode
                ));
            }
            let looks = looks(&front, subject.format, take, &floor)?;
            judge(take.mode, &subject, &looks, take.by_pulses.as_ref(), settings, report)?;
        }
        Ok(())
    }
}

/// The speed that a count of bars means.
fn speed_of(mode: Mode, format: &Format, bars: &Estimate) -> Result<Estimate> {
    let crossed = sign(mode) * pitches_a_bar(format);
    let (ratio, half) = drum_ratio(format, 1.0 + crossed * bars.value);
    let speed = bars.clone().scaled(crossed).shifted(ratio);
    Ok(speed.also(Contribution::rectangular("drum's rate in search: corrected or not", half))?)
}

fn judge(
    mode: Mode,
    subject: &Subject,
    looks: &Looks,
    by_pulses: Option<&Estimate>,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let format = subject.format;
    let counted: Vec<(&HeadLook, &Bars)> =
        looks.heads.iter().filter_map(|head| head.bars.as_ref().ok().map(|bars| (head, bars))).collect();
    let missing = balance(mode, (&looks.heads, format), settings, report)?;
    for head in &looks.heads {
        if let Err(unable) = &head.bars
            && missing != Some(head.name)
        {
            report.unable(unable.clone().on(format!("{mode}.{}.bars", head.name)));
        }
    }
    for (head, bars) in &counted {
        if missing == Some(head.name) {
            continue;
        }
        report.measured(Measured::new(format!("{mode}.{}.bars", head.name), Unit::One, &bars.count));
        let places: Vec<String> = bars.first.iter().take(4).map(|x| format!("{x:.2}")).collect();
        report.note(&format!(
            "{mode}, {}: first bar at {} of the scan in one scan after the other; the wave explains {:.0} % of the level",
            head.name,
            places.join(", "),
            100.0 * bars.explained
        ));
    }
    // Both heads cross the same tape: the one whose bars are known better tells the speed.
    let best = counted
        .iter()
        .filter(|(head, _)| missing != Some(head.name))
        .min_by(|a, b| a.1.count.standard_uncertainty.total_cmp(&b.1.count.standard_uncertainty));
    let Some((_, bars)) = best else { return Ok(()) };
    let in_place = match &looks.places {
        // Where one head is missing, or its bars cannot be counted, there is nothing to go on from.
        Some(places) if missing.is_none() && counted.len() == looks.heads.len() => match places {
            Ok(places) => Some(judge_places(mode, subject, places, settings, report)),
            Err(unable) => {
                report.unable(unable.clone().on(format!("{mode}.places-off")));
                Some(false)
            }
        },
        None if looks.heads.len() == 2 && missing.is_none() => {
            report.note(&format!(
                "{mode}: a scan holds less than a bar, so that where head B's bars lie against head A's is not told"
            ));
            None
        }
        None if looks.heads.len() == 1 => {
            report.note(&format!(
                "{mode}: the RF point carries one head, and where its bars lie is held against nothing"
            ));
            None
        }
        _ => None,
    };
    let speed = speed_of(mode, format, &bars.count)?;
    let asked = sign(mode) * settings.number(&p::SPEED);
    let measured = Measured::new(format!("{mode}.speed"), Unit::One, &speed);
    let mut wrong = false;
    if asked == 0.0 {
        // Bars that fit the pulses say only that tape and pulses agree: both may run at a wrong speed.
        report.measured(measured);
        let why = "how fast the machine shall search is not known: set `search-speed` from its service data";
        report.unable(Unable::new(UnableCode::NotPossible, why).on(format!("{mode}.speed")));
    } else {
        let limits = settings.within(0.0, &p::SPEED_GOOD, &p::SPEED_REJECT);
        let about = |limit: Limit| {
            let half = limit.at_most.unwrap_or(0.0) / 100.0 * asked.abs();
            Limit { at_least: Some(asked - half), at_most: Some(asked + half) }
        };
        let limits = Limits { good: about(limits.good), reject: about(limits.reject), source: limits.source };
        wrong |= report.measured(measured.judged(limits)) == Some(Outcome::Fail);
    }
    if let Some(pulses) = by_pulses {
        // Control pulses do not tell forwards from backwards.
        let n = sign(mode) * pulses.value;
        let by_pulses = pulses.clone().scaled(sign(mode));
        report.measured(Measured::new(format!("{mode}.speed-by-pulses"), Unit::One, &by_pulses));
        let (ratio, half) = drum_ratio(format, n);
        let a_pitch = 1.0 / pitches_a_bar(format);
        let predicted = a_pitch * (n - ratio).abs();
        let off = bars
            .count
            .clone()
            .shifted(-predicted)
            .also(Contribution::type_b("rate of the control pulses", a_pitch * pulses.standard_uncertainty))?
            .also(Contribution::rectangular("drum's rate in search: corrected or not", a_pitch * half))?;
        let limits = settings.within(0.0, &p::BARS_GOOD, &p::BARS_REJECT);
        let outcome = report.measured(Measured::new(format!("{mode}.bars-off"), Unit::One, &off).judged(limits));
        if outcome == Some(Outcome::Fail) {
            wrong = true;
        } else if outcome == Some(Outcome::Pass) && !wrong && in_place == Some(true) {
            report.found(
                Finding::SearchAsPredicted,
                &format!("{mode}: {:.2} bars, {predicted:.2} predicted at {n:.2} times play speed", bars.count.value),
            );
        }
    }
    if wrong {
        report.found(
            Finding::SearchWrongSpeed,
            &format!("{mode}: {:.2} bars a scan are {:.2} times play speed", bars.count.value, speed.value),
        );
    }
    Ok(())
}

/// Head B's bars against where head A's go on; whether they lie well.
fn judge_places(mode: Mode, subject: &Subject, places: &Places, settings: &Settings, report: &mut Report) -> bool {
    let of = |each: fn(&FirstBar) -> f64| {
        places.first.iter().take(4).map(|bar| format!("{:.2}", each(bar))).collect::<Vec<_>>().join(", ")
    };
    report.note(&format!(
        "{mode}: where head A's bars go on, head B's first bar comes at {} of the scan after; it is seen at {}",
        of(|bar| bar.predicted),
        of(|bar| bar.seen)
    ));
    let limits = settings.within(0.0, &p::PLACES_GOOD, &p::PLACES_REJECT);
    let name = format!("{mode}.places-off");
    let measured = Measured::new(name.clone(), Unit::One, &places.off);
    let judged = measured.clone().judged(limits);
    let outcome = judged.outcome();
    // Tracks lie as the heads stood that recorded them: only an alignment tape's are known to lie right.
    let judges = subject.tape == TapeKind::Alignment;
    report.measured(if judges { judged } else { measured });
    if !judges && outcome != Some(Outcome::Pass) {
        let why = format!(
            "head B's bars lie {:+.2} of their distance off, and a tape of kind {} carries its own recorder's heads: only an alignment tape can judge this machine's; play one after a scrap tape ran safely, or run `tracking-centre` with it, which is kinder to the tape",
            places.off.value, subject.tape
        );
        report.unable(Unable::new(UnableCode::WrongTape, why).on(name));
    }
    if outcome == Some(Outcome::Fail) {
        let off = places.off.value;
        // Forwards a head that stands towards later tracks meets its bars sooner.
        let height_pitch = -sign(mode) * off * pitches_a_bar(subject.format);
        let or = match subject.tape {
            TapeKind::Alignment => "",
            TapeKind::Own => ", against how they stood when this tape was recorded",
            TapeKind::Other | TapeKind::Unknown => ", or the tape's tracks of one head were recorded so",
        };
        report.found(
            Finding::SearchPlacesOff,
            &format!(
                "{mode}: head B's bars come {off:+.2} of their distance after where head A's go on: head B stands \
                 {height_pitch:+.2} pitches towards later tracks against head A{or}"
            ),
        );
    }
    outcome == Some(Outcome::Pass)
}

/// Balance of the heads; the name of one that is missing.
fn balance(
    mode: Mode,
    (heads, format): (&[HeadLook], &Format),
    settings: &Settings,
    report: &mut Report,
) -> Result<Option<&'static str>> {
    let [a, b] = heads else { return Ok(None) };
    let estimate = decibels(b, a, format)?;
    let db = estimate.value;
    let limits = settings.within(0.0, &p::BALANCE_GOOD, &p::BALANCE_REJECT);
    let outcome = report.measured(Measured::new(format!("{mode}.balance"), Unit::Decibel, &estimate).judged(limits));
    if outcome != Some(Outcome::Fail) {
        return Ok(None);
    }
    let missing = if db < 0.0 { b.name } else { a.name };
    report.found(Finding::SearchHeadMissing, &format!("{mode}: head B stands {db:+.1} dB against head A"));
    Ok(Some(missing))
}

/// Relative standard uncertainty where the colour between the bars is that of no other track (by trial on simulated machines: up to
/// 0.1 dB off with a picture that changes).
const GUARDED_U: f64 = 0.006;

/// Least share of the other head's level that is told from nothing: 60 dB down.
const NOTHING: f64 = 1e-3;

/// A head's level against another's, in decibels. What is not known of the noise moves both levels, and the weaker head's by
/// the greater share.
fn decibels(of: &HeadLook, against: &HeadLook, format: &Format) -> Result<Estimate> {
    let weaker = of.level_v.mean < against.level_v.mean;
    let (weak, strong) = if weaker { (of, against) } else { (against, of) };
    let whole = strong.level_v.mean.max(f64::MIN_POSITIVE);
    let ratio = weak.level_v.mean / whole;
    let scatter = |head: &HeadLook| head.level_v.standard_deviation / (head.level_v.count as f64).sqrt() / whole;
    let dof = |head: &HeadLook| (head.level_v.count as f64 - 1.0).max(1.0);
    let shares = vec![
        Contribution::type_a("levels of the stronger head's scans", ratio * scatter(strong), dof(strong)),
        Contribution::type_a("levels of the weaker head's scans", scatter(weak), dof(weak)),
        Contribution::type_b("correction of noise", (weak.by_noise_v - ratio * strong.by_noise_v).abs() / whole),
        Contribution::type_b(
            "share of a bin at its crest",
            (weak.by_crest_v - ratio * strong.by_crest_v).abs() / whole,
        ),
        Contribution::type_b("count of bars", (weak.by_count_v - ratio * strong.by_count_v).abs() / whole),
        Contribution::type_b(
            "colour in every track",
            if pitches_a_bar(format) > 1.0 { 0.0 } else { GUARDED_U * ratio },
        ),
    ];
    let linear = Estimate::combined(ratio, shares)?;
    let sign = if weaker { 1.0 } else { -1.0 };
    let db = |ratio: f64| sign * 20.0 * ratio.max(NOTHING).log10();
    let per = 20.0 / core::f64::consts::LN_10 / ratio.max(NOTHING);
    let ends = [db(linear.interval.low), db(linear.interval.high)];
    let shares = linear.contributions.into_iter();
    let shares = shares.map(|share| Contribution { standard_uncertainty: per * share.standard_uncertainty, ..share });
    let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
    let (u, dof) = (per * linear.standard_uncertainty, linear.degrees_of_freedom);
    Ok(Estimate::with_interval(db(ratio), low, high, u, dof, shares.collect())?)
}

tapewright_sdk::export!(SearchModes);
