//! From captures of RF to levels: the way that fits the scope, the noise floor, the levels of scans.
//!
//! Which way is taken is told by what the scope can do, never by its name: see [`Way`]. The floor is
//! taken in `stop`, in the set-up that the RF had: after the captures in play, so that the machine is at
//! rest at the end and threads the tape once only. (Permissions `captures` and `transport`.)

use crate::bench::{Abilities, Head, Point, Subject, abilities, go, hooked_up, now};
use crate::captures::{Acquire, Capture, Slope};
use crate::unable::{Result, Unable};
use tapewright_formats::{LineStandard, Mode, ProbePlace, Signal, SignalForm, UnableCode};
use tapewright_measure::beside::Beside;
use tapewright_measure::blanking::field_blanking;
use tapewright_measure::carrier::{Carrier, levels_by_carrier};
use tapewright_measure::peaks::levels_by_peaks;
use tapewright_measure::picture::Picture;
use tapewright_measure::power::{blanking_by_power, levels_by_power};
use tapewright_measure::record::{LevelRecord, Reading, level_from_pairs, level_from_samples, modulation};
use tapewright_measure::scan::{Head as ScanHead, Scan, scans_from_trigger};
use tapewright_measure::swing::swing_of;
use tapewright_measure::{Estimate, ScanLevels, Trace};

mod beside;
mod course;
mod floor;
mod way;
pub use floor::Floor;
use floor::Kind;
pub use way::{BEARABLE_S, Way};

/// Points that are asked for where more would tell no more: a bin then is a fifth of a line of a scan.
const POINTS: u32 = 2_500;

/// Most points of a slow record; finer bins than these tell nothing of seconds.
const RECORD_POINTS: u32 = 20_000;

/// Longer than the scans themselves by this share: the drum may be a little slow, the scope's clock too.
const A_LITTLE: f64 = 1.02;

/// How long to wait for a head-switch edge: some hundred frames.
const EDGE_DEADLINE_S: f64 = 4.0;

/// How RF is looked at on this bench: the way, the carrier, the head switch.
#[derive(Debug, Clone)]
pub struct Front {
    /// The way.
    pub way: Way,
    /// Heads that the point carries.
    pub heads: Vec<ScanHead>,
    /// Line standard.
    pub lines: LineStandard,
    high_is_a: bool,
    carrier: Carrier,
    picture: Picture,
    can: Abilities,
}

impl Front {
    /// For `captures` records of `scans` scans each, by the best way there is.
    ///
    /// # Errors
    /// `not-hooked-up`; `level-hidden` for a point after automatic gain; `not-possible` for a point that
    /// carries no raw RF or cannot be sampled.
    pub fn for_scans(subject: &Subject, scans: u32, captures: u32) -> Result<Self> {
        let can = abilities();
        let way = Way::choose(&can, subject.format, span_s(subject.format.lines, scans), captures);
        Self::new(subject, can, way)
    }

    /// For slow records, and scans with few points.
    ///
    /// # Errors
    /// As [`Self::for_scans`].
    pub fn slow(subject: &Subject) -> Result<Self> {
        let can = abilities();
        let way = Way::slow(&can, subject.format);
        Self::new(subject, can, way)
    }

    fn new(subject: &Subject, can: Abilities, way: Way) -> Result<Self> {
        let point = hooked_up(Signal::Rf)?;
        demand_level(&point, "where each head shows the same level")?;
        let switch = hooked_up(Signal::HeadSwitch)?;
        let heads = match point.head {
            Head::Both => vec![ScanHead::A, ScanHead::B],
            Head::A => vec![ScanHead::A],
            Head::B => vec![ScanHead::B],
        };
        Ok(Self {
            way,
            heads,
            lines: subject.format.lines,
            high_is_a: switch.high_is_a,
            carrier: Carrier::of(subject.format),
            picture: Picture {
                beside: Some(Beside::of(subject.format)),
                ..if subject.even_picture { Picture::even() } else { Picture::unknown() }
            },
            can,
        })
    }

    /// The head-switch edge that selects a head.
    #[must_use]
    pub const fn selects(&self, head: ScanHead) -> Slope {
        match (self.high_is_a, head) {
            (true, ScanHead::A) | (false, ScanHead::B) => Slope::Rising,
            _ => Slope::Falling,
        }
    }

    fn setup(&self, scans: u32) -> Acquire {
        self.setup_of(&[Signal::Rf], scans)
    }

    /// Goes to play, unless the machine plays already.
    ///
    /// # Errors
    /// What the daemon says, e.g. `mode-not-reached`.
    pub fn to_play(&self) -> Result<()> {
        if now() != Mode::Play {
            go(Mode::Play)?;
        }
        Ok(())
    }

    /// The same, with what lines of field blanking show less taken from captures of one scan each, each of
    /// which began at the edge that selects its head. Pairs and under-sampled RF need it; where it cannot be taken, the
    /// levels are refused for the same reason.
    ///
    /// # Errors
    /// `clipped`, `in-noise`, `too-short`, `bad-data`.
    pub fn with_blanking(&self, captures: &[(ScanHead, &[Capture])], floor: &Floor) -> Result<Self> {
        let mut front = self.clone();
        if let Kind::Peaks(_, correction) = &floor.kind {
            let mut all = Vec::new();
            for (head, taken) in captures {
                for capture in *taken {
                    let pairs = capture.trace(Signal::Rf)?.pairs()?;
                    all.push((*head, pairs));
                }
            }
            let scans: Vec<_> = all
                .iter()
                .filter_map(|(head, pairs)| {
                    let until_s = pairs.t0_s() + pairs.len() as f64 * pairs.dt_s();
                    let scan = scans_from_trigger(self.lines, *head, pairs.t0_s() - 0.5 * pairs.dt_s(), until_s);
                    scan.into_iter().find(|scan| scan.start_s.abs() < 1e-9).map(|scan| (pairs, scan))
                })
                .collect();
            front.picture.blanking = Some(field_blanking(&scans, correction, self.lines)?);
        }
        if let Kind::Power(noise) = &floor.kind {
            let mut all = Vec::new();
            for (head, taken) in captures {
                for capture in *taken {
                    all.push((*head, capture.trace(Signal::Rf)?.samples()?));
                }
            }
            let scans: Vec<_> = all
                .iter()
                .filter_map(|(head, trace)| {
                    let (from_s, until_s) = ends(trace);
                    let scan = scans_from_trigger(self.lines, *head, from_s, until_s);
                    scan.into_iter().find(|scan| scan.start_s.abs() < 1e-9).map(|scan| (trace, scan))
                })
                .collect();
            front.picture.blanking = Some(blanking_by_power(&scans, noise, self.lines)?);
        }
        Ok(front)
    }

    /// The same for scans that lie beside their tracks all along, of a head whose greatest level on its track is known.
    #[must_use]
    pub fn aside(&self, on_track_v: f64) -> Self {
        let mut front = self.clone();
        front.picture.on_track_v = Some(on_track_v);
        front
    }

    /// What lines with a picture were seen to show against lines of field blanking, in words; none where it was not
    /// taken.
    #[must_use]
    pub fn blanking_text(&self) -> Option<String> {
        let taken = self.picture.blanking?;
        Some(format!(
            "Lines with a picture show {:.3} times (standard uncertainty {:.3}) what lines of field blanking do.",
            taken.ratio, taken.ratio_u
        ))
    }

    /// Captures of `scans` scans, each from the head-switch edge that selects `first`.
    ///
    /// # Errors
    /// What the daemon says, e.g. `no-trigger` without a head switch.
    pub fn frames(&self, first: ScanHead, scans: u32, count: u32) -> Result<Vec<Capture>> {
        self.setup(scans).edge(Signal::HeadSwitch, self.selects(first)).deadline_s(EDGE_DEADLINE_S).count(count).take()
    }

    /// Levels of the first `scans` scans of a capture that began at the edge that selects `first`, of the
    /// heads that the point carries. What a scope gives beyond is left out: away from the edge a drum that
    /// is off its rate on purpose, as in still, shifts the scans.
    ///
    /// # Errors
    /// `no-trigger` for a capture that nothing triggered; `clipped`, `too-short`, `bad-data`.
    pub fn levels(
        &self,
        capture: &Capture,
        floor: &Floor,
        first: ScanHead,
        scans: u32,
    ) -> Result<Vec<(ScanHead, ScanLevels)>> {
        if !capture.info.triggered {
            return Err(Unable::new(
                UnableCode::NoTrigger,
                "the capture was not triggered by the head switch: where its scans lie is not known",
            ));
        }
        let codes = capture.trace(Signal::Rf)?;
        match &floor.kind {
            Kind::Peaks(_, correction) => {
                let pairs = codes.pairs()?;
                let from_s = pairs.t0_s() - 0.5 * pairs.dt_s();
                let until_s = from_s + pairs.len() as f64 * pairs.dt_s();
                self.each((first, scans), from_s, until_s, |scan| {
                    Ok(levels_by_peaks(&pairs, scan, correction, &self.picture)?)
                })
            }
            Kind::Carrier(noise) => {
                let trace = codes.samples()?;
                let (from_s, until_s) = ends(&trace);
                self.each((first, scans), from_s, until_s, |scan| {
                    Ok(levels_by_carrier(&trace, scan, &self.carrier, noise, &self.picture)?)
                })
            }
            Kind::Power(noise) => {
                let trace = codes.samples()?;
                let (from_s, until_s) = ends(&trace);
                self.each((first, scans), from_s, until_s, |scan| {
                    Ok(levels_by_power(&trace, scan, noise, &self.picture)?)
                })
            }
        }
    }

    fn each(
        &self,
        (first, scans): (ScanHead, u32),
        from_s: f64,
        until_s: f64,
        levels: impl Fn(&Scan) -> Result<ScanLevels>,
    ) -> Result<Vec<(ScanHead, ScanLevels)>> {
        let last_s = (f64::from(scans) - 0.5) / self.lines.field_rate_hz();
        let found: Vec<_> = scans_from_trigger(self.lines, first, from_s, until_s)
            .iter()
            .filter(|scan| scan.start_s > -1e-9 && scan.start_s < last_s && self.heads.contains(&scan.head))
            .map(|scan| Ok((scan.head, levels(scan)?)))
            .collect::<Result<_>>()?;
        if found.is_empty() {
            let why = format!(
                "the capture runs from {:.2} ms to {:.2} ms from its trigger and holds no whole scan",
                from_s * 1e3,
                until_s * 1e3
            );
            return Err(Unable::new(UnableCode::TooShort, why));
        }
        Ok(found)
    }

    /// The longest slow record that can surely be judged, in seconds: a bin (of samples: sixteen) a frame.
    /// A scope that steps 1, 2, 5 takes up to two and a half times what was asked.
    #[must_use]
    pub fn longest_record_s(&self) -> f64 {
        let points = f64::from(self.record_points());
        let a_frame = if self.way == Way::Peaks { 2.0 } else { 16.0 };
        points / a_frame / self.lines.frame_rate_hz() / 2.5
    }

    fn record_points(&self) -> u32 {
        // Two seconds of transfer tell enough.
        let bearable = (2.0 / self.can.seconds_a_point.max(1e-9)).min(f64::from(RECORD_POINTS)) as u32;
        bearable.max(POINTS).min(self.can.greatest_points)
    }

    /// Takes one slow gap-free record of RF, with another signal beside it if there is a channel for
    /// it. With `from_switch` it begins at the head-switch edge that selects head A.
    ///
    /// # Errors
    /// What the daemon says.
    pub fn record(&self, span_s: f64, beside: Option<Signal>, from_switch: bool) -> Result<Capture> {
        let signals: Vec<Signal> = core::iter::once(Signal::Rf).chain(beside).collect();
        let ask = Acquire::of(&signals).span_s(span_s).least_points(self.record_points()).deadline_s(EDGE_DEADLINE_S);
        let ask = if self.way == Way::Peaks { ask.peak() } else { ask };
        if from_switch { ask.edge(Signal::HeadSwitch, self.selects(ScanHead::A)) } else { ask }.take_one()
    }

    /// Level against time from a slow record.
    ///
    /// # Errors
    /// `clipped`, `too-short`, `not-possible` for points too far apart, `bad-data`.
    pub fn level_against_time(&self, capture: &Capture, floor: &Floor) -> Result<LevelRecord> {
        let codes = capture.trace(Signal::Rf)?;
        let frame_hz = self.lines.frame_rate_hz();
        Ok(match &floor.kind {
            Kind::Peaks(noise, _) => level_from_pairs(&codes.pairs()?, noise, &self.carrier, frame_hz)?,
            Kind::Power(noise) => level_from_samples(&codes.samples()?, noise, frame_hz)?,
            Kind::Carrier(_) => {
                return Err(Unable::new(UnableCode::NotPossible, "a slow record needs a floor taken for slow records"));
            }
        })
    }

    /// Modulation of a slow record.
    ///
    /// # Errors
    /// `too-short`, `in-noise`.
    pub fn modulation(&self, record: &LevelRecord) -> Result<Estimate> {
        Ok(modulation(record, &self.picture, self.reading())?)
    }

    /// How far the level of a slow record swings.
    ///
    /// # Errors
    /// `too-short`, `in-noise`.
    pub fn swing(&self, record: &LevelRecord) -> Result<Estimate> {
        Ok(swing_of(record, &self.picture, self.reading())?)
    }

    fn reading(&self) -> Reading {
        if self.way == Way::Peaks { Reading::Peaks } else { Reading::Power }
    }
}

fn ends(trace: &Trace) -> (f64, f64) {
    (trace.t0_s(), trace.t0_s() + trace.span_s())
}

/// Length of a record of so many scans, and a little more.
fn span_s(lines: LineStandard, scans: u32) -> f64 {
    A_LITTLE * f64::from(scans) / lines.field_rate_hz()
}

/// Refuses an RF point whose level tells nothing or that gives no samples; `after_gain`: what hides it after the automatic gain.
///
/// # Errors
/// `not-possible`, `level-hidden`.
pub fn demand_level(point: &Point, after_gain: &str) -> Result<()> {
    if point.trigger_only {
        let why = format!("RF is on `{}`, which can only trigger: put it on a channel", point.channel);
        return Err(Unable::new(UnableCode::NotPossible, why).on("rf"));
    }
    if point.place == ProbePlace::AfterAgc {
        let why = format!("the RF point lies after the automatic gain, {after_gain}: put the probe before it");
        return Err(Unable::new(UnableCode::LevelHidden, why).on("rf"));
    }
    if point.form != SignalForm::Raw {
        let why = format!(
            "the RF point is hooked up as `{}`: put the probe on the RF itself, before any detector",
            point.form
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("rf"));
    }
    Ok(())
}
