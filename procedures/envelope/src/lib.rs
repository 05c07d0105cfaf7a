//! The procedure envelope: the RF envelope of both heads in play, at one tracking position.
//!
//! First what must hold: the level shows (before automatic gain), stands clear of the noise, the
//! tape's speed fits its recording, the curve is steady. Then the shape, within what the tape's kind allows to be said.

mod judge;
mod look;
mod parameters;
mod shape;

use look::{Look, demand_no_bars, speed};
use parameters::FRAMES;
use tapewright_sdk::heads::{CLEAR_OF_NOISE, figure, name};
use tapewright_sdk::known::KnownLevel;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

struct Envelope;

impl Procedure for Envelope {
    fn describe() -> Description {
        Description {
            name: "envelope",
            version: env!("CARGO_PKG_VERSION"),
            purpose: "Measures the RF envelope of both video heads in play at one tracking position: flatness, entrance, middle and exit level, balance.",
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
            tells: "How the level of each head runs over its scan, from the entrance to the exit of the drum. The noise is taken in stop \
                    and corrected for. A sag at one end on both heads is the path at that end; a dip in the middle is contact, tension or \
                    dirt; one head alone is that head. Only an alignment tape judges the guides: a tape of this machine plays flat on \
                    a bent path, and another machine's may sag on a good one. Flat at one tracking position clears no guide. An \
                    envelope that changes from frame to frame, or at a wrong tape speed, has no shape to judge: then this procedure \
                    says so and judges nothing.",
            when_it_fails: "Not steady: run still-against-play first. In the noise: look at the probe, its earth and its point. Wrong speed: set \
                            the machine to the speed of the recording. One head weak: clean it by hand, swap the preamplifier inputs where \
                            the machine allows it, then measure its wear. Both weak alike, against a level that is known: tracking to its best, \
                            clean both, a reference tape; then the head amplifier's supply and the rotary transformer. A sag on both heads: look for dirt and a loose guide on \
                            that side; turn a guide only with an alignment tape, after all else was ruled out, and watch both tracking \
                            sides. A sag on another machine's tape: try another tape.",
            duration_s: 20.0,
        }
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        stopped_after(measure(settings, report))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    let count = settings.count(&FRAMES);
    let front = Front::for_scans(&subject, 1, 2 * count + 1)?;
    report.note(&format!("Level by {}.", front.way.text()));
    report.progress(0.0, "going to play");
    front.to_play()?;
    report.progress(0.3, "tape speed");
    let speed = speed(front.lines, report)?;
    // Half of the first head, all of the other, the other half: a slow change of the level meets both alike.
    let mut captures: Vec<Vec<Capture>> = front.heads.iter().map(|_| Vec::new()).collect();
    for (n, (place, share)) in order(front.heads.len(), count).into_iter().enumerate() {
        let head = front.heads[place];
        report.progress(0.4 + 0.1 * n as f64, name(head));
        captures[place].extend(front.frames(head, 1, share).on(name(head))?);
    }
    report.progress(0.8, "noise floor in stop");
    let floor = front.floor_in_stop(1)?;
    let taken: Vec<_> = front.heads.iter().copied().zip(captures.iter().map(Vec::as_slice)).collect();
    // Without level there is no blanking to be told: the levels below then say so.
    let front = front.with_blanking(&taken, &floor).unwrap_or_else(|_| {
        report.note(
            "What field blanking takes off the first lines could not be told from these scans, and is not corrected.",
        );
        front.clone()
    });
    if let Some(told) = front.blanking_text() {
        report.note(&told);
    }
    let looks: Vec<Look> = front
        .heads
        .iter()
        .zip(&captures)
        .map(|(head, taken)| Look::new(&front, &floor, *head, taken))
        .collect::<Result<_>>()?;
    report.progress(0.9, "judging");
    floor.demand_below(looks.iter().map(|look| look.curve.mean_v()).fold(0.0, f64::max))?;
    report.draw(figure("envelope", looks.iter().map(|look| (name(look.head), &look.curve))));
    let (clear, lost): (Vec<&Look>, Vec<&Look>) = looks.iter().partition(|look| look.demand_clear(settings).is_ok());
    for look in &lost {
        if let Err(unable) = look.demand_clear(settings) {
            report.unable(unable);
        }
    }
    if clear.is_empty() {
        return Ok(());
    }
    for look in &clear {
        look.demand_steady(settings, report)?;
    }
    match (clear.as_slice(), lost.as_slice()) {
        ([a, b], []) => judge::balance_of(a, b, settings, report)?,
        ([kept], [lost]) => {
            judge::balance_with_lost_head(kept, lost, settings.number(&CLEAR_OF_NOISE), settings, report)?
        }
        _ => report.note("The point carries one head: no balance."),
    }
    let point = hooked_up(Signal::Rf)?;
    match KnownLevel::of(&subject, &point) {
        Some(known) => judge::level(&clear, known, &point, settings, report)?,
        None => report.note("Nothing says which level to expect (`--known-level`, or `expected-v` in the hookup): two heads weak alike do not show."),
    }
    demand_no_bars(&looks, speed)?;
    judge::flatness(&clear, lost.is_empty(), subject.tape, settings, report)
}

/// Which head is captured how often, one after the other.
fn order(heads: usize, count: u32) -> Vec<(usize, u32)> {
    let half = count / 2;
    if heads == 2 { vec![(0, half), (1, count), (0, count - half)] } else { vec![(0, count)] }
}

tapewright_sdk::export!(Envelope);

#[cfg(test)]
mod tests {
    use super::order;

    #[test]
    fn each_head_is_captured_as_often_as_asked() {
        for (heads, count) in [(2, 8), (2, 3), (1, 5)] {
            for head in 0..heads {
                let of: u32 =
                    order(heads, count).iter().filter(|(place, _)| *place == head).map(|(_, share)| share).sum();
                assert_eq!(of, count, "{heads} heads, head {head}");
            }
            assert!(order(heads, count).iter().all(|(_, share)| *share > 0));
        }
    }
}
