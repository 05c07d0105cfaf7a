//! The procedure head-switch-point: both switching edges against the start of vertical sync.

mod judge;
mod parameters;
mod take;

use parameters as p;
use take::{Edges, Taker};
use tapewright_sdk::formats::relations::line_shift;
use tapewright_sdk::measure::switching::SwitchPoint;
use tapewright_sdk::prelude::*;

struct HeadSwitchPoint;

/// Points that scatter by more lines than this do not follow the heads at all.
const FREE_LINES: f64 = 2.0;

/// A head by its name, with what its edges show.
pub(crate) struct Side {
    pub(crate) name: &'static str,
    pub(crate) point: SwitchPoint,
}

impl Procedure for HeadSwitchPoint {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        settings.demand_order(&p::PAIRS)?;
        let subject = subject()?;
        let video = hooked_up(Signal::Video)?;
        let switch = hooked_up(Signal::HeadSwitch)?;
        if video.trigger_only {
            let why = format!(
                "video is on {}, which can only trigger: put it on a channel, and the head switch on the input that only triggers",
                video.channel
            );
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        if now() != Mode::Play {
            go(Mode::Play)?;
        }
        let taker = Taker::new(subject.format.lines);
        let count = settings.count(&p::EDGES);
        // Neighbouring tracks lie apart along the track (R6): a head beside its own meets vertical sync elsewhere.
        let (within, shift) = (settings.number(&p::TRACKING_WITHIN), line_shift(subject.format));
        let beside_half_s = within * shift / subject.format.lines.line_rate_hz();
        let mut sides = Vec::new();
        for (place, (name, is_a)) in [("head-a", true), ("head-b", false)].into_iter().enumerate() {
            report.progress(0.1 + 0.4 * place as f64, &format!("captures edges to {name}"));
            let slope = if switch.high_is_a == is_a { Slope::Rising } else { Slope::Falling };
            let edges = taker.edges(slope, count)?;
            demand_sync(&edges, name, subject.format.lines.line_rate_hz())?;
            if edges.without > 0 {
                report.note(&format!(
                    "{name}: in {} of {} captures vertical sync could not be told, and they do not count",
                    edges.without,
                    edges.without + edges.points_s.len()
                ));
            }
            report.note(&format!(
                "{name}: {} edges; fields that begin after them: {} times field 1, {} times field 2",
                edges.points_s.len(),
                edges.fields[0],
                edges.fields[1]
            ));
            sides.push(Side { name, point: edges.point(beside_half_s).on(name)? });
        }
        report.note(&format!(
            "Tracking is taken to stand within {within} of a track pitch of its centre. Off by a whole pitch it would move both points by {shift:.2} lines."
        ));
        report.progress(0.95, "judges");
        judge::judge(&subject, &sides, settings, report)
    }
}

/// Refuses edges without vertical sync near them, and a sync that does not follow the heads.
fn demand_sync(edges: &Edges, name: &str, line_hz: f64) -> Result<()> {
    let told = edges.points_s.len();
    if told < 3 || told < edges.without {
        let nothing = Unable::new(
            UnableCode::SignalAbsent,
            "no vertical sync lies within 20 lines of the edge: the video is no composite video, does not follow the heads \
             (a muted machine sends a picture of its own), or the switching is far off",
        );
        let mut why = edges.why.clone().unwrap_or(nothing);
        why.why = format!("{} of {} edges to {name} show a vertical sync. {}", told, told + edges.without, why.why);
        return Err(why.on(name));
    }
    let (low, high) = edges.points_s.iter().fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(*p), h.max(*p)));
    if (high - low) * line_hz > 4.0 * FREE_LINES {
        let why = format!(
            "vertical sync lies anywhere from {:.1} to {:.1} lines after the edge to {name}: the video does not follow the heads. \
             Is the machine muted (`signal-presence` tells), or the drum not locked (`drum-lock`)?",
            low * line_hz,
            high * line_hz
        );
        return Err(Unable::new(UnableCode::NotSteady, why).on(name));
    }
    Ok(())
}

tapewright_sdk::export!(HeadSwitchPoint);
