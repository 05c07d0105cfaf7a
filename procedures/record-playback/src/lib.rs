//! The procedure record-playback: this machine's own recording, played back on it, and held against what it
//! makes of a reference tape.

mod judge;
mod parameters;

use parameters::{FRAMES, RECORD_S};
use tapewright_sdk::earlier;
use tapewright_sdk::heads::{Demands, curves_in_play};
use tapewright_sdk::prelude::*;
use tapewright_sdk::record_for;

/// How long somebody may take to find the place on the tape.
const FIND_DEADLINE_S: f64 = 900.0;

const YES: &str = "yes";
const NO: &str = "no";

struct RecordPlayback;

impl Procedure for RecordPlayback {
    fn describe() -> Description {
        parameters::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        stopped_after(measure(settings, report))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    let seconds = settings.number(&RECORD_S);
    report.progress(0.0, &format!("recording for {seconds:.0} s"));
    record_for(seconds).on("recording")?;
    report.progress(0.4, "winding back");
    go(Mode::Rewind)?;
    go(Mode::Stop)?;
    go(Mode::Play)?;
    if !at_the_recording()? {
        let why = "what was just recorded was not found on the tape: wind to it by hand, and run again";
        return Err(Unable::new(UnableCode::Declined, why).on("own recording"));
    }
    report.progress(0.6, "playing the own recording");
    let curves = curves_in_play(&subject, Demands::in_force(settings, &FRAMES), report)?;
    report.progress(0.9, "judging");
    judge::own(&curves, settings, report)?;
    match earlier::look() {
        Some(reference) => judge::against(&curves, &reference, settings, report),
        None => {
            let why =
                "no earlier run was named: play the alignment tape with `envelope`, and name that run by --against";
            report.unable(Unable::new(UnableCode::NotPossible, why).on("own recording against the reference tape"));
            Ok(())
        }
    }
}

/// Winding takes what it takes: only who watches knows that the place is right.
fn at_the_recording() -> Result<bool> {
    let answer = Prompt {
        id: "own-recording-plays",
        text: "The tape was wound back, and plays. Is it playing what was just recorded? If not, wind it there by hand, let it play, \
               and answer then.",
        action: Action::Answer,
        choices: &[YES, NO],
        deadline_s: FIND_DEADLINE_S,
    }
    .ask()?;
    Ok(answer == YES)
}

tapewright_sdk::export!(RecordPlayback);
