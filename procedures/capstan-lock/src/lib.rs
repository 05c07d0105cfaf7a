//! The procedure capstan-lock: control pulses against the head switch.

mod parameters;

use parameters as p;
use tapewright_sdk::measure::servo::{Manner, Nominal, PhaseRecord};
use tapewright_sdk::phase::PhaseTaker;
use tapewright_sdk::prelude::*;

struct CapstanLock;

impl Procedure for CapstanLock {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&p::PAIRS)?;
        let subject = subject()?;
        subject.demand_control_track().inspect_err(|_| {
            report.advise("Hold the two beats of the pilot tones against each other instead (`pilot-tracking`), or watch the RF for slip (`still-against-play`).");
        })?;
        let lines = subject.format.lines;
        let mut taker = PhaseTaker::new(Signal::ControlTrack, lines)?;
        // From rest, so that there is a change of mode to count from.
        if now() != Mode::Stop {
            go(Mode::Stop)?;
        }
        let took_s = go(Mode::Play)?;
        let looks = taker.series(settings.number(&p::OBSERVE_S), settings.count(&p::LOOKS) as usize, |share| {
            report.progress(0.1 + 0.85 * share, "watches the control pulses against the head switch");
        })?;
        if let Some((signal, rate)) = taker.other_rate()? {
            another_speed(signal, &rate, lines.frame_rate_hz(), settings, report);
            return Ok(());
        }
        let met = taker.met();
        if let Some(remark) = met.remark() {
            report.note(&remark);
        }
        let turns = taker.turns(Nominal::Drum);
        if turns.train_triggers {
            report.note(
                "The control pulses trigger the looks, so missing ones do not show here: `control-track` counts them.",
            );
        }
        // The pulses that did come may still show a slip, but no lock.
        let too_few =
            met.too_few("run `control-track`, it counts missing pulses, and see that the head switch is steady");
        let proves = too_few.is_none();
        if let Some(unable) = too_few {
            report.unable(unable.on("capstan.phase"));
        }
        let record = PhaseRecord::new(&looks, turns).on("capstan.phase")?;
        report.note(&format!("{} looks over {:.1} s observed", looks.len(), record.observed_s()));
        let rate = record.ratio_error()?.scaled(100.0);
        let limits = settings.within(0.0, &p::RATE_GOOD, &p::RATE_REJECT);
        let outcome = report.measured(Measured::new("capstan.speed-error", Unit::Percent, &rate).judged(limits));
        // A pitch of tape is a field's travel.
        let field_hz = lines.field_rate_hz();
        let walk_good = settings.number(&p::WALK_GOOD);
        let manner = record.manner(walk_good / field_hz)?;
        let drift = record.drift()?;
        if manner == Manner::Walks {
            if proves {
                let seen = format!("at {} head-switch edges", looks.len());
                report.found(Finding::ControlTrackPresent, &seen);
            }
            let pitches = drift.value * record.observed_s() * field_hz;
            report.found(
                Finding::TapeSlip,
                &format!(
                    "{pitches:+.2} track pitches in {:.1} s, speed error {:+.4} %",
                    record.observed_s(),
                    rate.value
                ),
            );
            // The walk is what fails, however small the speed error is.
            let walk = drift.scaled(record.observed_s() * field_hz);
            let limits = settings.within(0.0, &p::WALK_GOOD, &p::WALK_REJECT);
            report.measured(Measured::new("capstan.walk", Unit::One, &walk).judged(limits));
            return Ok(());
        }
        report.measured(Measured::new("capstan.phase", Unit::Millisecond, &record.phase()?.scaled(1e3)));
        report.measured(Measured::new("capstan.drift", Unit::One, &drift));
        let swing = record.swing()?.scaled(field_hz);
        let limits = settings.at_most(&p::WALK_GOOD, &p::WALK_REJECT);
        let swings = report.measured(Measured::new("capstan.swing", Unit::One, &swing).judged(limits));
        if manner == Manner::Hunts {
            report.found(
                Finding::TrackingHunting,
                &format!(
                    "{:.2} track pitches to either side, about {:.1} s a cycle",
                    swing.value,
                    record.observed_s() / record.cycles()
                ),
            );
            report.advise(
                "Set tracking to manual and look again: the machine's own tracking works against any adjustment.",
            );
        }
        let jitter = record.jitter()?.scaled(1e3);
        let limits = settings.at_most(&p::JITTER_GOOD, &p::JITTER_REJECT);
        let jittery = report.measured(Measured::new("capstan.jitter", Unit::Millisecond, &jitter).judged(limits));
        if jittery == Some(Outcome::Fail) {
            report.found(
                Finding::CapstanJitter,
                &format!("standard deviation {:.2} ms, from look to look", jitter.value),
            );
        }
        let lock = record.lock_time(&looks, took_s)?;
        if manner == Manner::Stands {
            let limits = settings.at_most(&p::LOCK_GOOD, &p::LOCK_REJECT);
            report.measured(Measured::new("capstan.lock-time", Unit::Second, &lock).judged(limits));
        }
        let all = [outcome, swings, jittery];
        if proves && all.iter().all(|outcome| *outcome == Some(Outcome::Pass)) {
            report.found(Finding::CapstanLocked, &format!("over {:.1} s observed", record.observed_s()));
        }
        Ok(())
    }
}

/// Pulses at another rate keep their phase all the same, look after look.
fn another_speed(signal: Signal, rate: &Estimate, frame_hz: f64, settings: &Settings, report: &mut Report) {
    let error = rate.clone().scaled(100.0 / frame_hz).shifted(-100.0);
    let of_tape = signal == Signal::ControlTrack;
    let name = if of_tape { "capstan.speed-error" } else { "drum.rate-error" };
    let limits = settings.within(0.0, &p::RATE_GOOD, &p::RATE_REJECT);
    report.measured(Measured::new(name, Unit::Percent, &error).judged(limits));
    let finding = if of_tape { Finding::WrongTapeSpeed } else { Finding::HeadSwitchWrongRate };
    report.found(finding, &format!("{signal} at {:.3} Hz, {frame_hz:.3} Hz are right", rate.value));
    report.note("At another rate than its own nothing is said of the tape's phase.");
}

tapewright_sdk::export!(CapstanLock);
