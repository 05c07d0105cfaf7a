//! The angle by the phase between two channels, and its adjustment.

use crate::parameters as p;
use crate::take::{Pairs, Tones};
use crate::{SCREW, by_level};
use tapewright_sdk::climb::turned;
use tapewright_sdk::measure::azimuth::{Levels, Tracks, angles_min, azimuth_of, one_track};
use tapewright_sdk::prelude::*;
use tapewright_sdk::probe::LEVEL_MOST;

/// Half width of what a test tape's own azimuth is true to (the published figure of test tapes: 1').
const TEST_TAPE_MIN: f64 = 1.0;

/// What to do where the angle is not told, in words.
const TO_ITS_PEAK: &str = "Clean the head; turn the azimuth screw for the greatest level of the high tone (parameter `rounds` guides the screw), then run again. The hookup's `expected-v` of both outputs, or a smaller `lean-most`, rules out more angles.";

/// A two-track head, and what its phases and levels are held against.
pub(crate) struct Head<'a> {
    tones: &'a Tones,
    tracks: Tracks,
    /// Width of a track; none: not known, then levels tell nothing of the angle.
    width_mm: Option<f64>,
    louder_db: f64,
    most_v: [Option<f64>; 2],
    most_min: f64,
}

impl<'a> Head<'a> {
    pub(crate) fn of(
        tones: &'a Tones,
        tracks: Tracks,
        width_mm: Option<f64>,
        points: &[Point],
        settings: &Settings,
    ) -> Self {
        let most_v = [Signal::AudioLeft, Signal::AudioRight].map(|signal| {
            let expected_v = points.iter().find(|point| point.signal == signal).and_then(|point| point.expected_v);
            expected_v.map(|expected_v| settings.number(&LEVEL_MOST) * expected_v)
        });
        let (louder_db, most_min) = (settings.number(&p::LOUDER), settings.number(&p::LEAN_MOST));
        Self { tones, tracks, width_mm, louder_db, most_v, most_min }
    }

    /// Both tones, each asked for where it is not there.
    fn pairs(&self, report: &mut Report) -> Result<[Pairs; 2]> {
        self.tones.find(true, report)?;
        let high = self.tones.pairs(true)?;
        self.tones.find(false, report)?;
        Ok([self.tones.pairs(false)?, high])
    }

    /// The angles that both tones leave, least lean first.
    fn leans(&self, low: &Pairs, high: &Pairs, report: &mut Report) -> Result<Vec<Estimate>> {
        let fit = angles_min(&low.all, &high.all, &self.tracks, self.most_min)?;
        let mut left = self.allowed(&fit, low, high, self.most_v)?;
        if left.is_empty() && self.most_v != [None; 2] {
            // Levels that no angle explains are not those that are expected, and rule nothing out.
            left = self.allowed(&fit, low, high, [None; 2])?;
            report.note("The levels are far above what the hookup expects, and so they tell less of the angle: check the probes' factors and `expected-v`.");
        }
        if left.is_empty() {
            let why = format!(
                "at no angle do the levels fit: at {:.0} Hz audio-left gives {:.1} mV, at {:.0} Hz {:.1} mV; the tape's tones are not about equally loud (`high-over-low-most`)",
                self.tones.low_hz,
                1e3 * low.mean_v(0),
                self.tones.high_hz,
                1e3 * high.mean_v(0)
            );
            return Err(Unable::new(UnableCode::BadData, why));
        }
        left.into_iter().map(|angle| self.off_height(angle, low)).collect()
    }

    /// Those of the angles that the levels allow.
    fn allowed(&self, fit: &[Estimate], low: &Pairs, high: &Pairs, most_v: [Option<f64>; 2]) -> Result<Vec<Estimate>> {
        let Some(width_mm) = self.width_mm else { return Ok(fit.to_vec()) };
        let levels = Levels { width_mm, louder_db: self.louder_db, most_v, together: low.together && high.together };
        let (low, high) = (low.taken(), high.taken());
        let mut left = Vec::with_capacity(fit.len());
        for angle in fit {
            if levels.allow(&low, &high, &self.tracks, angle)? {
                left.push(angle.clone());
            }
        }
        Ok(left)
    }

    /// A head off its height reads one of two tracks in part where the tone lies over the whole width: the middles of what both read
    /// lie nearer to each other then, and the angle is more than the phase says, as far as one channel is weaker.
    fn off_height(&self, angle: Estimate, low: &Pairs) -> Result<Estimate> {
        let weaker = right_over_left_db(low).map_or(1.0, |db| 10_f64.powf(-db.abs() / 20.0));
        let nearer_mm = 0.5 * self.width_mm.unwrap_or(0.0) * (1.0 - weaker);
        let more = angle.value.abs() * nearer_mm / (self.tracks.distance_mm - nearer_mm).max(f64::MIN_POSITIVE);
        let name = "height of the head, by the weaker channel";
        Ok(if angle.value < 0.0 { angle.or_lower(name, more) } else { angle.or_higher(name, more) }?)
    }

    /// The angle after a small turn of the screw, from the high tone alone: the one nearest to the last. For guidance only.
    fn follow(&self, last: &Estimate, high: &Pairs) -> Result<Estimate> {
        let hz = high.all[0].left.hz;
        let min = |rad: f64| azimuth_of(&self.tracks, hz, rad).to_degrees() * 60.0;
        let turn = min(core::f64::consts::TAU);
        let lags = high.all.iter().map(|pair| min(pair.lag_rad()));
        let near: Vec<f64> = lags.map(|min| min + turn * ((last.value - min) / turn).round()).collect();
        let m = tapewright_sdk::measure::statistics::moments(&near)?;
        let n = near.len() as f64;
        let scatter = Contribution::type_a("captures", m.standard_deviation / n.sqrt(), (n - 1.0).max(1.0));
        Ok(Estimate::combined(m.mean, vec![scatter])?)
    }
}

pub(crate) fn by_phase(
    head: &Head<'_>,
    limits: &Limits,
    tape: TapeKind,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    report.progress(0.2, "phase at both tones");
    let [low, mut high] = head.pairs(report).on("azimuth")?;
    if one_track(&low.all, &high.all, &head.tracks).on("azimuth")? {
        report.note(
            "Both outputs show one track: no angle lies between them and none wanders, as it does between two tracks of any tape. The head has one track, the machine is set to mono, or both probes are on one output. So the angle itself is not told, only how far the level of audio-left lies from its peak.",
        );
        return by_level(head.tones, tape, settings, report);
    }
    let mut leans = head.leans(&low, &high, report).on("azimuth")?;
    let rounds = if tape == TapeKind::Alignment { settings.count(&p::ROUNDS) } else { 0 };
    let good = limits.good.at_most.unwrap_or(0.0);
    if rounds > 0 {
        let (name, estimate) = match leans.as_slice() {
            [azimuth] => ("before.azimuth", against_tape(azimuth)?),
            several => ("before.azimuth.size", size(several)?),
        };
        report.measured(Measured::new(name, Unit::ArcMinute, &estimate));
        head.tones.find(true, report)?;
    }
    let mut adjusted = false;
    for round in 1..=rounds {
        if let [azimuth] = leans.as_slice()
            && azimuth.interval.low > -0.5 * good
            && azimuth.interval.high < 0.5 * good
        {
            break;
        }
        report.progress(0.3 + 0.6 * f64::from(round) / f64::from(rounds), "adjusting");
        let text = how_to_turn(&leans, good, head.tones, &high);
        if !turned(&format!("azimuth-adjust-{round}"), SCREW, &text)? {
            break;
        }
        adjusted = true;
        if let [azimuth] = leans.as_slice() {
            let high = head.tones.pairs(true).on("azimuth")?;
            // Small turns of the screw keep to the turn of the phase that the low tone told.
            leans = vec![head.follow(azimuth, &high)?];
        } else {
            let [low, now] = head.pairs(report).on("azimuth")?;
            leans = head.leans(&low, &now, report).on("azimuth")?;
            high = now;
        }
    }
    if adjusted {
        let [low, now] = head.pairs(report).on("azimuth")?;
        leans = head.leans(&low, &now, report).on("azimuth")?;
        high = now;
    }
    report.progress(0.95, "judging");
    if let Some(db) = right_over_left_db(&high) {
        report.note(&format!("Right stands {db:+.1} dB against left at the high tone."));
    }
    tell(&leans, limits, tape, report)
}

/// What the operator is asked to do with the screw.
fn how_to_turn(leans: &[Estimate], good: f64, tones: &Tones, high: &Pairs) -> String {
    match leans {
        [azimuth] => format!(
            "The head leans by {:+.1} minutes of arc (right {}). Turn the azimuth screw {}, then answer `done`; `leave` ends the adjustment.",
            azimuth.value,
            if azimuth.value > 0.0 { "late" } else { "early" },
            if azimuth.value.abs() > 2.0 * good { "by an eighth of a turn or less" } else { "by a hair" },
        ),
        several => format!(
            "The head leans by {} minutes of arc: which of them, phase and levels do not tell. Turn the azimuth screw by an eighth of a turn or less, the way in which {:.0} Hz gets louder (now {:.1} mV on audio-left), then answer `done`; `leave` ends the adjustment.",
            listed(several),
            tones.high_hz,
            1e3 * core::f64::consts::FRAC_1_SQRT_2 * high.mean_v(0)
        ),
    }
}

fn tell(leans: &[Estimate], limits: &Limits, tape: TapeKind, report: &mut Report) -> Result<()> {
    let judged = tape == TapeKind::Alignment;
    if let [azimuth] = leans {
        let azimuth = if judged { against_tape(azimuth)? } else { azimuth.clone() };
        let measured = Measured::new("azimuth", Unit::ArcMinute, &azimuth);
        if judged && report.measured(measured.clone().judged(limits.clone())) == Some(Outcome::Fail) {
            let side = if azimuth.value > 0.0 { "right is read late" } else { "right is read early" };
            report.found(Finding::AzimuthOff, &format!("{:+.1} minutes of arc: {side}", azimuth.value));
            report.advise("Set the audio head: height (`audio-head`), then azimuth, then the height again (parameter `rounds` guides the screw).");
        } else if !judged {
            report.measured(measured);
        }
    } else {
        let fits = listed(leans);
        report.note(&format!(
            "The phases fit {fits} minutes of arc alike, and the levels of both tones rule out none of these: an angle's sign and size are not told."
        ));
        if judged {
            several(leans, limits, report)?;
        }
    }
    if judged {
        return Ok(());
    }
    let why = "what is measured is the head against the head that recorded this tape: only an alignment tape tells which of them leans";
    report.unable(Unable::new(UnableCode::WrongTape, why).on("audio head"));
    report.advise("Let a scrap tape run, then put in an alignment tape with tones.");
    Ok(())
}

/// Several angles are left: the head is off where it is off by each of them, and else nothing is told.
fn several(leans: &[Estimate], limits: &Limits, report: &mut Report) -> Result<()> {
    let up_to = |limit: &Limit| Limit { at_least: None, at_most: limit.at_most };
    let limits = Limits { good: up_to(&limits.good), reject: up_to(&limits.reject), source: limits.source.clone() };
    let measured = Measured::new("azimuth.size", Unit::ArcMinute, &size(leans)?).judged(limits);
    if measured.outcome() == Some(Outcome::Fail) {
        report.measured(measured);
        report.found(Finding::AzimuthOff, &format!("{} minutes of arc, which of them is not told", listed(leans)));
    } else {
        let why = format!(
            "the head leans by {} minutes of arc: all of these fit phases and levels, and one of them may be good",
            listed(leans)
        );
        report.unable(Unable::new(UnableCode::InNoise, why).on("azimuth"));
    }
    report.advise(TO_ITS_PEAK);
    Ok(())
}

/// How far the head leans, to whichever side: anything from the least of the angles to the greatest.
fn size(leans: &[Estimate]) -> Result<Estimate> {
    let (mut least, mut greatest) = (f64::INFINITY, 0.0_f64);
    let mut of_least = None;
    for lean in leans {
        let lean = against_tape(lean)?;
        let Interval { low, high, .. } = lean.interval;
        let near = if low > 0.0 {
            low
        } else if high < 0.0 {
            -high
        } else {
            0.0
        };
        (least, greatest) = (least.min(near), greatest.max(high.abs()).max(low.abs()));
        of_least = of_least.or(Some(lean));
    }
    let lean = of_least.ok_or_else(|| Unable::new(UnableCode::TooShort, "no angle was looked at"))?;
    let mut contributions = lean.contributions;
    let turns = Contribution::rectangular("whole turns of the low tone's phase", 0.5 * (greatest - least));
    let u = lean.standard_uncertainty.hypot(turns.standard_uncertainty);
    contributions.push(turns);
    Ok(Estimate::with_interval(lean.value.abs(), least, greatest, u, lean.degrees_of_freedom, contributions)?)
}

/// Angles in words, the least first.
fn listed(leans: &[Estimate]) -> String {
    let all: Vec<String> = leans.iter().map(|lean| format!("{:+.1}", lean.value)).collect();
    match all.as_slice() {
        [first @ .., last] if !first.is_empty() => format!("{} or {last}", first.join(", ")),
        _ => all.concat(),
    }
}

/// An angle that a test tape told, which leans a little itself.
fn against_tape(azimuth: &Estimate) -> Result<Estimate> {
    Ok(azimuth.clone().also(Contribution::rectangular("azimuth of the test tape itself", TEST_TAPE_MIN))?)
}

/// Right over left at a tone, where both are there.
fn right_over_left_db(pairs: &Pairs) -> Option<f64> {
    let (left, right) = (pairs.mean_v(0), pairs.mean_v(1));
    (left > 0.0 && right > 0.0).then(|| 20.0 * (right / left).log10())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn leans(values: &[f64]) -> Vec<Estimate> {
        let of = |value: &f64| Estimate::combined(*value, vec![Contribution::type_b("weave", 0.1)]).unwrap();
        values.iter().map(of).collect()
    }

    /// Angles; how they are listed; the least and the greatest size, each as far as a test tape itself may lean.
    #[test]
    fn a_size_holds_every_angle() {
        for (values, text, low, high) in [
            (&[-18.8, 40.0, -77.6][..], "-18.8, +40.0 or -77.6", 17.6, 78.8),
            (&[86.3, -90.0], "+86.3 or -90.0", 85.1, 91.2),
            (&[-0.9, 61.0], "-0.9 or +61.0", 0.0, 62.2),
        ] {
            let leans = leans(values);
            assert_eq!(listed(&leans), text);
            let size = size(&leans).unwrap();
            let ends = (size.interval.low - low).abs() < 0.1 && (size.interval.high - high).abs() < 0.1;
            assert!(ends && (size.value - values[0].abs()).abs() < 1e-12, "{text}: {size:?}");
            let all = values.iter().all(|min| (size.interval.low..=size.interval.high).contains(&min.abs()));
            assert!(all, "{text}: {size:?}");
        }
    }
}
