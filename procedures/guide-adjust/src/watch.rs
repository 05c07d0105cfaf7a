//! Live: the heads' ends as they are now, which guide, and whether it gets better.
//!
//! Each look is one capture of a frame. The curve that is shown is the median of the last few. Where control
//! pulses are beside it, their delay tells where the tracking stands, so the sides are recognised by themselves.

mod show;

use crate::bench::Eye;
use crate::both::{Height, height_of};
use crate::swing::reversals;
use show::State;
use std::collections::VecDeque;
use tapewright_sdk::live::{Live, Reading, Trend};
use tapewright_sdk::measure::curve::{entrance, exit};
use tapewright_sdk::measure::guides::{
    End, OffTrack, Places, SIDE_LEVEL, Untold, guide_ends, guide_errors, is_hidden_at_sides,
};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::{HeadCurve, ScanLevels};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// Frames whose median is shown: a third of a second at twelve captures a second.
const SHOWN: usize = 4;

/// Within this many pitches of where centre was taken the tracking counts as at centre.
const AT_CENTRE: f64 = 0.1;

/// Beyond this many it counts as at a side.
const AT_SIDE: f64 = 0.15;

/// A tracking that moves by less than this over the frames shown stands, in pitches.
const STANDS: f64 = 0.04;

/// An end that changes by more of the middle's level at one tracking position was turned (common practice, no source).
const TURNED: f64 = 0.05;

/// How long a course is remembered, for hunting, in seconds.
const REMEMBERED_S: f64 = 15.0;

/// Turns of the tracking within that time that nobody makes by hand while turning a guide.
const TURNS: usize = 3;

/// Least turn that counts: pitches of the tracking, or share of the level.
const TURN_PITCHES: f64 = 0.08;
const TURN_LEVEL: f64 = 0.12;

/// Least change, of a guide's height in micrometres or of flatness, that is called better or worse: looks one after the other
/// wander together by half of it on a modest scope.
const LEAST_TURN_UM: f64 = 0.6;
const LEAST_TURN: f64 = 0.005;

/// A head below this share of the other one's level is silent, and what its curve shows is noise (common practice, no source).
const SILENT: f64 = 0.15;

/// Longest transfer for which control pulses are captured with each frame, in seconds.
const BESIDE_S: f64 = 0.1;

/// A live session.
pub(crate) struct Watch {
    pub(crate) eye: Eye,
    floor: Option<Floor>,
    floor_taken: bool,
    /// Control pulses tell the sides, beside each frame.
    pub(crate) with_control: bool,
    rings: [VecDeque<ScanLevels>; 2],
    pub(crate) centre: Option<Taken>,
    pub(crate) sides: [Option<Taken>; 2],
    /// The sides as they were first seen where they are, after centre was taken.
    first: [Option<Taken>; 2],
    /// A guide was turned since then: the level at centre is of before.
    turned: bool,
    /// An end that had left its track, until centre is taken once more.
    pub(crate) off_track: Option<OffTrack>,
    /// Delay from control pulse to head switch, now and at centre, in seconds.
    delay_s: Option<f64>,
    centre_delay_s: Option<f64>,
    /// Time and tracking position (pitches) or level (V).
    course: VecDeque<(f64, f64)>,
    /// Time and how far from right it is.
    merits: VecDeque<(f64, f64)>,
    merit_is: Option<bool>,
}

/// Curves at one tracking position, by head.
#[derive(Clone)]
pub(crate) struct Taken {
    pub(crate) curves: [Option<HeadCurve>; 2],
    /// How far the tracking was moved from centre, in pitches, where that is told.
    pub(crate) by: Option<f64>,
}

impl Taken {
    /// Whether an end is another one than it was.
    fn is_turned_from(&self, before: &Self) -> bool {
        let ends = |of: &HeadCurve| [entrance(of), exit(of)].map(|end| end.map_or(0.0, |end| end.value));
        let pairs = self.curves.iter().flatten().zip(before.curves.iter().flatten());
        pairs
            .map(|(now, then)| (ends(now), ends(then)))
            .any(|(now, then)| (now[0] - then[0]).abs() > TURNED || (now[1] - then[1]).abs() > TURNED)
    }

    /// Level at the middle of the scan, in volts, over the heads that there are.
    pub(crate) fn middle_v(&self) -> f64 {
        use tapewright_sdk::formats::definitions::MIDDLE;
        let of = |c: &HeadCurve| c.median_v[MIDDLE].iter().sum::<f64>() / MIDDLE.len() as f64;
        let all: Vec<f64> = self.curves.iter().flatten().map(of).collect();
        all.iter().sum::<f64>() / all.len().max(1) as f64
    }
}

const PLUS: usize = 0;
const MINUS: usize = 1;

/// Where the tracking stands, as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Standing {
    /// Centre was not taken yet, or nothing tells.
    Unknown,
    /// At centre.
    Centre,
    /// Between centre and a side.
    Between(f64),
    /// At a side, by so many pitches.
    Side(f64),
}

impl Live for Watch {
    fn begin(_settings: &Settings) -> Result<Self> {
        let subject = subject()?;
        let eye = Eye::new(&subject, Front::slow(&subject)?)?;
        let with_control = eye.sign_is_told() && eye.front.transfer_s(1) <= BESIDE_S;
        Ok(Self {
            floor: None,
            floor_taken: false,
            with_control,
            rings: [VecDeque::new(), VecDeque::new()],
            centre: None,
            sides: [None, None],
            first: [None, None],
            turned: false,
            off_track: None,
            delay_s: None,
            centre_delay_s: None,
            course: VecDeque::new(),
            merits: VecDeque::new(),
            merit_is: None,
            eye,
        })
    }

    fn look(&mut self, said: Option<&str>) -> Result<Reading> {
        if now() != Mode::Play {
            self.forget_now();
            if now() == Mode::Stop && !self.floor_taken {
                self.floor = Some(self.eye.front.floor_in_stop(2)?);
                self.floor_taken = true;
            }
            return Ok(show::not_in_play(self.floor_taken));
        }
        let beside = if self.with_control { self.eye.beside() } else { &[] };
        let capture = self.eye.front.frame_beside(ScanHead::A, 2, beside)?;
        let at_s = capture.info.trigger_s;
        if self.floor.is_none() {
            self.floor = Some(self.eye.front.no_floor_for(&capture)?);
        }
        let Some(floor) = &self.floor else { return Ok(show::not_in_play(false)) };
        for (head, levels) in self.eye.front.levels(&capture, floor, ScanHead::A, 2)? {
            let ring = &mut self.rings[usize::from(head == ScanHead::B)];
            ring.push_back(levels);
            while ring.len() > SHOWN {
                ring.pop_front();
            }
        }
        self.delay_s = self.eye.delay_s(&capture);
        let seen = self.now_seen()?;
        self.hear(said, &seen);
        self.remember(at_s, seen.middle_v());
        let standing = self.standing();
        self.store(standing, &seen);
        let ends = self.ends();
        let untold = self.why_untold(ends.as_ref());
        let heights = ends.and_then(|[entrance, exit]| entrance.ok().zip(exit.ok())).filter(|_| untold.is_none());
        let state = State { seen, standing, heights, untold, hunts: self.hunts() };
        let (merit, by_height) = state.merit(self.eye.pitch_um);
        let trend = self.trend(at_s, merit, by_height);
        state.reading(self, trend)
    }
}

impl Watch {
    fn forget_now(&mut self) {
        self.rings.iter_mut().for_each(VecDeque::clear);
        self.merits.clear();
        self.course.clear();
        self.delay_s = None;
    }

    fn now_seen(&self) -> Result<Taken> {
        let curve = |ring: &VecDeque<ScanLevels>| -> Result<Option<HeadCurve>> {
            if ring.is_empty() {
                return Ok(None);
            }
            let frames: Vec<ScanLevels> = ring.iter().cloned().collect();
            Ok(Some(HeadCurve::over_frames(&frames)?))
        };
        let mut curves = [curve(&self.rings[0])?, curve(&self.rings[1])?];
        let loudest_v = curves.iter().flatten().map(HeadCurve::mean_v).fold(0.0, f64::max);
        for curve in &mut curves {
            curve.take_if(|curve| curve.mean_v() < SILENT * loudest_v);
        }
        Ok(Taken { curves, by: None })
    }

    /// Whether the head of this place was captured, and is not heard.
    pub(crate) fn is_silent(&self, place: usize, seen: &Taken) -> bool {
        !self.rings[place].is_empty() && seen.curves[place].is_none()
    }

    fn hear(&mut self, said: Option<&str>, seen: &Taken) {
        match said {
            Some("centre") => {
                self.centre = Some(seen.clone());
                self.centre_delay_s = self.delay_s;
                self.forget_sides();
                self.course.clear();
            }
            Some("one-side") => self.keep(PLUS, seen.clone()),
            Some("other-side") => self.keep(MINUS, seen.clone()),
            Some("forget") => {
                self.centre = None;
                self.centre_delay_s = None;
                self.forget_sides();
            }
            _ => {}
        }
    }

    fn forget_sides(&mut self) {
        (self.sides, self.first) = ([None, None], [None, None]);
        (self.turned, self.off_track) = (false, None);
        self.merits.clear();
    }

    fn keep(&mut self, side: usize, taken: Taken) {
        // A bent end changes with the tracking too.
        let moved = |then: &mut Taken| then.by.zip(taken.by).is_some_and(|(then, now)| (now - then).abs() > STANDS);
        self.first[side].take_if(moved);
        let first = self.first[side].get_or_insert_with(|| taken.clone());
        self.turned |= taken.is_turned_from(first);
        self.sides[side] = Some(taken);
    }

    /// How far the tracking stands from where centre was taken, in pitches.
    fn by(&self) -> Option<f64> {
        Some(self.eye.pitches(self.delay_s?, self.centre_delay_s?))
    }

    fn standing(&self) -> Standing {
        let Some(by) = self.by() else { return Standing::Unknown };
        if by.abs() <= AT_CENTRE {
            Standing::Centre
        } else if by.abs() < AT_SIDE {
            Standing::Between(by)
        } else {
            Standing::Side(by)
        }
    }

    /// Level at the middle over that at centre.
    pub(crate) fn share(&self, seen: &Taken) -> Option<f64> {
        let centre_v = self.centre.as_ref()?.middle_v();
        (centre_v > 0.0).then(|| seen.middle_v() / centre_v)
    }

    /// A side that is recognised is kept as it is now.
    fn store(&mut self, standing: Standing, seen: &Taken) {
        let whole = self.rings.iter().all(|ring| ring.len() == SHOWN || ring.is_empty());
        let last = self.course.iter().rev().take(SHOWN).map(|(_, at)| *at);
        let (low, high) = last.fold((f64::MAX, f64::MIN), |(l, h), at| (l.min(at), h.max(at)));
        let stands = self.course.len() >= SHOWN && high - low < STANDS;
        if !(whole && stands) {
            return;
        }
        match standing {
            Standing::Centre if self.by().is_some_and(|by| by.abs() < STANDS) => {
                self.turned |= self.centre.as_ref().is_some_and(|then| seen.is_turned_from(then))
            }
            Standing::Side(by)
                if self.share(seen).is_some_and(|share| (SIDE_LEVEL.0..=SIDE_LEVEL.1).contains(&share)) =>
            {
                self.keep(if by > 0.0 { PLUS } else { MINUS }, Taken { by: Some(by), ..seen.clone() });
            }
            _ => {}
        }
    }

    /// Both guides' height errors over the heads, once there are three places. That an end has left its track shows before a guide
    /// is turned only.
    fn ends(&self) -> Option<[Height; 2]> {
        let (Some(centre), [Some(plus), Some(minus)]) = (&self.centre, &self.sides) else { return None };
        let apart = plus.by.zip(minus.by).map(|(plus, minus)| plus - minus);
        let pitch_um = self.eye.pitch_um;
        let of_head = |head: usize| -> Option<[Height; 2]> {
            let (centre, plus, minus) =
                (centre.curves[head].as_ref()?, plus.curves[head].as_ref()?, minus.curves[head].as_ref()?);
            let places = Places { centre, plus, minus, apart };
            if self.turned {
                let errors = guide_errors(&places, pitch_um).ok()?;
                let seen = |end: End, height: Estimate| -> Option<Height> {
                    let hidden = is_hidden_at_sides(&places, end, pitch_um).ok()?;
                    Some(if hidden { Err(Untold::Hidden(end)) } else { Ok(height) })
                };
                return Some([seen(End::Entrance, errors.entrance)?, seen(End::Exit, errors.exit)?]);
            }
            let ends = guide_ends(&places, pitch_um).ok()?;
            Some([ends.entrance, ends.exit])
        };
        let heads: Vec<[Height; 2]> = (0..2).filter_map(of_head).collect();
        let over = |end: usize| height_of(&heads.iter().map(|head| &head[end]).collect::<Vec<_>>()).ok();
        Some([over(0)?, over(1)?])
    }

    /// Why a height is not told: noise by this look alone, an end off its track until centre is taken anew.
    fn why_untold(&mut self, ends: Option<&[Height; 2]>) -> Option<Untold> {
        let whys: Vec<Untold> = ends.into_iter().flatten().filter_map(|end| end.as_ref().err().copied()).collect();
        let hidden = whys.iter().copied().find(|why| matches!(why, Untold::Hidden(_)));
        if let (None, Some(Untold::OffTrack(off))) = (hidden, whys.first()) {
            self.off_track.get_or_insert(*off);
        }
        self.off_track.map(Untold::OffTrack).or(hidden)
    }

    fn remember(&mut self, at_s: f64, level_v: f64) {
        let value = match (self.delay_s, self.centre_delay_s) {
            (Some(now), centre) => self.eye.pitches(now, centre.unwrap_or(0.0)),
            (None, _) => level_v,
        };
        self.course.push_back((at_s, value));
        while self.course.front().is_some_and(|(then, _)| at_s - then > REMEMBERED_S) {
            self.course.pop_front();
        }
    }

    fn hunts(&self) -> bool {
        let values: Vec<f64> = self.course.iter().map(|(_, value)| *value).collect();
        let least = if self.delay_s.is_some() {
            TURN_PITCHES
        } else {
            TURN_LEVEL * values.iter().fold(0.0_f64, |m, v| m.max(*v))
        };
        reversals(&values, least.max(f64::MIN_POSITIVE)) >= TURNS
    }

    /// Against a moment ago: the last third of a second, against the second before it.
    fn trend(&mut self, at_s: f64, merit: f64, by_height: bool) -> Trend {
        if self.merit_is != Some(by_height) {
            self.merits.clear();
            self.merit_is = Some(by_height);
        }
        self.merits.push_back((at_s, merit));
        let now: Vec<f64> = self.merits.iter().rev().take(SHOWN).map(|(_, m)| *m).collect();
        let until_s = self.merits.iter().rev().nth(SHOWN - 1).map_or(f64::NEG_INFINITY, |(t, _)| *t);
        let from_s = until_s - 1.5;
        while self.merits.front().is_some_and(|(t, _)| *t < from_s) {
            self.merits.pop_front();
        }
        let then: Vec<f64> = self.merits.iter().filter(|(t, _)| *t < until_s).map(|(_, m)| *m).collect();
        if now.len() < SHOWN || then.len() < SHOWN {
            return Trend::Unknown;
        }
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        let spread = |v: &[f64]| {
            let m = mean(v);
            (v.iter().map(|x| (x - m).powi(2)).sum::<f64>() / (v.len() as f64 - 1.0) / v.len() as f64).sqrt()
        };
        // Neighbouring looks share frames: what they scatter is less than it was.
        let sure = (4.0 * spread(&now).hypot(spread(&then))).max(if by_height { LEAST_TURN_UM } else { LEAST_TURN });
        match mean(&now) - mean(&then) {
            change if change < -sure => Trend::Better,
            change if change > sure => Trend::Worse,
            _ => Trend::Same,
        }
    }
}
