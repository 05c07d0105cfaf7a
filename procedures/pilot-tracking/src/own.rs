//! Whose tracks the heads stand on: by the head switch where it is hooked up, else by how many carriers a head reads.

use crate::Bench;
use crate::parameters as p;
use tapewright_sdk::heads::name;
use tapewright_sdk::measure::pilots::{Beats, CarrierMoments, Carriers, Seen, carriers, own_share};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

/// What a switching edge stirs up is over after so long.
const AFTER_SWITCHING_S: f64 = 2e-5;
/// How long to wait for an edge: dozens of frames.
const EDGE_DEADLINE_S: f64 = 4.0;

/// What the head switch tells.
#[derive(Debug)]
pub(crate) enum BySwitch {
    /// It is not hooked up.
    NotThere,
    /// No edge came, and why.
    NoEdges(String),
    /// Share of captures of each head that show a pilot of its own tracks.
    Told(Vec<(ScanHead, Estimate)>),
}

/// Whose tracks they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Whose {
    /// The heads' own.
    Own,
    /// Both stand on the other head's.
    Other,
    /// One stands on its own, one on the other's.
    OneOther,
    /// The head switch, as hooked up, says the other's, and the carrier says their own.
    Contradicted,
    /// A head reads several carriers at once, and no own track gives that.
    Several,
    /// Nothing tells.
    Open,
}

/// Captures at both ends of each head's scans, from edges of the head switch. What is seen there is not used for the beats,
/// which are of any place of a scan.
pub(crate) fn by_switch(bench: &Bench, rf: &Point, count: u32) -> Result<BySwitch> {
    let Some(switch) = hookup()?.into_iter().find(|point| point.signal == Signal::HeadSwitch) else {
        return Ok(BySwitch::NotThere);
    };
    let heads: &[ScanHead] = match rf.head {
        Head::Both => &[ScanHead::A, ScanHead::B],
        Head::A => &[ScanHead::A],
        Head::B => &[ScanHead::B],
    };
    let selects =
        |head: ScanHead| if switch.high_is_a == (head == ScanHead::A) { Slope::Rising } else { Slope::Falling };
    let mut told = Vec::new();
    for head in heads {
        let other = if *head == ScanHead::A { ScanHead::B } else { ScanHead::A };
        let mut taken: Vec<Seen> = Vec::new();
        for (edge, before_s) in [(selects(*head), 0.0), (selects(other), bench.span_s)] {
            let ask = bench.ask(count).edge(Signal::HeadSwitch, edge).before_s(before_s).deadline_s(EDGE_DEADLINE_S);
            let captures = match ask.take() {
                Err(unable) if unable.code == UnableCode::NoTrigger => return Ok(BySwitch::NoEdges(unable.why)),
                captures => captures.on("head-switch")?,
            };
            for capture in captures.iter().filter(|capture| capture.info.triggered) {
                let trace = capture.trace(Signal::Rf)?.samples()?;
                trace.conversion().demand_unclipped("RF").on("pilots")?;
                let part = if before_s > 0.0 {
                    (f64::NEG_INFINITY, -AFTER_SWITCHING_S)
                } else {
                    (AFTER_SWITCHING_S, f64::INFINITY)
                };
                taken.extend(bench.look(&cut(&trace, part)?)?.flatten());
            }
        }
        // A head that gives nothing has no share, and is named by what it does not give elsewhere.
        match own_share(&taken, *head) {
            Ok(share) => told.push((*head, share)),
            Err(MeasureError::TooShort { .. }) => {}
            Err(error) => return Err(Unable::from(error).on(name(*head))),
        }
    }
    Ok(BySwitch::Told(told))
}

/// The samples of a time.
fn cut(trace: &Trace, (from_s, to_s): (f64, f64)) -> Result<Trace> {
    let within = |i: &usize| (from_s..=to_s).contains(&trace.time_s(*i));
    let of: Vec<usize> = (0..trace.volts().len()).filter(within).collect();
    let t0_s = of.first().map_or(0.0, |i| trace.time_s(*i));
    Ok(Trace::from_volts(t0_s, trace.dt_s(), of.iter().map(|i| trace.volts()[*i]).collect())?)
}

/// How many carriers the heads read: several if any head surely does, one if any head surely does.
pub(crate) fn by_carrier(of: &[(ScanHead, Vec<CarrierMoments>, Beats)]) -> Result<Carriers> {
    let told = of.iter().map(|(head, moments, beats)| carriers(moments, beats).on(name(*head)));
    let told = told.collect::<Result<Vec<_>>>()?;
    let any = |wanted| told.contains(&wanted);
    Ok(match (any(Carriers::One), any(Carriers::Several)) {
        (true, false) => Carriers::One,
        (false, true) => Carriers::Several,
        _ => Carriers::Open,
    })
}

/// What both tell together.
pub(crate) fn whose(switch: &BySwitch, carriers: Carriers, settings: &Settings) -> Whose {
    let outcomes: Vec<Option<Outcome>> = match switch {
        BySwitch::Told(told) => told.iter().map(|(head, share)| share_of(*head, share, settings).outcome()).collect(),
        _ => Vec::new(),
    };
    by_both(&outcomes, carriers)
}

fn by_both(outcomes: &[Option<Outcome>], carriers: Carriers) -> Whose {
    let all = |wanted| !outcomes.is_empty() && outcomes.iter().all(|outcome| *outcome == Some(wanted));
    let any = |wanted| outcomes.contains(&Some(wanted));
    match carriers {
        Carriers::One if all(Outcome::Fail) => Whose::Contradicted,
        _ if all(Outcome::Fail) => Whose::Other,
        _ if any(Outcome::Fail) && any(Outcome::Pass) => Whose::OneOther,
        _ if all(Outcome::Pass) => Whose::Own,
        Carriers::One => Whose::Own,
        Carriers::Several => Whose::Several,
        Carriers::Open => Whose::Open,
    }
}

/// The measurement of one head's share.
pub(crate) fn share_of(head: ScanHead, share: &Estimate, settings: &Settings) -> Measured {
    Measured::new(format!("{}.own-tracks", name(head)), Unit::One, share)
        .judged(settings.at_least(&p::OWN_GOOD, &p::OWN_REJECT))
}

/// States the shares, judged unless the hookup contradicts itself.
pub(crate) fn state(switch: &BySwitch, whose: Whose, settings: &Settings, report: &mut Report) {
    match switch {
        BySwitch::Told(told) => {
            for (head, share) in told {
                let measured = share_of(*head, share, settings);
                let judged = whose != Whose::Contradicted;
                report.measured(if judged { measured } else { Measured { limits: None, ..measured } });
            }
        }
        BySwitch::NoEdges(why) => report.note(&format!(
            "The head switch is hooked up and gives no edge ({why}): which head plays is not known. Where the machine switches by it, it puts only one head through."
        )),
        BySwitch::NotThere => {}
    }
}

/// Says what is wrong with where the heads stand; whether the beats are worth judging all the same.
pub(crate) fn say(whose: Whose, report: &mut Report) -> bool {
    match whose {
        Whose::Own | Whose::Several | Whose::Open => return true,
        Whose::Other => {
            report.found(
                Finding::PilotsOffTrack,
                "while the head switch selects a head, the pilots are those of tracks that the other head wrote: both heads stand one track pitch off, where they give pilots and no picture",
            );
            report.advise("Hold the order of the servo's own pilots against the head switch: it decides on which track a head is led. If there is a good picture, the hookup's `high-is-a` is the wrong way round instead.");
        }
        Whose::OneOther => {
            report.found(Finding::PilotsOneHead, "one head stands on tracks that the other head wrote");
            report.advise("The heads' heights differ by about a track pitch: run `envelope` for each.");
        }
        Whose::Contradicted => {
            let why = "by the head switch each head plays the other's tracks, yet it reads one clean carrier, which only its own tracks give: set the hookup's `high-is-a` the other way round and run this again";
            report.unable(Unable::new(UnableCode::BadData, why).on("head-switch"));
        }
    }
    false
}

/// Why no pass can be stated: nothing says that the heads stand on tracks of their own azimuth.
pub(crate) fn not_told(switch: &BySwitch, whose: Whose, report: &mut Report) {
    let seen = if whose == Whose::Several {
        "the heads read several carriers at once, or one in noise, as they do on tracks of the other azimuth, one pitch off"
    } else {
        "whether the heads stand on their own tracks or one pitch off, on tracks of the other azimuth, is not told by the carrier"
    };
    let (code, then) = match switch {
        BySwitch::NotThere => (UnableCode::NotHookedUp, "hook up the head switch, which tells which head plays"),
        BySwitch::NoEdges(_) => {
            (UnableCode::NoTrigger, "see that the head switch gives edges, which tell which head plays")
        }
        BySwitch::Told(_) => (
            UnableCode::NotSteady,
            "by the head switch it changes from capture to capture or from end to end of the scan: see that the tape is locked (`still-against-play`)",
        ),
    };
    report
        .unable(Unable::new(code, format!("the beats stand as with centred heads, but {seen}: {then}")).on("tracking"));
    report.advise(
        "Look at the picture, or run `envelope`: on tracks of the other azimuth both heads give hardly any level.",
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_switch_counts_first_and_the_carrier_where_it_says_nothing() {
        use Carriers::{One, Open, Several};
        let (pass, fail, open) = (Some(Outcome::Pass), Some(Outcome::Fail), Some(Outcome::Inconclusive));
        for (outcomes, carriers, want) in [
            (&[pass, pass][..], Open, Whose::Own),
            (&[pass], Several, Whose::Own),
            (&[fail, fail], Several, Whose::Other),
            (&[fail, fail], Open, Whose::Other),
            // The hookup takes one head's state for the other's.
            (&[fail, fail], One, Whose::Contradicted),
            (&[pass, fail], One, Whose::OneOther),
            (&[open, open], One, Whose::Own),
            (&[open, pass], Several, Whose::Several),
            (&[], One, Whose::Own),
            (&[], Several, Whose::Several),
            (&[], Open, Whose::Open),
        ] {
            assert_eq!(by_both(outcomes, carriers), want, "{outcomes:?} {carriers:?}");
        }
    }
}
