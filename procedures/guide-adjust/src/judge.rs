//! What three places tell, judged: height of each guide, contact, flatness at centre; before against after.

use crate::bench::Eye;
use crate::both::{Height, height_of};
use crate::parameters::{CONTACT_GOOD, CONTACT_REJECT, FLATNESS_GOOD, FLATNESS_REJECT, HEIGHT_GOOD, HEIGHT_REJECT};
use crate::places::Sight;
use tapewright_sdk::heads::{CLEAR_OF_NOISE, STEADY, figure, name};
use tapewright_sdk::measure::HeadCurve;
use tapewright_sdk::measure::curve::flatness;
use tapewright_sdk::measure::guides::{GuideEnds, OffTrack, Places, Untold, guide_ends};
use tapewright_sdk::measure::preconditions::demand_clear_of_noise;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::steadiness::demand_steady;
use tapewright_sdk::prelude::*;

/// Which round it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Which {
    /// Before somebody adjusted: for information.
    Before,
    /// The one that is judged.
    Last,
}

/// One head at three places.
struct HeadRound {
    head: ScanHead,
    flatness: Estimate,
    ends: GuideEnds,
    curves: [HeadCurve; 3],
}

/// What one round of three places tells.
pub(crate) struct Round {
    heads: Vec<HeadRound>,
    entrance: Height,
    exit: Height,
    /// What is said of each head that does not stand clear of the noise.
    silent: Vec<Unable>,
    /// Why the sides are not told; none: they are.
    untold: Option<&'static str>,
}

/// Greatest reach of a head that its sides can be told with: beyond, it reads the next track of its azimuth wherever the level has
/// fallen.
const MOST_REACH: f64 = 1.35;

impl Round {
    /// # Errors
    /// `in-noise` where no head is heard, `not-steady`, `not-possible` for heads too wide, and what the arithmetic says.
    pub(crate) fn of(eye: &Eye, sight: &Sight, settings: &Settings) -> Result<Self> {
        let (front, floor) = sight.floor()?;
        let (plus, minus, apart) = sight.plus_and_minus(eye);
        let (mut heads, mut silent) = (Vec::new(), Vec::new());
        for (number, head) in front.heads.iter().copied().enumerate() {
            let what = name(head);
            let centre = sight.centre.frames(front, floor, number)?;
            let curve = HeadCurve::over_frames(&centre)?;
            let heard = demand_clear_of_noise(&curve, settings.number(&CLEAR_OF_NOISE)).on(what);
            // A guide acts on both heads, so the other one still tells it.
            if let Err(unable) = heard.and_then(|()| floor.demand_below(curve.mean_v()).on(what)) {
                silent.push(unable);
                continue;
            }
            let aside = front.aside(curve.median_v[curve.greatest()]);
            let (plus, minus) = (plus.frames(&aside, floor, number)?, minus.frames(&aside, floor, number)?);
            for frames in [&centre, &plus, &minus] {
                demand_steady(frames, settings.number(&STEADY)).on(what)?;
            }
            let curves = [curve, HeadCurve::over_frames(&plus)?, HeadCurve::over_frames(&minus)?];
            let places = Places { centre: &curves[0], plus: &curves[1], minus: &curves[2], apart };
            let ends = guide_ends(&places, eye.pitch_um).on(what)?;
            if ends.reach > MOST_REACH {
                let why = format!(
                    "the level fell so late that the head is about {:.1} tracks wide: too wide to tell its place by the level; take an alignment tape of the fastest speed",
                    2.0 * ends.reach - 1.0
                );
                return Err(Unable::new(UnableCode::NotPossible, why).on(what));
            }
            heads.push(HeadRound { head, flatness: flatness(&curves[0]).on(what)?, ends, curves });
        }
        if let Some(why) = silent.first().filter(|_| heads.is_empty()) {
            return Err(why.clone());
        }
        let entrance = height_of(&heads.iter().map(|h| &h.ends.entrance).collect::<Vec<_>>())?;
        let exit = height_of(&heads.iter().map(|h| &h.ends.exit).collect::<Vec<_>>())?;
        Ok(Self { heads, entrance, exit, silent, untold: apart.is_none().then(|| eye.why_untold()) })
    }

    /// Whether it is told which side is which.
    pub(crate) const fn is_told(&self) -> bool {
        self.untold.is_none()
    }

    /// Whether every head of the point is heard.
    pub(crate) const fn is_heard(&self) -> bool {
        self.silent.is_empty()
    }

    /// Whether noise hides an end, so that nobody knows yet what turning a guide would do.
    pub(crate) fn is_hidden(&self) -> bool {
        [&self.entrance, &self.exit].iter().any(|height| matches!(height, Err(Untold::Hidden(_))))
    }

    /// Whether nothing is to be adjusted: both guides good for sure.
    pub(crate) fn is_good(&self, settings: &Settings, pitch_um: f64) -> bool {
        let good = settings.number(&HEIGHT_GOOD) * pitch_um;
        let is_good = |e: &Estimate| e.interval.low >= -good && e.interval.high <= good;
        [&self.entrance, &self.exit].iter().all(|height| height.as_ref().is_ok_and(is_good))
    }

    /// What to turn, in words.
    pub(crate) fn in_words(&self) -> String {
        [("entrance", &self.entrance), ("exit", &self.exit)]
            .iter()
            .map(|(which, height)| match height {
                Ok(error) => format!("The {which} guide {}.", stands(error, self.is_told())),
                Err(why) => format!("{}.", begun(&what_to_do(why, self.is_told()))),
            })
            .collect::<Vec<_>>()
            .join(" ")
    }

    /// Reports it: judged, if it is the last round and the tape allows it.
    pub(crate) fn report(
        &self,
        which: Which,
        eye: &Eye,
        subject: &Subject,
        settings: &Settings,
        report: &mut Report,
    ) -> Result<()> {
        let judged = which == Which::Last && subject.tape == TapeKind::Alignment;
        let prefix = if which == Which::Before { "before." } else { "" };
        let mut put = |name: String, unit, estimate: &Estimate, limits: Limits| {
            let measured = Measured::new(format!("{prefix}{name}"), unit, estimate);
            report.measured(if judged { measured.judged(limits) } else { measured });
        };
        let pitches = in_micrometres(&settings.within(0.0, &HEIGHT_GOOD, &HEIGHT_REJECT), eye.pitch_um);
        // One side seen twice looks like guides that are right, and hides a dip: without both sides neither is stated.
        for (guide, height) in [("entrance-guide", &self.entrance), ("exit-guide", &self.exit)] {
            if let Some(error) = height.as_ref().ok().filter(|_| self.is_told()) {
                put(format!("{guide}.height-error"), Unit::Micrometre, error, pitches.clone());
            }
        }
        for h in &self.heads {
            let (head, contact) = (name(h.head), settings.at_least(&CONTACT_GOOD, &CONTACT_REJECT));
            if let Some(least) = h.ends.contact.as_ref().filter(|_| self.is_told()) {
                put(format!("{head}.contact"), Unit::One, &least.kept, contact);
            }
            put(
                format!("{head}.flatness"),
                Unit::One,
                &h.flatness,
                settings.at_least(&FLATNESS_GOOD, &FLATNESS_REJECT),
            );
        }
        for h in &self.heads {
            report.draw(h.figure(prefix, self.is_told()));
        }
        if which == Which::Last {
            for unable in &self.silent {
                report.advise(&format!(
                    "Nothing of {} is heard: what is told of the guides is the other head's alone. Look with `envelope`, and turn no guide before both heads play: then run this again.",
                    unable.what
                ));
                report.unable(unable.clone());
            }
            self.conclude(subject, settings, &pitches, report);
        }
        Ok(())
    }

    fn conclude(&self, subject: &Subject, settings: &Settings, limits: &Limits, report: &mut Report) {
        let good = limits.good.at_most.unwrap_or(0.0);
        let words = self.in_words();
        if let Some(why) = self.untold {
            report.unable(Unable::new(UnableCode::NotPossible, why).on("guides"));
            report.note(&format!("If tracking was turned to both sides: {words}"));
        }
        if subject.tape != TapeKind::Alignment {
            let why = "this tape was recorded on a path of its own: what is measured is the machine's against that; only an alignment tape judges the guides";
            report.unable(Unable::new(UnableCode::WrongTape, why).on("guides"));
            if self.is_told() {
                report.note(&words);
            }
            return;
        }
        if !self.is_told() {
            return;
        }
        let guides = [
            ("entrance-guide", &self.entrance, Finding::EntranceGuideLow, Finding::EntranceGuideHigh),
            ("exit-guide", &self.exit, Finding::ExitGuideLow, Finding::ExitGuideHigh),
        ];
        for (guide, height, low, high) in guides {
            let is_low = match height {
                Ok(error) if error.interval.low > good => Some(true),
                Ok(error) => (error.interval.high < -good).then_some(false),
                Err(why) => why.low(),
            };
            if let Some(is_low) = is_low {
                report.found(if is_low { low } else { high }, &words);
            }
            if let Err(why) = height {
                let text = match why {
                    Untold::OffTrack(off) => {
                        format!("{off}, so that neither the guide's height nor the contact is told")
                    }
                    Untold::Hidden(_) => why.to_string(),
                };
                report.unable(Unable::new(why.code(), text).on(guide));
            }
            // Nobody turns a screw before both heads play, and both ends of the scan are seen.
            if !self.is_heard() || (self.is_hidden() && !matches!(height, Err(Untold::Hidden(_)))) {
                continue;
            }
            if let Err(why) = height {
                report.advise(&format!("{}, then run again.", begun(&what_to_do(why, true))));
            } else if is_low.is_some() {
                report.advise(&format!("{words} Turn by an eighth, watch both tracking sides, and run once more."));
            }
        }
        self.conclude_contact(settings, report);
        if let [a, b] = self.heads.as_slice() {
            let ends = [("entrance", &a.ends.entrance, &b.ends.entrance), ("exit", &a.ends.exit, &b.ends.exit)];
            for (which, x, y) in ends {
                let (Ok(x), Ok(y)) = (x, y) else { continue };
                if x.interval.low > y.interval.high || y.interval.low > x.interval.high {
                    report.note(&format!(
                        "At the {which} the heads differ ({:.1} um, {:.1} um): a guide acts on both, so part of it is a head's own.",
                        x.value, y.value
                    ));
                }
            }
        }
    }

    fn conclude_contact(&self, settings: &Settings, report: &mut Report) {
        let least = settings.number(&CONTACT_GOOD);
        let contacts = self.heads.iter().filter_map(|h| Some((h.head, h.ends.contact.as_ref()?)));
        let dips = contacts.filter(|(_, contact)| contact.kept.interval.high < least);
        let seen = dips.map(|(head, contact)| {
            let (least, at) = (&contact.kept, 5 * contact.at + 2);
            let kept = if contact.at_most {
                format!("at most {:.0} %", 100.0 * least.interval.high)
            } else {
                format!("{:.0} %", 100.0 * least.value)
            };
            format!("{} keeps {kept} at {at} % of the scan", name(head))
        });
        let seen = seen.collect::<Vec<_>>();
        if !seen.is_empty() {
            report.found(Finding::ContactDip, &format!("the same dip on both tracking sides: {}", seen.join(", ")));
            report.advise(
                "No guide's height makes that dip: clean drum, heads and guides, then measure the back tension.",
            );
        }
    }

    /// What came of the adjustment, where both rounds tell.
    pub(crate) fn compare(&self, before: &Self, report: &mut Report) {
        if !(self.is_told() && before.is_told()) {
            return;
        }
        for (which, then, now) in [("entrance", &before.entrance, &self.entrance), ("exit", &before.exit, &self.exit)] {
            let text = |height: &Height| match height {
                Ok(error) => format!("{:+.1} um", error.value),
                Err(Untold::OffTrack(_)) => "off its track".to_owned(),
                Err(Untold::Hidden(_)) => "hidden by noise".to_owned(),
            };
            let word = match (then, now) {
                (Ok(then), Ok(now)) => {
                    let gained = then.value.abs() - now.value.abs();
                    let sure = 2.0 * then.standard_uncertainty.hypot(now.standard_uncertainty);
                    if gained > sure {
                        "better"
                    } else if gained < -sure {
                        "worse"
                    } else {
                        "as before"
                    }
                }
                (Err(Untold::OffTrack(_)), Ok(_)) => "better",
                (Ok(_), Err(Untold::OffTrack(_))) => "worse",
                (Err(_), _) | (_, Err(_)) => "nothing tells whether better",
            };
            report.note(&format!(
                "The {which} guide: {} before, {} after the adjustment: {word}.",
                text(then),
                text(now)
            ));
        }
    }
}

impl HeadRound {
    /// The head's level at the three places.
    fn figure(&self, prefix: &str, told: bool) -> Figure {
        let sides = if told { ["to the next", "to the former"] } else { ["one side", "the other side"] };
        figure(
            format!("{prefix}{}: level with tracking at centre and towards either track", name(self.head)),
            ["at centre", sides[0], sides[1]].into_iter().zip(&self.curves),
        )
    }
}

/// Where a guide stands, in words.
pub(crate) fn stands(error: &Estimate, sign: bool) -> String {
    let away = error.value.abs();
    match (error.interval.low > 0.0, error.interval.high < 0.0) {
        (true, _) if sign => format!("stands low by about {away:.0} um across the track"),
        (_, true) if sign => format!("stands high by about {away:.0} um across the track"),
        (true, _) | (_, true) => format!("is off by about {away:.0} um across the track"),
        _ if sign => format!("is not surely off ({:+.1} um)", error.value),
        _ => format!("is not surely off ({away:.1} um)"),
    }
}

/// Why a guide's height is not told, and what to do about it, in words; which way only where the sides are told.
pub(crate) fn what_to_do(why: &Untold, sign: bool) -> String {
    match why {
        Untold::OffTrack(off) => {
            format!("the {} end of the scan has left its track: {}", off.end, bring_it_back(off, sign))
        }
        Untold::Hidden(end) => format!(
            "noise hides the {end} end of the scan, and nothing is known of the guide there: turn no guide; clean drum, heads and guides \
             by hand, then look at the back tension and how the tape lies on the drum at that end"
        ),
    }
}

fn bring_it_back(off: &OffTrack, sign: bool) -> String {
    let by = match off.low.filter(|_| sign) {
        Some(true) => ", upwards, since it stands low",
        Some(false) => ", downwards, since it stands high",
        None => "",
    };
    format!(
        "bring the {} guide back roughly first{by}, by eye on the level at that end with tracking at centre",
        off.end
    )
}

/// A sentence begins with a capital.
fn begun(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn in_micrometres(of: &Limits, pitch_um: f64) -> Limits {
    let scaled =
        |l: Limit| Limit { at_least: l.at_least.map(|v| v * pitch_um), at_most: l.at_most.map(|v| v * pitch_um) };
    Limits { good: scaled(of.good), reject: scaled(of.reject), source: of.source.clone() }
}
