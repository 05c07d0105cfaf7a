//! The procedure audio-head: height of the audio and control head, and its tilt by the steadiness of the level.

mod balance;
mod parameters;
mod take;
mod turns;

use parameters as p;
use take::{RECORDS, Taker, Watched};
use tapewright_sdk::climb::turned;
use tapewright_sdk::formats::sound::{LinearSound, StereoTracks};
use tapewright_sdk::measure::audio_head::unsteadiness_percent;
use tapewright_sdk::prelude::*;
use tapewright_sdk::tone::{Wanted, demand_sampled, find};
use turns::Turns;

struct AudioHead;

/// What is turned.
const SCREW: &str = "the height nut";

/// A signal whose best is below this share of the greatest one's own kind shows nothing (common practice, no source).
const LEAST_SHARE: f64 = 0.05;

/// A tape that rides shows its mean height over so long (common practice, no source).
const RIDES_S: f64 = 6.0;

/// The peak lies within so much of the best of some turns (common practice, no source).
const STEPS_DB: f64 = 0.2;

impl Procedure for AudioHead {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&[(&p::LOSS_GOOD, &p::LOSS_REJECT), (&p::UNSTEADY_GOOD, &p::UNSTEADY_REJECT)])?;
        let subject = subject()?;
        let stereo = match subject.format.linear_sound() {
            LinearSound::Edge { stereo, .. } => stereo,
            LinearSound::None(why) => {
                report.advise("Look at the FM sound of the video heads instead: `envelope` for its level, `wow-flutter` for its time base.");
                return Err(Unable::new(UnableCode::NotInFormat, format!("{}: {why}", subject.format.name)));
            }
        };
        demand_sampled(Signal::AudioLeft)?;
        if subject.tape != TapeKind::Alignment {
            report.advise("Let a scrap tape run, then put in an alignment tape with tones.");
            let why = "any other tape than an alignment tape lies as the head that recorded it did";
            return Err(Unable::new(UnableCode::WrongTape, why).on("audio head"));
        }
        go(Mode::Play)?;
        stopped_after(measure(&subject, stereo.as_ref(), settings, report))
    }
}

fn measure(subject: &Subject, stereo: Option<&StereoTracks>, settings: &Settings, report: &mut Report) -> Result<()> {
    report.progress(0.05, "looks for the tone");
    let within = settings.number(&p::TOLERANCE) / 100.0;
    let tone = Wanted { signal: Signal::AudioLeft, hz: settings.number(&p::TONE), within, prompt: "audio-head-tone" };
    find(&tone, report).on("height")?;
    let taker = &Taker::of(settings, subject.format.control_track)?;
    let observe_s = settings.number(&p::OBSERVE);
    let mut watched = None;
    let said = settings.number(&p::FULL_WIDTH) >= 0.5;
    let pulses = taker.control.as_ref().and_then(|point| balance::Pulses::of(point, subject.format));
    let height = match (stereo, pulses) {
        (Some(tracks), Some(pulses)) if said && taker.audio.len() == 2 => {
            // A tape that rides takes a while to show its mean height.
            let seen = &*watched.insert(watch(taker, observe_s.max(RIDES_S), report).on("height")?);
            balance::judge(taker, seen, tracks, &pulses, settings, report)
        }
        _ => {
            if said {
                report.note("The balance of the channels tells a height only with the control pulses and their expected level beside it: the nut is turned instead.");
            }
            by_turns(taker, stereo.is_some(), settings, report)
        }
    };
    if let Err(unable) = height {
        report.unable(unable.on("height"));
    }
    if observe_s <= 0.0 {
        report.note("Tilt is not looked at: `observe-s` is 0.");
        return Ok(());
    }
    let watched = match watched {
        Some(watched) => watched,
        None => watch(taker, observe_s, report).on("unsteadiness")?,
    };
    steady(taker, &watched, settings, report);
    Ok(())
}

fn watch(taker: &Taker, observe_s: f64, report: &mut Report) -> Result<Watched> {
    taker.watch(RECORDS, observe_s, |s| report.progress(0.6 + 0.3 * (s / observe_s).min(1.0), "watches the level"))
}

/// Height by the peak of the levels while the nut is turned.
fn by_turns(taker: &Taker, two_tracks: bool, settings: &Settings, report: &mut Report) -> Result<()> {
    const NAME: &str = "height.below-peak";
    let names = taker.names();
    if two_tracks && names.len() == 1 {
        let why = "one channel of a head that may have two tracks has no peak of its own where its tone lies over the whole width: hook up the right \
                   channel, or the control pulses at the head";
        return Err(Unable::new(UnableCode::NotHookedUp, why));
    }
    let rounds = settings.count(&p::ROUNDS);
    let mut turns = Turns::default();
    turns.add(taker.levels()?);
    for round in 1..=rounds {
        report.progress(0.1 + 0.5 * f64::from(round) / f64::from(rounds), "height");
        let climb = turns.climb();
        if climb.back_at_peak(turns.wanted()) {
            break;
        }
        let text = format!(
            "{} The weakest of {} stands at {:.0} % of its best. Then answer `done`; `leave` ends the adjustment.",
            climb.advice(SCREW),
            names.join(", "),
            100.0 * 10_f64.powf(-climb.below_best_db() / 20.0)
        );
        if !turned(&format!("height-{round}"), SCREW, &text)? {
            break;
        }
        turns.add(taker.levels()?);
    }
    shown(taker, &turns)?;
    let below = |place: usize| -> Result<Estimate> {
        let below_db = turns.below_best_db(place).ok_or_else(|| {
            Unable::new(UnableCode::SignalAbsent, "one of the signals has gone altogether at this place of the nut")
        })?;
        let shares = vec![
            Contribution::type_b("scatter of the levels", turns.fall_u_db()),
            Contribution::rectangular("the peak lies between two turns of the nut", STEPS_DB),
        ];
        Ok(Estimate::combined(below_db, shares)?.within(0.0, f64::INFINITY))
    };
    if turns.last() > 0
        && let Ok(before) = below(0)
    {
        report.measured(Measured::new(format!("before.{NAME}"), Unit::Decibel, &before));
    }
    let now = below(turns.last())?;
    let far = now.interval.low > settings.number(&p::LOSS_REJECT);
    // So far below levels that were seen it is off, whatever peak that was.
    if !far {
        passed(taker, &turns, two_tracks)?;
    }
    let limits = settings.at_most(&p::LOSS_GOOD, &p::LOSS_REJECT);
    if report.measured(Measured::new(NAME, Unit::Decibel, &now).judged(limits)) == Some(Outcome::Fail) {
        let seen = format!("{:.1} dB below what it gives at another height", now.value);
        report.found(Finding::AudioHeadHeight, &seen);
    }
    Ok(())
}

/// Every channel gives something.
fn shown(taker: &Taker, turns: &Turns) -> Result<()> {
    let left_v = turns.best_v(0);
    let weak = (1..taker.audio.len()).find(|k| turns.best_v(*k) < LEAST_SHARE * left_v);
    let gone = taker.control.is_some() && turns.best_v(taker.audio.len()) <= 0.0;
    let Some(name) = weak.map(|k| taker.audio[k].as_str()).or_else(|| gone.then_some("control-track")) else {
        return Ok(());
    };
    let why = format!("{name} gave nothing at any place of the nut: look at it, its head and its probe");
    Err(Unable::new(UnableCode::SignalAbsent, why))
}

/// Whether the levels were seen to fall on both sides of their best.
fn passed(taker: &Taker, turns: &Turns, two_tracks: bool) -> Result<()> {
    let wanted = turns.wanted();
    let climb = turns.climb();
    if !climb.passed_peak(wanted) {
        let why = format!(
            "{}: how high a level is does not tell the height (a tape recorded low, a weak amplifier and a dirty head look the same); turn the \
             nut past the peak and back, with more `rounds`",
            climb.text(wanted)
        );
        return Err(Unable::new(UnableCode::TooShort, why));
    }
    // The single channel of two may stand on the other's track, or lie within a wider one: the pulses' own peak tells.
    if two_tracks && taker.audio.len() == 1 {
        let pulses = turns.climb_of(1);
        if !pulses.passed_peak(wanted) {
            let why = format!(
                "control pulses: {}; after a limiter they do not show the height: take them at the head, or hook up the right channel",
                pulses.text(wanted)
            );
            return Err(Unable::new(UnableCode::TooShort, why));
        }
    }
    Ok(())
}

/// Tilt by the level over some seconds.
fn steady(taker: &Taker, watched: &Watched, settings: &Settings, report: &mut Report) {
    report.note(&format!("The level was watched for {:.1} s, in {} records.", watched.observed_s, watched.records()));
    let mut unsteady = false;
    for (signal, records) in taker.audio.iter().zip(&watched.courses) {
        let name = format!("{}.unsteadiness", signal.as_str());
        let estimate = match unsteadiness_percent(records) {
            Ok(estimate) => estimate,
            Err(error) => {
                report.unable(Unable::from(error).on(&name));
                continue;
            }
        };
        let limits = settings.at_most(&p::UNSTEADY_GOOD, &p::UNSTEADY_REJECT);
        if report.measured(Measured::new(name, Unit::Percent, &estimate).judged(limits)) == Some(Outcome::Fail) {
            unsteady = true;
            report.found(Finding::AudioLevelUnsteady, &format!("{}: {:.1} %", signal.as_str(), estimate.value));
        }
    }
    if unsteady {
        report.advise("Set the tilt (zenith) of the head until the level keeps steady; where it does not, the tape rides at the guides beside it.");
    }
}

tapewright_sdk::export!(AudioHead);
