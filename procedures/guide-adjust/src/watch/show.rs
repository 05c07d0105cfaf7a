//! What a look shows: gauges, the headline, and what to do next.

use super::{MINUS, PLUS, Standing, Taken, Watch};
use crate::judge::what_to_do;
use crate::swing::SET_TO_MANUAL;
use tapewright_sdk::heads::name;
use tapewright_sdk::live::{Choice, Gauge, Reading, Trend};
use tapewright_sdk::measure::curve::{entrance, exit, flatness, middle_level};
use tapewright_sdk::measure::guides::Untold;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

/// Height error below which a guide is left alone, in pitches (common practice, no source).
const LEFT_ALONE: f64 = 0.12;

/// An end that differs from the middle by less than this is level (common practice, no source).
const LEVEL: f64 = 0.05;

/// The heads by their places.
const HEADS: [ScanHead; 2] = [ScanHead::A, ScanHead::B];

const CENTRE: Choice = Choice { word: "centre", text: "tracking stands at its centre now" };
const ONE: Choice = Choice { word: "one-side", text: "tracking stands at one side now" };
const OTHER: Choice = Choice { word: "other-side", text: "tracking stands at the other side now" };
const FORGET: Choice = Choice { word: "forget", text: "begin anew" };

/// Everything of one look.
pub(super) struct State {
    pub(super) seen: Taken,
    pub(super) standing: Standing,
    /// Both guides' height errors over the heads.
    pub(super) heights: Option<(Estimate, Estimate)>,
    /// Why they are not told, though there are three places.
    pub(super) untold: Option<Untold>,
    pub(super) hunts: bool,
}

/// In stop, or in another mode that is not play.
pub(super) fn not_in_play(floor_taken: bool) -> Reading {
    let noise = if floor_taken { "The noise was taken. " } else { "" };
    Reading {
        headline: "NOT IN PLAY".into(),
        trend: Trend::Unknown,
        large: None,
        gauges: Vec::new(),
        says: format!("{noise}Hands clear, then press play."),
        warnings: Vec::new(),
        choices: Vec::new(),
    }
}

impl State {
    /// How far from right it is (less is better), and whether that is the worse guide's height in micrometres;
    /// else the greatest difference of an end from the middle.
    pub(super) fn merit(&self, pitch_um: f64) -> (f64, bool) {
        if let Some((entrance, exit)) = &self.heights {
            return (entrance.value.abs().max(exit.value.abs()).min(pitch_um), true);
        }
        let ends = self.seen.curves.iter().flatten().flat_map(|curve| [entrance(curve), exit(curve)]);
        (ends.flatten().map(|end| (end.value - 1.0).abs()).fold(0.0, f64::max), false)
    }

    pub(super) fn reading(self, watch: &Watch, trend: Trend) -> Result<Reading> {
        let mut gauges = Vec::new();
        let full_v = watch.centre.as_ref().map_or_else(|| self.seen.middle_v(), Taken::middle_v).max(f64::MIN_POSITIVE);
        for (place, curve) in self.seen.curves.iter().enumerate() {
            let Some(curve) = curve else { continue };
            let head = name(HEADS[place]);
            let middle = middle_level(curve)?.scaled(1.0 / full_v);
            gauges.push(gauge(format!("{head}.entrance"), &entrance(curve)?));
            gauges.push(gauge(format!("{head}.middle"), &middle));
            gauges.push(gauge(format!("{head}.exit"), &exit(curve)?));
            gauges.push(gauge(format!("{head}.flatness"), &flatness(curve)?));
        }
        let pitch_um = watch.eye.pitch_um;
        let heights = self.heights.as_ref();
        let mut large = worst_end(&gauges);
        if let Some((entrance, exit)) = heights {
            let bar = (-0.5 * pitch_um, 0.5 * pitch_um);
            let worse = usize::from(exit.value.abs() > entrance.value.abs());
            large = Some(gauges.len() + worse);
            for (which, error) in [("entrance-guide.height-error", entrance), ("exit-guide.height-error", exit)] {
                gauges.push(Gauge::new(which, Unit::Micrometre, error, bar, Trend::Unknown));
            }
        }
        if let Some(place) = large {
            gauges[place].trend = trend;
        }
        let sign = watch.with_control;
        let headline = self.headline(heights, &gauges, sign, pitch_um);
        Ok(Reading {
            headline,
            trend,
            large,
            says: self.says(watch, heights, sign),
            warnings: self.warnings(watch),
            choices: choices(watch),
            gauges,
        })
    }

    fn headline(&self, heights: Option<&(Estimate, Estimate)>, gauges: &[Gauge], sign: bool, pitch_um: f64) -> String {
        if self.hunts {
            return "TRACKING HUNTS".into();
        }
        if let Some((entrance, exit)) = heights {
            let (which, error) =
                if exit.value.abs() > entrance.value.abs() { ("EXIT", exit) } else { ("ENTRANCE", entrance) };
            if error.value.abs() <= LEFT_ALONE * pitch_um {
                // Without the pulses both sides may be one.
                return if sign { "BOTH GUIDES RIGHT" } else { "NO TILT SEEN" }.into();
            }
            return match (sign, error.value > 0.0) {
                (true, true) => format!("{which} LOW"),
                (true, false) => format!("{which} HIGH"),
                (false, _) => format!("{which} OFF"),
            };
        }
        match self.untold {
            Some(Untold::OffTrack(off)) => return format!("{} LOST", off.end).to_uppercase(),
            Some(Untold::Hidden(end)) => return format!("{end} IN NOISE").to_uppercase(),
            None => {}
        }
        let Some(place) = worst_end(gauges) else { return "NO LEVEL".into() };
        let end = if gauges[place].name.ends_with("exit") { "EXIT" } else { "ENTRANCE" };
        match gauges[place].value - 1.0 {
            away if away < -LEVEL => format!("{end} SAGS"),
            away if away > LEVEL => format!("{end} RISES"),
            _ => "LEVEL HERE".into(),
        }
    }

    fn says(&self, watch: &Watch, heights: Option<&(Estimate, Estimate)>, sign: bool) -> String {
        let share = watch.share(&self.seen).map(|share| 100.0 * share);
        let stands = share.map_or_else(String::new, |share| format!(" (now {share:.0} %)"));
        if watch.centre.is_none() {
            return "Tracking to manual, and to its centre: the greatest level. Then say `centre`.".into();
        }
        if let Some((entrance, exit)) = heights {
            let words = [("entrance", entrance), ("exit", exit)]
                .map(|(which, e)| format!("{which} guide {}", crate::judge::stands(e, sign)));
            let at = match self.standing {
                Standing::Side(_) => "Adjust, then look at the other side.",
                _ if sign => "Go to a tracking side (about 60 %) to adjust.",
                _ => "After each turn say both sides again.",
            };
            return format!("{}. {at}", words.join("; "));
        }
        if let Some(why) = self.untold {
            return format!("{}. Then say `centre` anew, and look at both sides.", what_to_do(&why, sign));
        }
        let have = usize::from(watch.sides[PLUS].is_some()) + usize::from(watch.sides[MINUS].is_some());
        if have == 0 {
            format!("Now tracking to one side, until the level is about 60 %{stands}.")
        } else {
            format!("One side is seen. Now tracking to the other, about 60 %{stands}.")
        }
    }

    fn warnings(&self, watch: &Watch) -> Vec<String> {
        let mut warnings = Vec::new();
        if self.hunts {
            warnings.push(SET_TO_MANUAL.to_owned());
        }
        for (_, head) in HEADS.iter().enumerate().filter(|(place, _)| watch.is_silent(*place, &self.seen)) {
            warnings.push(format!(
                "Nothing of {} is heard: turn no guide before both heads play. Look with `envelope`.",
                name(*head)
            ));
        }
        if watch.eye.subject.tape != TapeKind::Alignment {
            warnings.push("Not an alignment tape: what sags here may be the recording.".to_owned());
        }
        if !watch.floor_taken {
            warnings.push("The noise is still in the levels: it is taken when the machine stands in stop.".to_owned());
        }
        if !watch.with_control {
            warnings.push(
                "No control pulses beside the RF: neither high or low is told, nor that both sides were seen."
                    .to_owned(),
            );
        }
        warnings
    }
}

fn choices(watch: &Watch) -> Vec<Choice> {
    let mut choices = vec![CENTRE];
    if watch.centre.is_some() {
        if !watch.with_control {
            choices.extend([ONE, OTHER]);
        }
        choices.push(FORGET);
    }
    choices
}

fn gauge(name: String, estimate: &Estimate) -> Gauge {
    Gauge::new(name, Unit::One, estimate, (0.0, 1.25), Trend::Unknown)
}

/// The end that differs most from the middle.
fn worst_end(gauges: &[Gauge]) -> Option<usize> {
    let is_end = |gauge: &Gauge| gauge.name.ends_with("entrance") || gauge.name.ends_with("exit");
    let away = |place: &usize| (gauges[*place].value - 1.0).abs();
    (0..gauges.len()).filter(|place| is_end(&gauges[*place])).max_by(|a, b| away(a).total_cmp(&away(b)))
}
