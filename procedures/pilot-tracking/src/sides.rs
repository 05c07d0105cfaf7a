//! To which side the heads lie, and whether they stay there.

use crate::{Bench, parameters as p};
use tapewright_sdk::measure::pilots::{Beats, beats};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

/// One head on its tracks.
pub(crate) struct Side {
    pub(crate) name: &'static str,
    pub(crate) tracking: Estimate,
    pub(crate) beats: Beats,
}

/// When to look again: a slip or a hunting servo comes to another place meanwhile, though the latter may be back after a while.
const LATER_S: [f64; 2] = [2.0, 3.5];
/// Captures that are looked at then.
const AGAIN: u32 = 16;

/// Concludes from the heads that could be judged. Whether they stay where they are is looked at where the head switch is there: what
/// follows from it, `still-against-play`, needs that too.
pub(crate) fn conclude(
    bench: &Bench,
    sides: &[Side],
    has_switch: bool,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let (good, reject) = (settings.number(&p::GOOD), settings.number(&p::REJECT));
    let off = |tracking: &Estimate| {
        if tracking.interval.low > reject {
            1
        } else if tracking.interval.high < -reject {
            -1
        } else {
            0
        }
    };
    let values = sides
        .iter()
        .map(|side| format!("{} {:+.2} over {} captures", side.name, side.tracking.value, side.beats.count))
        .collect::<Vec<_>>()
        .join("; ");
    let [Side { tracking: a, .. }, Side { tracking: b, .. }] = sides else {
        if sides.len() == 1 {
            report.note("Only one head could be judged.");
        }
        return Ok(());
    };
    let (a_off, b_off) = (off(a), off(b));
    // Not surely off is not surely in its place: a head that may lie as far off on the same side tells of no unlike heights.
    let side = if a_off == 0 { b_off } else { a_off };
    let as_far = |t: &Estimate| (t.value * f64::from(side) > reject) || off(t) == side;
    let in_place = |t: &Estimate| off(t) == -side || (t.interval.low > -reject && t.interval.high < reject);
    if side != 0 && as_far(a) && as_far(b) {
        if has_switch && moved(bench, sides)? {
            let why = format!(
                "the heads lay off their tracks ({values}) and some seconds later elsewhere: the tape slips, or the tracking servo hunts; run `still-against-play` before its centre is looked for"
            );
            report.unable(Unable::new(UnableCode::NotSteady, why).on("tracking"));
            return Ok(());
        }
        let side = if side > 0 { "after" } else { "before" };
        report.found(Finding::PilotsOffTrack, &format!("towards the track recorded {side} their own: {values}"));
        report.advise("Try another tape: both heads off there too is the centring of the tracking servo.");
        if !has_switch {
            report.advise("This was one short look: hook up the head switch and run `still-against-play`, which tells a tape that slips and a servo that hunts from one that is centred wrong.");
        }
    } else if side != 0 && (in_place(a) || in_place(b)) {
        report.found(Finding::PilotsOneHead, &values);
        report.advise("The heads do not lie at one height, or one is worn: run `envelope` for each.");
    } else if side != 0 {
        report.note(&format!("One head lies off its tracks; whether the other does too is not sure: {values}."));
    } else if [a, b].iter().all(|t| t.interval.low > -good && t.interval.high < good) {
        report.found(Finding::PilotsCentred, &values);
    }
    Ok(())
}

/// Whether the heads surely lie elsewhere some seconds later. The captures of the first look are soon taken on a quick link, and a
/// tape that slips stands at one place for so long.
fn moved(bench: &Bench, sides: &[Side]) -> Result<bool> {
    for later_s in LATER_S {
        // A slow record is the only way to wait; what it shows is not looked at, and a scope that cannot take it makes the wait short.
        let _ = Acquire::of(&[Signal::Rf]).span_s(later_s).least_points(100).take_one();
        let seen = bench.hear(AGAIN)?.seen();
        for (side, head) in sides.iter().zip([ScanHead::A, ScanHead::B]) {
            let before = side.beats.difference.interval;
            if let Ok(now) = beats(&seen, head)
                && (before.low > now.difference.interval.high || now.difference.interval.low > before.high)
            {
                return Ok(true);
            }
        }
    }
    Ok(false)
}
