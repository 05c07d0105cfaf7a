//! The procedure drum-lock: the head switch against the servo's reference.

mod alone;
mod parameters;

use parameters as p;
use tapewright_sdk::measure::servo::{Look, Manner, Nominal, PhaseRecord};
use tapewright_sdk::phase::PhaseTaker;
use tapewright_sdk::prelude::*;

struct DrumLock;

impl Procedure for DrumLock {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&p::PAIRS)?;
        let subject = subject()?;
        let lines = subject.format.lines;
        hooked_up(Signal::HeadSwitch)?;
        let reference = hookup()?.into_iter().any(|point| point.signal == Signal::Reference);
        // From rest, so that there is a change of mode to count from.
        if now() != Mode::Stop {
            go(Mode::Stop)?;
        }
        let took_s = go(Mode::Play)?;
        if !reference {
            report.note("The reference is not hooked up: the drum's rate is held against the scope's time base, and nothing is said of its phase.");
            return alone::judge(lines, settings, report);
        }
        let mut taker = PhaseTaker::new(Signal::Reference, lines)?;
        let looks = taker.series(settings.number(&p::OBSERVE_S), settings.count(&p::LOOKS) as usize, |share| {
            report.progress(0.1 + 0.85 * share, "watches the drum's phase against the reference");
        });
        let looks = match looks {
            Err(unable) if unable.code == UnableCode::SignalAbsent => {
                report.unable(unable);
                report.advise("Follow the reference to its source: without it the drum can lock to nothing.");
                return alone::judge(lines, settings, report);
            }
            other => other?,
        };
        if let Some((signal, rate)) = taker.other_rate()? {
            return another_rate(signal, &rate, &taker, settings, report);
        }
        let met = taker.met();
        if let Some(remark) = met.remark() {
            report.note(&remark);
        }
        // The pulses that did come may still show that the drum walks, but no lock.
        let too_few = met.too_few("follow the reference to its source, and see that the head switch is steady");
        let proves = too_few.is_none();
        if let Some(unable) = too_few {
            report.unable(unable.on("drum.phase"));
        }
        let record = PhaseRecord::new(&looks, taker.turns(Nominal::Train)).on("drum.phase")?;
        judge(&record, &looks, took_s, proves, settings, report)
    }
}

fn judge(
    record: &PhaseRecord,
    looks: &[Look],
    took_s: f64,
    proves: bool,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    report.note(&format!("{} looks over {:.1} s observed", looks.len(), record.observed_s()));
    // The train is the reference: f_drum / f_ref = 1 - s.
    let rate = record.drift()?.scaled(-100.0);
    let outcome = report.measured(Measured::new("drum.rate-error", Unit::Percent, &rate).judged(settings.within(
        0.0,
        &p::RATE_GOOD,
        &p::RATE_REJECT,
    )));
    let swing_good_s = settings.number(&p::SWING_GOOD) * 1e-6;
    let manner = record.manner(swing_good_s)?;
    if manner == Manner::Walks || outcome == Some(Outcome::Fail) {
        let seen = format!("{:+.4} % off the reference, over {:.1} s", rate.value, record.observed_s());
        report.found(Finding::DrumNotLocked, &seen);
        // The walk is what fails, however small the error of the rate is.
        let walk = record.drift()?.scaled(record.observed_s() * 1e6);
        let limits = settings.within(0.0, &p::SWING_GOOD, &p::SWING_REJECT);
        report.measured(Measured::new("drum.walk", Unit::Microsecond, &walk).judged(limits));
        report.note("The drum runs at another rate than the reference: it has no phase to speak of.");
        return Ok(());
    }
    report.measured(Measured::new("drum.phase", Unit::Millisecond, &record.phase()?.scaled(1e3)));
    report.measured(Measured::new("drum.drift", Unit::One, &record.drift()?));
    let jitter = record.jitter()?.scaled(1e6);
    let limits = settings.at_most(&p::JITTER_GOOD, &p::JITTER_REJECT);
    let jittery = report.measured(Measured::new("drum.jitter", Unit::Microsecond, &jitter).judged(limits));
    let swing = record.swing()?.scaled(1e6);
    let limits = settings.at_most(&p::SWING_GOOD, &p::SWING_REJECT);
    let swings = report.measured(Measured::new("drum.swing", Unit::Microsecond, &swing).judged(limits));
    if manner == Manner::Hunts {
        report.found(
            Finding::DrumHunting,
            &format!(
                "{:.0} us to either side, about {:.1} s a cycle",
                swing.value,
                record.observed_s() / record.cycles()
            ),
        );
    } else if jittery == Some(Outcome::Fail) {
        report.found(Finding::DrumJitter, &format!("standard deviation {:.1} us, without a slow course", jitter.value));
    }
    lock_time(record, looks, took_s, settings, report)?;
    if proves && outcome == Some(Outcome::Pass) && jittery == Some(Outcome::Pass) && swings == Some(Outcome::Pass) {
        report.found(Finding::DrumLocked, &format!("over {:.1} s observed", record.observed_s()));
    }
    Ok(())
}

/// What comes at another rate keeps its phase all the same, look after look.
fn another_rate(
    signal: Signal,
    rate: &Estimate,
    taker: &PhaseTaker,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let frame_hz = 1.0 / taker.period_s();
    let seen = format!("{:.4} Hz, {frame_hz:.4} Hz are right", rate.value);
    if signal == Signal::Reference {
        let why = format!(
            "the reference comes at {seen}: nothing can be held against it; look whether the probe is on the servo's reference, and at its source"
        );
        return Err(Unable::new(UnableCode::WrongSpeed, why).on("drum.phase"));
    }
    let error = rate.clone().scaled(100.0 / frame_hz).shifted(-100.0);
    let limits = settings.within(0.0, &p::RATE_GOOD, &p::RATE_REJECT);
    report.measured(Measured::new("drum.rate-error", Unit::Percent, &error).judged(limits));
    report.found(Finding::DrumNotLocked, &seen);
    report.note("The drum runs at another rate than the reference: it has no phase to speak of.");
    Ok(())
}

/// From the key to the first look from which on the phase stands.
fn lock_time(
    record: &PhaseRecord,
    looks: &[Look],
    took_s: f64,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let estimate = record.lock_time(looks, took_s)?;
    let limits = settings.at_most(&p::LOCK_GOOD, &p::LOCK_REJECT);
    report.measured(Measured::new("drum.lock-time", Unit::Second, &estimate).judged(limits));
    Ok(())
}

tapewright_sdk::export!(DrumLock);
