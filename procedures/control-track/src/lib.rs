//! The procedure control-track: level, rate, jitter, duty, missing pulses, delay to the head switch.
//!
//! Short captures, started by the head switch, give shape and time; slow records without a gap give the count.
//! Short ones come before, between and after the slow ones, so that a phase that creeps has time to show.

mod judge;
mod parameters;
mod plan;
mod pool;
mod take;

use judge::{judge, too_high};
use parameters as p;
use pool::{Count, Timed};
use take::{Short, Taker};
use tapewright_sdk::absence::{Proof, Suspect, Tape, prove};
use tapewright_sdk::formats::SignalForm;
use tapewright_sdk::measure::pulses::Pulses;
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::hides_spikes;

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
        subject.demand_control_track().inspect_err(|_| {
            report.advise("Run `pilot-tracking`: pilot tones under the colour signal, in the RF, take the place of the control pulses.");
        })?;
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
    let loudest = shorts.iter().map(|short| &short.span).max_by(|a, b| a.interval.high.total_cmp(&b.interval.high))?;
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
    // What noise may hide is absent nowhere, and where nothing is expected nobody knows what would count.
    let counts_v = |expected_v: f64| expected_v * settings.number(&p::LEVEL_REJECT) / 100.0;
    if taker.form() == SignalForm::Spike
        && taker.point.expected_v.is_none_or(|expected_v| loudest.interval.high >= counts_v(expected_v))
    {
        report.unable(hides_spikes(&taker.point, loudest.interval.high).on(name));
        return None;
    }
    report.progress(0.1, "proves that the pulses are missing");
    let mut again = Vec::new();
    let suspect = Suspect { point: taker.point.clone(), mode: Mode::Play };
    let proved = prove(&[suspect], taker.frame_hz, subject.tape, |_, _, tape| {
        again = (0..SHORTS).map(|_| taker.short()).collect::<Result<Vec<Short>>>()?;
        let seen = pulses_of(&again, settings, taker);
        // Spikes of another tape that the noise may hide on this one tell nothing of it.
        let hidden = |pulses: &&Pulses| pulses.level.interval.low < loudest.interval.high;
        if tape == Tape::Second && taker.form() == SignalForm::Spike && seen.iter().any(hidden) {
            return Err(hides_spikes(&taker.point, loudest.interval.high));
        }
        Ok(if seen.is_empty() { Vec::new() } else { vec![Signal::ControlTrack] })
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
            match taker.point.expected_v.filter(|_| taker.form() == SignalForm::Spike) {
                Some(expected_v) if loudest.interval.high > expected_v * settings.number(&p::ABSENT) / 100.0 => {
                    let most =
                        format!("at most {:.4} V of {expected_v:.4} V expected, or none: {how}", loudest.interval.high);
                    report.found(Finding::ControlTrackHidden, &most);
                }
                _ => report.found(Finding::ControlTrackAbsent, &how),
            }
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
    rates: Vec<Timed>,
    timebase_u: f64,
}

/// Slow records for as long as is asked, with a short capture after each.
fn count(taker: &Taker, shorts: &mut Vec<Short>, settings: &Settings, report: &mut Report) -> Result<Counted> {
    let mut counted = Counted::default();
    let level_v = pool::level(&pulses_of(shorts, settings, taker))?.value;
    let hidden_v = shorts.iter().map(|short| short.hidden_v).fold(0.0, f64::max);
    if shorts.iter().filter(|short| short.pulses.is_some()).all(|short| short.close) {
        let why = format!(
            "spikes of {:.2} mV stand out of the noise on {} only in a close look, too short to count them: put the probe behind the amplifier, or an amplifier before the scope",
            1e3 * level_v,
            taker.point.channel
        );
        report.unable(Unable::new(UnableCode::InNoise, why).on("control-track.missing"));
        return Ok(counted);
    }
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
    let plan = taker.plan(rate_hz, level_v, hidden_v);
    let records = plan.records_s(settings.number(&p::OBSERVE_S));
    let counting_hz = if (rate_hz / taker.frame_hz - 1.0).abs() < 0.25 { taker.frame_hz } else { rate_hz };
    let mut untold: Vec<Unable> = Vec::new();
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
            Err(unable) if unable.code == UnableCode::BadData => untold.push(unable),
            Err(unable) => return Err(unable),
        }
        one_more(taker, shorts, report)?;
    }
    if let Some(first) = untold.first() {
        let why = format!("in {} of {} records: {}", untold.len(), records.len(), first.why);
        report.unable(Unable::new(first.code, why).on("control-track.missing"));
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

tapewright_sdk::export!(ControlTrack);
