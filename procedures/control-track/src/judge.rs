//! Judging level, rate, shape, count and delay of the control pulses.

use crate::parameters as p;
use crate::pool;
use crate::take::{Delay, Short, Taker};
use crate::{Counted, pulses_of};
use tapewright_sdk::measure::preconditions::{SpeedFit, speed_fit};
use tapewright_sdk::measure::pulses::Pulses;
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe;

/// Judges all that was measured.
pub(crate) fn judge(
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
pub(crate) fn too_high(taker: &Taker, level: &Estimate, settings: &Settings) -> Option<Unable> {
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

/// Pulses so much too fast are no servo's error, but those of another speed than the recording's (common practice, no source).
const OTHER_SPEED: f64 = 1.25;

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
        let seen = format!("{:.3} Hz, {ratio:.4} times one a frame", rate.value);
        // Missing pulses make a rate too low, and none too high.
        if ratio > OTHER_SPEED {
            report.found(Finding::WrongTapeSpeed, &seen);
        }
        report.found(Finding::ControlTrackWrongRate, &seen);
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
