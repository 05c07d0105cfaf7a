//! The procedure guide-adjust: the guides beside the drum, from three tracking positions, before and after
//! somebody turned them; and live readings meanwhile.

mod bench;
mod both;
mod judge;
mod parameters;
mod places;
mod swing;
mod watch;

use bench::Eye;
use judge::{Round, Which};
use parameters::FRAMES;
use places::Sight;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

/// How long somebody may take to turn a guide.
const ADJUST_DEADLINE_S: f64 = 7_200.0;

const DONE: &str = "done";
const LEAVE: &str = "leave-as-is";

struct GuideAdjust;

impl Procedure for GuideAdjust {
    fn describe() -> Description {
        Description {
            name: "guide-adjust",
            version: env!("CARGO_PKG_VERSION"),
            purpose: "Tells which guide is out of height, by how much and which way, and judges before and after an adjustment; shows it live meanwhile.",
            needs: &[Signal::Rf, Signal::HeadSwitch],
            uses: &[Signal::ControlTrack],
            modes: &[Mode::Stop, Mode::Play],
            parameters: parameters::ALL,
            cautions: &[
                Caution::Mains,
                Caution::LiveChassis,
                Caution::MovingDrum,
                Caution::Solvents,
                Caution::PreciousTape,
            ],
            cover_off: true,
            tells: "Which guide holds the tape too high or too low, in micrometres across the track, and whether a dip of the level is \
                    no matter of height at all. A head as wide as its track, or wider, hides a guide error at tracking centre; so \
                    the level is taken at centre and with tracking moved to about 60 % of it on either side. A tilt that \
                    mirrors between the sides is a guide's height, with its sign; the same dip on both sides is contact, tension or \
                    dirt. Which side is which is told by the delay from control pulse to head switch, so put a probe on the control \
                    track: without one no guide and no contact is judged; a format without a control track has no tracking to move, and `pilot-tracking` takes this one's place there. Only an alignment tape judges the machine's guides. Live, it shows entrance, middle and exit of each head, \
                    which guide, and better or worse than a moment ago, as fast as the scope gives captures. A level that goes to and \
                    fro by itself is automatic tracking, which works against you: set tracking to manual first.",
            when_it_fails: "Turn a guide only after all else was ruled out, and only when parts were disturbed: clean the path first, and look \
                            for a loose guide. Mark the screw's place before you touch it, and turn by an eighth. Watch `tapewright \
                            live guide-adjust` at one tracking side, then check the other: at the right height neither side tilts. A \
                            dip on both sides stays whatever you turn: clean drum and guides, then measure the back tension. If the \
                            level does not fall on either side, the heads are wider than this method can use at this speed: take a \
                            tape of the fastest speed. Lock the screws, and run once more.",
            duration_s: 90.0,
        }
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        stopped_after(measure(settings, report))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    // Without pulses nothing tells the sides, and such a deck follows its tracks by itself: nobody can move it off centre.
    subject.demand_control_track().inspect_err(|_| {
        report.advise("Run `pilot-tracking`: its beats say how each head lies on its tracks; and `envelope` with an alignment tape, whose dips at an end of the scan only a comparison with a machine that is known to be right can lay to a guide.");
    })?;
    let count = settings.count(&FRAMES);
    let eye = Eye::new(&subject, Front::for_scans(&subject, 1, 6 * count)?)?;
    report.note(&format!("Level by {}.", eye.front.way.text()));
    let first = round(&eye, settings, report, (0.0, 0.4))?;
    let first = Round::of(&eye, &first, settings)?;
    // Nobody turns a screw by sides that nothing tells, nor before both heads play and both ends are seen.
    let adjustable = subject.tape == TapeKind::Alignment
        && first.is_told()
        && first.is_heard()
        && !first.is_hidden()
        && !first.is_good(settings, eye.pitch_um);
    if adjustable && ask_to_adjust(&first)? {
        first.report(Which::Before, &eye, &subject, settings, report)?;
        let second = round(&eye, settings, report, (0.5, 0.95))?;
        let second = Round::of(&eye, &second, settings)?;
        second.report(Which::Last, &eye, &subject, settings, report)?;
        second.compare(&first, report);
        return Ok(());
    }
    first.report(Which::Last, &eye, &subject, settings, report)
}

/// One look at all three places, and the noise at rest.
fn round(eye: &Eye, settings: &Settings, report: &mut Report, share: (f64, f64)) -> Result<Sight> {
    let at = |part: f64| share.0 + part * (share.1 - share.0);
    report.progress(at(0.0), "going to play");
    eye.front.to_play()?;
    report.progress(at(0.1), "tracking at centre");
    places::at_centre()?;
    swing::demand_still(eye, settings, report)?;
    let sight = Sight::take(eye, settings, |part, doing| report.progress(at(0.3 + 0.6 * part), doing))?;
    report.progress(at(0.95), "noise floor in stop");
    sight.with_floor(eye)
}

/// Asks to adjust, with what is known: whether it was done.
fn ask_to_adjust(round: &Round) -> Result<bool> {
    let text = format!(
        "{} The machine is stopped. Mark the screw's place, start play, and adjust; `tapewright live guide-adjust` shows it meanwhile. Answer \
         `{DONE}` when it is done: all three tracking positions are then measured once more.",
        round.in_words()
    );
    let answer = Prompt {
        id: "adjust-guides",
        text: &text,
        action: Action::Adjust("guides".to_owned()),
        choices: &[DONE, LEAVE],
        deadline_s: ADJUST_DEADLINE_S,
    }
    .ask()?;
    Ok(answer == DONE)
}

tapewright_sdk::export!(GuideAdjust);
tapewright_sdk::export_live!(watch::Watch);
