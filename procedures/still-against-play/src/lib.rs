//! The procedure still-against-play: a fault of heads, drum or switching, or loss of the tape's speed or phase?
//!
//! In still the tape is at rest and only the heads move; in play the drive comes in. What repeats from
//! frame to frame in still and changes in play is the drive's doing. Play is looked at in one gap-free record, since
//! a slow walk cannot be told from separate captures.

mod judge;
mod lock;
mod parameters;
mod play;
mod still;

use tapewright_sdk::known::KnownLevel;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

struct StillAgainstPlay;

impl Procedure for StillAgainstPlay {
    fn describe() -> Description {
        Description {
            name: "still-against-play",
            version: env!("CARGO_PKG_VERSION"),
            purpose: "Holds the RF in still against the RF in play: a fault of heads, drum or switching, or loss of the tape's speed or phase.",
            needs: &[Signal::Rf, Signal::HeadSwitch],
            uses: &[Signal::ControlTrack],
            modes: &[Mode::Stop, Mode::Play, Mode::Still, Mode::Advance],
            parameters: parameters::ALL,
            cautions: &[
                Caution::Mains,
                Caution::LiveChassis,
                Caution::MovingDrum,
                Caution::Solvents,
                Caution::PreciousTape,
            ],
            cover_off: true,
            tells: "In still the tape rests and the heads go on: each head's curve has a shape there, and its bar is no fault, but it \
                    repeats from frame to frame, and over several stops both heads reach a good level somewhere. RF that changes \
                    even then is a matter of heads, drum, switching or amplifier. RF that is steady in still and changes in play \
                    says that the tape's speed or phase is not controlled. A regular rise and fall is a slip: one frame of tape a \
                    cycle, so its frequency over the frame rate is the speed error. To and fro without a period is a tracking \
                    servo that hunts. Fewer than two cycles only bound a slip. Where control pulses are hooked up, their delay \
                    to the head switch over time proves the lock, or shows slip and hunting directly.",
            when_it_fails: "Unsteady in still: the head switch's jitter, contacts of the rotary transformer, the drum's earth brush, the head \
                            amplifier. Steady in still and slipping in play: follow the control pulses from the audio/control head through \
                            its amplifier to the capstan servo; then the servo's reference, then the pinch roller. Hunting: set tracking to \
                            manual; if it then stands, the automatic tracking's detector. One head weak at every stop: clean it by \
                            hand, then look at its preamplifier.",
            duration_s: 15.0,
        }
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let result = measure(settings, report);
        // Still wears the tape at one spot: whatever happened, stop.
        let stopped = if now() == Mode::Stop { Ok(0.0) } else { go(Mode::Stop) };
        result.and(stopped.map(|_| ()))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    let front = Front::slow(&subject)?;
    report.note(&format!("Level by {}.", front.way.text()));
    report.progress(0.0, "going to play");
    front.to_play()?;
    // Whatever one of them shows, the other is looked at as well: it is the other half of the question.
    let taken = play::take(&front, settings, report).on("play");
    let stills = still::take(&front, settings, report).on("still");
    report.progress(0.9, "noise floor in stop");
    let floor = front.floor_in_stop(2)?;
    let in_play = taken.and_then(|taken| taken.read(&front, &floor).on("play"));
    let in_still = stills.and_then(|taken| still::read(&taken, &front, &floor).on("still"));
    let play = match &in_play {
        Ok(seen) => judge::play(seen, settings, report)?,
        Err(unable) => unmeasured(unable, report),
    };
    let still = match &in_still {
        Ok(heads) => {
            if let Some(known) = KnownLevel::of(&subject, &hooked_up(Signal::Rf)?) {
                judge::level_in_still(heads, known, report)?;
            }
            judge::still(heads, settings, report)?
        }
        Err(unable) => unmeasured(unable, report),
    };
    if let (Err(unable), Ok(heads)) = (&in_play, &in_still)
        && unable.code == UnableCode::InNoise
        && heads.iter().any(still::HeadInStill::heard)
    {
        // What could not be measured in play is no proof that it changes there.
        report.note(&format!(
            "In still the RF reaches {:.4} V, in play no level was told: look at the RF in play.",
            still::best_v(heads)
        ));
    }
    judge::conclude(still, play, subject.format.control_track, report);
    Ok(())
}

fn unmeasured(unable: &Unable, report: &mut Report) -> judge::Steady {
    report.unable(unable.clone());
    None
}

tapewright_sdk::export!(StillAgainstPlay);
