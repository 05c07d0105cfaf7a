//! The procedure control-track: level, rate, jitter, duty, missing pulses, delay to the head switch.
//!
//! Short captures, started by the head switch, give shape and time; slow records without a gap give the count.
//! Short ones come before, between and after the slow ones, so that a phase that creeps has time to show.

mod parameters;
mod plan;
mod pool;
mod take;

use parameters as p;
use pool::Count;
use take::{Delay, Short, Taker};
use tapewright_sdk::absence::{Proof, Suspect, prove};
use tapewright_sdk::measure::preconditions::{SpeedFit, speed_fit};
use tapewright_sdk::measure::pulses::Pulses;
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe;

struct ControlTrack;

/// Short captures before the first and after the last record.
const SHORTS: usize = 3;

impl Procedure for ControlTrack {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&p::PAIRS)?;
        let subject = subject()?;
        if !subject.format.control_track {
            report.advise("Tracking is done by pilot tones under the colour signal: look for them in the RF instead, and at the tracking error made of them.");
            let why = format!(
                "format {} has no control track: pilot tones recorded with the picture take its place",
                subject.format.name
            );
            return Err(Unable::new(UnableCode::NotInFormat, why));
        }
        let mut taker = Taker {
            point: hooked_up(Signal::ControlTrack)?,
            switch: hookup()?.into_iter().find(|point| point.signal == Signal::HeadSwitch),
            scope: abilities(),
            frame_hz: subject.format.lines.frame_rate_hz(),
        };
        if taker.point.trigger_only {
            let why = format!(
                "control-track is on {}, which can only trigger: put it on a channel that samples",
                taker.point.channel
            );
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        go(Mode::Play)?;
        report.progress(0.0, "looks at the pulses");
        let mut shorts = first_shorts(&mut taker, report)?;
        if pulses_of(&shorts, settings, &taker).is_empty() {
            match absent(&taker, &subject, &shorts, settings, report) {
                Some(again) => shorts = again,
                None => return Ok(()),
            }
        }
        // Before anything is counted: nothing that a wrong probe shows tells of the machine.
        if let Some(unable) = too_high(&taker, &pool::level(&pulses_of(&shorts, settings, &taker))?, settings) {
            report.unable(unable);
            return Ok(());
        }
        let counted = count(&taker, &mut shorts, settings, report)?;
        report.progress(0.98, "judges");
        judge(&taker, &subject, &shorts, &counted, settings, report)
    }
}

/// Short captures; in free run where no head switch triggers.
fn first_shorts(taker: &mut Taker, report: &mut Report) -> Result<Vec<Short>> {
    let first = match taker.short() {
        Err(unable) if unable.code == UnableCode::NoTrigger && taker.switch.is_some() => {
            let why = format!(
                "the head switch did not trigger ({}), so the delay to it is not measured: run `signal-presence` first",
                unable.why
            );
            report.unable(Unable::new(UnableCode::SignalAbsent, why).on("control-track.delay"));
            taker.switch = None;
            taker.short()?
        }
        other => other?,
    };
    let mut shorts = vec![first];
    for _ in 1..SHORTS {
        shorts.push(taker.short()?);
    }
    Ok(shorts)
}

/// The pulses of captures that show some; what is far below the expected level is crosstalk.
fn pulses_of<'a>(shorts: &'a [Short], settings: &Settings, taker: &Taker) -> Vec<&'a Pulses> {
    let least_v = taker.point.expected_v.unwrap_or(0.0) * settings.number(&p::CROSSTALK) / 100.0;
    shorts
        .iter()
        .filter_map(|short| short.pulses.as_ref())
        .filter(|pulses| pulses.level.interval.high >= least_v)
        .collect()
}

/// Nothing was seen: proves it and reports it; or new captures, if it is there after all.
fn absent(
    taker: &Taker,
    subject: &Subject,
    shorts: &[Short],
    settings: &Settings,
    report: &mut Report,
) -> Option<Vec<Short>> {
    let name = "control-track.level";
    let loudest = shorts.iter().map(|short| &short.span).max_by(|a, b| a.value.total_cmp(&b.value))?;
    if let Some(expected_v) = taker.point.expected_v
        && loudest.interval.low >= expected_v * settings.number(&p::LEVEL_REJECT) / 100.0
    {
        let why = format!(
            "{} spans {:.3} V, but shows no {} pulses: look at it, at the probe's place and earth, and at `form` in the hookup",
            taker.point.channel,
            loudest.value,
            taker.form()
        );
        report.unable(Unable::new(UnableCode::BadData, why).on(name));
        return None;
    }
    report.progress(0.1, "proves that the pulses are missing");
    let mut again = Vec::new();
    let suspect = Suspect { point: taker.point.clone(), mode: Mode::Play };
    let proved = prove(&[suspect], taker.frame_hz, subject.tape, |_, _, _| {
        again = (0..SHORTS).map(|_| taker.short()).collect::<Result<Vec<Short>>>()?;
        Ok(if pulses_of(&again, settings, taker).is_empty() { Vec::new() } else { vec![Signal::ControlTrack] })
    });
    if let Some(unable) = proved.wrong_tape {
        report.unable(unable);
    }
    match proved.proofs.into_iter().next() {
        Some(Proof::Seen) => return Some(again),
        Some(Proof::Absent(how)) => {
            let measured = Measured::new(name, Unit::Volt, loudest);
            match taker.point.expected_v {
                Some(expected_v) => drop(report.measured(measured.judged(p::floor(settings, expected_v)))),
                None => {
                    report.measured(measured);
                    report.unable(
                        Unable::new(UnableCode::SignalAbsent, "there are no control pulses to measure")
                            .on("control-track"),
                    );
                }
            }
            report.found(Finding::ControlTrackAbsent, &how);
        }
        Some(Proof::OnOtherTape) => {
            let why = format!(
                "tape `{}` carries no control pulses, and another tape does: use a tape that plays elsewhere",
                subject.tape_name
            );
            report.unable(Unable::new(UnableCode::WrongTape, why).on("control-track"));
        }
        Some(Proof::Open(unable)) => report.unable(unable),
        None => {}
    }
    None
}

/// What the slow records gave.
#[derive(Default)]
struct Counted {
    count: Count,
    rates: Vec<Estimate>,
    timebase_u: f64,
}

/// Slow records for as long as is asked, with a short capture after each.
fn count(taker: &Taker, shorts: &mut Vec<Short>, settings: &Settings, report: &mut Report) -> Result<Counted> {
    let mut counted = Counted::default();
    let rates =
        pulses_of(shorts, settings, taker).into_iter().filter_map(|pulses| pulses.rate(taker.frame_hz, 0.0).ok());
    // A tape at a wrong speed has its own rate; the records have to fit that.
    let rate_hz =
        rates.map(|rate| rate.value).fold(None, |fastest: Option<f64>, hz| Some(fastest.map_or(hz, |f| f.max(hz))));
    let Some(rate_hz) = rate_hz else {
        let why = "fewer than two pulses came in each capture, so they cannot be counted: they come far too seldom, or drop out";
        report.unable(Unable::new(UnableCode::TooShort, why).on("control-track.missing"));
        return Ok(counted);
    };
    let level_v = pool::level(&pulses_of(shorts, settings, taker))?.value;
    let plan = taker.plan(rate_hz);
    let records = plan.records_s(settings.number(&p::OBSERVE_S));
    let counting_hz = if (rate_hz / taker.frame_hz - 1.0).abs() < 0.25 { taker.frame_hz } else { rate_hz };
    for (place, &record_s) in records.iter().enumerate() {
        report.progress(
            0.05 + 0.9 * place as f64 / records.len() as f64,
            &format!("counts pulses, record {} of {}", place + 1, records.len()),
        );
        match taker.count(&plan, record_s, counting_hz, level_v, &mut counted.count) {
            Ok(slow) => {
                counted.timebase_u = counted.timebase_u.max(slow.timebase_u);
                counted.rates.extend(slow.rate);
            }
            Err(unable) if unable.code == UnableCode::BadData => report.unable(unable.on("control-track.missing")),
            Err(unable) => return Err(unable),
        }
        one_more(taker, shorts, report)?;
    }
    for _ in 1..SHORTS {
        one_more(taker, shorts, report)?;
    }
    Ok(counted)
}

/// One more short capture. A head switch that fails now is remarked, and what was measured so far stays.
fn one_more(taker: &Taker, shorts: &mut Vec<Short>, report: &mut Report) -> Result<()> {
    match taker.short() {
        Ok(short) => shorts.push(short),
        Err(unable) if unable.code == UnableCode::NoTrigger => report.unable(unable.on("control-track.delay")),
        Err(unable) => return Err(unable),
    }
    Ok(())
}

fn judge(
    taker: &Taker,
    subject: &Subject,
    shorts: &[Short],
    counted: &Counted,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let captures = pulses_of(shorts, settings, taker);
    // More captures may be sure where the first ones were not.
    if let Some(unable) = too_high(taker, &pool::level(&captures).on("control-track.level")?, settings) {
        report.unable(unable);
        return Ok(());
    }
    report.found(Finding::ControlTrackPresent, &format!("{} in play", taker.point.channel));
    judge_level(taker, &captures, settings, report)?;
    judge_rate(taker, subject, counted, settings, report)?;
    judge_shape(taker, &captures, counted, settings, report);
    judge_count(counted, settings, report)?;
    judge_delay(taker, shorts, settings, report);
    Ok(())
}

/// That the pulses stand far above the expected level.
fn too_high(taker: &Taker, level: &Estimate, settings: &Settings) -> Option<Unable> {
    let most = probe::most(&taker.point, Mode::Play, settings)?;
    let expected_v = taker.point.expected_v?;
    probe::surely_above(level, expected_v, most)
        .then(|| probe::wrong(&taker.point, level, expected_v).on("control-track.level"))
}

fn judge_level(taker: &Taker, captures: &[&Pulses], settings: &Settings, report: &mut Report) -> Result<()> {
    let level = pool::level(captures).on("control-track.level")?;
    let measured = Measured::new("control-track.level", Unit::Volt, &level);
    let Some(expected_v) = taker.point.expected_v else {
        report.measured(measured);
        report.note("control-track.level is not judged: give `expected-v` in the hookup, best as measured with an alignment tape");
        return Ok(());
    };
    if report.measured(measured.judged(p::floor(settings, expected_v))) == Some(Outcome::Fail) {
        report.found(Finding::ControlTrackWeak, &format!("{:.4} V of {expected_v:.4} V expected", level.value));
    }
    Ok(())
}

fn judge_rate(
    taker: &Taker,
    subject: &Subject,
    counted: &Counted,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    if counted.rates.is_empty() {
        report.unable(
            Unable::new(UnableCode::TooShort, "no slow record held two pulses: there is no rate")
                .on("control-track.rate"),
        );
        return Ok(());
    }
    let rate = pool::rate(&counted.rates, counted.timebase_u).on("control-track.rate")?;
    report.measured(Measured::new("control-track.period", Unit::Millisecond, &period_ms(&rate)?));
    let outcome = report
        .measured(Measured::new("control-track.rate", Unit::Hertz, &rate).judged(p::rate(settings, taker.frame_hz)));
    if outcome == Some(Outcome::Fail) {
        let ratio = rate.value / taker.frame_hz;
        report.found(Finding::ControlTrackWrongRate, &format!("{:.3} Hz, {ratio:.4} times one a frame", rate.value));
        if let Ok(SpeedFit::Multiple(times)) = speed_fit(&rate, subject.format.lines) {
            report.advise(&format!("The tape runs at {times:.2} times the speed of its recording: check the speed setting, and the format said for this job."));
        }
    }
    Ok(())
}

/// The period: the rate's inverse, to first order in its uncertainty.
fn period_ms(rate: &Estimate) -> Result<Estimate> {
    let value = 1e3 / rate.value;
    let shares = rate.contributions.iter().map(|share| Contribution {
        standard_uncertainty: share.standard_uncertainty * value / rate.value,
        ..share.clone()
    });
    Ok(Estimate::combined(value, shares.collect())?)
}

/// Jitter and duty, over all short captures.
fn judge_shape(taker: &Taker, captures: &[&Pulses], counted: &Counted, settings: &Settings, report: &mut Report) {
    let nothing = || {
        let why = "no capture holds two pulses: there is no interval between them";
        Unable::new(UnableCode::TooShort, why).on("control-track.jitter")
    };
    // One period for all captures: few pulses of one alone may all lie two periods apart.
    let Some(period_s) = pool::period(captures, taker.frame_hz) else { return report.unable(nothing()) };
    let captures: Vec<Pulses> = captures.iter().map(|pulses| pulses.of_period(period_s)).collect();
    let captures: Vec<&Pulses> = captures.iter().collect();
    let Some(whole) = pool::one_after_the_other(&captures, period_s) else { return report.unable(nothing()) };
    match whole.jitter_about(period_s) {
        Ok(jitter) => {
            let limits = settings.at_most(&p::JITTER_GOOD, &p::JITTER_REJECT);
            report
                .measured(Measured::new("control-track.jitter", Unit::Millisecond, &jitter.scaled(1e3)).judged(limits));
        }
        Err(error) => report.unable(Unable::from(error).on("control-track.jitter")),
    }
    if taker.form() == tapewright_sdk::formats::SignalForm::Spike {
        return report
            .note("control-track.duty is not measured: spikes off a head have none; take it after the amplifier");
    }
    // Pulses come once a frame unless the records surely say otherwise.
    let rate = pool::rate(&counted.rates, counted.timebase_u).ok();
    let other = rate.filter(|rate| !(rate.interval.low..=rate.interval.high).contains(&taker.frame_hz));
    match pool::duty(&captures, other.map_or(taker.frame_hz, |rate| rate.value).recip()) {
        Ok(duty) => {
            let marked = whole.duties.iter().filter(|percent| **percent < 45.0).count();
            if marked > 0 {
                report.note(&format!(
                    "{marked} of {} pulses have the duty of an index mark; the median leaves them out",
                    whole.duties.len()
                ));
            }
            let limits = settings.within(p::DUTY_PERCENT, &p::DUTY_GOOD, &p::DUTY_REJECT);
            let outcome = report.measured(Measured::new("control-track.duty", Unit::Percent, &duty).judged(limits));
            if outcome == Some(Outcome::Fail) {
                let seen = format!("high for {:.1} % of the period, {} % is ordinary", duty.value, p::DUTY_PERCENT);
                report.found(Finding::ControlTrackWrongDuty, &seen);
            }
        }
        Err(unable) => report.unable(unable.on("control-track.duty")),
    }
}

fn judge_count(counted: &Counted, settings: &Settings, report: &mut Report) -> Result<()> {
    let count = &counted.count;
    if count.expected == 0 {
        return Ok(());
    }
    let share = count.share().on("control-track.missing")?;
    report.note(&format!(
        "{} of {} control pulses are missing in {:.1} s observed",
        count.missing, count.expected, count.observed_s
    ));
    let limits = settings.at_most(&p::MISSING_GOOD, &p::MISSING_REJECT);
    let outcome = report.measured(Measured::new("control-track.missing", Unit::Percent, &share).judged(limits));
    match outcome {
        Some(Outcome::Fail) => report.found(
            Finding::ControlTrackMissing,
            &format!("{} of {} in {:.1} s", count.missing, count.expected, count.observed_s),
        ),
        Some(Outcome::Inconclusive) => report.advise(
            "Observe the control pulses for longer (`observe-s`): too few came to decide on the share of missing ones.",
        ),
        _ => {}
    }
    Ok(())
}

fn judge_delay(taker: &Taker, shorts: &[Short], settings: &Settings, report: &mut Report) {
    if taker.switch.is_none() {
        return report.note("control-track.delay is not measured: no head switch to hold it against");
    }
    let frame_s = 1.0 / taker.frame_hz;
    let delays: Vec<&Delay> = shorts.iter().filter_map(|short| short.delay.as_ref()).collect();
    let means: Vec<Estimate> = delays.iter().map(|delay| delay.mean.clone()).collect();
    let mut keeps_its_place = false;
    match pool::wander(&means, frame_s) {
        Ok(wander) => {
            let wander = wander.scaled(1e3);
            let limits = settings.at_most(&p::WANDER_GOOD, &p::WANDER_REJECT);
            let measured = Measured::new("control-track.delay-wander", Unit::Millisecond, &wander).judged(limits);
            match report.measured(measured) {
                Some(Outcome::Fail) => {
                    let seen = format!("the delay to the head switch wanders by {:.2} ms", wander.value);
                    report.found(Finding::ControlTrackNotLocked, &seen);
                }
                outcome => keeps_its_place = outcome >= Some(Outcome::Marginal),
            }
        }
        Err(unable) => report.unable(unable.on("control-track.delay-wander")),
    }
    if !keeps_its_place {
        return report.note("control-track.delay is not stated: it does not surely keep its place");
    }
    match pool::delay(&delays, frame_s) {
        Ok(mean) => drop(report.measured(Measured::new("control-track.delay", Unit::Millisecond, &mean.scaled(1e3)))),
        Err(unable) => report.note(&format!("control-track.delay has no mean: {}", unable.why)),
    }
}

tapewright_sdk::export!(ControlTrack);
