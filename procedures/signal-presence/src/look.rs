//! Looking at every signal that is hooked up, with few and small captures.
//!
//! Nothing here depends on the signal that it looks for: captures run free, and only an input that can do
//! nothing but trigger is tried as a trigger, with a deadline.

use crate::carrier::{carrier_least_v, is_carrier};
use crate::judge::{Kind, Look, expected_level_v, judged};
use crate::line::lines_in;
use crate::record::Record;
use tapewright_sdk::Abilities;
use tapewright_sdk::control::demand_even;
use tapewright_sdk::formats::SignalForm;
use tapewright_sdk::measure::carrier_share::CarrierShare;
use tapewright_sdk::measure::pulses::Pulses;
use tapewright_sdk::prelude::*;

/// Some six frames: enough pulses for a rate within a tenth of a per cent on 2,500 points.
const LOOK_S: f64 = 0.2;
/// Captures of a look.
const LOOKS: u32 = 2;
/// A little more than a frame: samples lie so close that their mean over a spike is quiet; and so many of them.
const CLOSER_S: f64 = 0.05;
const CLOSER_LOOKS: u32 = 4;
/// One record of a longer look: its bins stay far shorter than a scan on 2,500 points.
const RECORD_S: f64 = 1.0;
/// Fewer points make no rate.
const POINTS: u32 = 2000;
/// Some sixteen lines.
const LINES_S: f64 = 1e-3;
/// Tries of that.
const LINE_TRIES: u32 = 4;
/// Less than a line, so that the carrier's level hardly changes within.
const MOMENT_S: f64 = 50e-6;
/// Samples of that, at least: many cycles of the carrier, at phases as good as random.
const MOMENT_POINTS: u32 = 500;
/// Records of a moment that are taken at a time.
const MOMENTS: usize = 5;
/// Of these at most, while they do not tell: in still all of the first may have met a bar.
const MOMENTS_MOST: usize = 10;
/// How many triggers are waited for, and how long for each: dozens of frames.
const TRIGGERS: u32 = 2;
/// See [`TRIGGERS`].
const TRIGGER_S: f64 = 1.5;
/// Least steps of the converter that a signal must be able to span.
const LEAST_STEPS: f64 = 20.0;
/// Points of a capture that only shows that it was triggered.
const TRIGGER_POINTS: u32 = 100;

/// What looks at signals.
pub(crate) struct Eyes {
    /// Everything that is hooked up.
    pub(crate) points: Vec<Point>,
    /// What is on the bench.
    pub(crate) subject: Subject,
    /// What the scope can do.
    pub(crate) scope: Abilities,
    /// RF below this share of the expected level is looked at longer in play (unit 1)...
    pub(crate) enough: f64,
    /// ...for so long: a slipping tape's RF swells and dies.
    pub(crate) longer_s: f64,
    /// RF below this share of the expected level is not looked for in noise (unit 1).
    pub(crate) crosstalk: f64,
}

/// Records of one signal, and the relative standard uncertainty of their time base.
struct Records {
    records: Vec<Record>,
    timebase_u: f64,
}

impl Eyes {
    /// Looks at some signals in the mode that the machine is in.
    pub(crate) fn look(&self, mode: Mode, signals: &[Signal]) -> Vec<(Signal, Result<Look>)> {
        let asked = || self.points.iter().filter(|point| signals.contains(&point.signal));
        let free = |point: &&Point| !point.trigger_only && Kind::of(point) != Kind::Video;
        let mut looks: Vec<(Signal, Result<Look>)> = Vec::new();
        // Peak detection for what is too fast for the points; samples for the rest, whose level they tell better.
        let (fast, slow): (Vec<&Point>, Vec<&Point>) =
            asked().filter(free).partition(|point| Kind::of(point).is_fast());
        let names = |points: Vec<&Point>| points.into_iter().map(|point| point.signal).collect::<Vec<Signal>>();
        let peak = self.scope.peak_pulse_s.is_some();
        let taken = [(names(fast), peak), (names(slow), false)];
        for (signal, taken) in taken.iter().flat_map(|(signals, peak)| self.records(signals, *peak)) {
            let point = asked().find(|point| point.signal == signal);
            looks.extend(point.map(|point| (signal, taken.and_then(|taken| self.seen(mode, point, &taken)))));
        }
        for point in asked().filter(|point| !free(point)) {
            looks.push((point.signal, if point.trigger_only { self.triggers(point) } else { self.video(point) }));
        }
        looks
    }

    /// Free-running records, of all signals at once; one by one where that fails, so that the fault of one does not
    /// hide the others.
    fn records(&self, signals: &[Signal], peak: bool) -> Vec<(Signal, Result<Records>)> {
        let fault = match signals {
            [] => return Vec::new(),
            _ => match self.take(signals, LOOK_S, LOOKS, peak) {
                Ok(all) => return all,
                Err(fault) => fault,
            },
        };
        if let [signal] = signals {
            return vec![(*signal, Err(fault))];
        }
        let alone = |&signal: &Signal| {
            let taken = self
                .take(&[signal], LOOK_S, LOOKS, peak)
                .and_then(|mut all| all.pop().map_or_else(|| Err(fault.clone()), |(_, one)| one));
            (signal, taken)
        };
        signals.iter().map(alone).collect()
    }

    fn take(&self, signals: &[Signal], span_s: f64, count: u32, peak: bool) -> Result<Vec<(Signal, Result<Records>)>> {
        let request =
            Acquire::of(signals).span_s(span_s).count(count).least_points(POINTS.min(self.scope.greatest_points));
        let request = if peak { request.peak() } else { request };
        let captures = request.take()?;
        let timebase_u = captures.iter().map(|capture| capture.info.timebase_uncertainty).fold(0.0, f64::max);
        let read = |&signal: &Signal| {
            let records: Result<Vec<Record>> =
                captures.iter().map(|capture| Record::of(capture, signal, span_s)).collect();
            (signal, records.map(|records| Records { records, timebase_u }))
        };
        Ok(signals.iter().map(read).collect())
    }

    fn seen(&self, mode: Mode, point: &Point, taken: &Records) -> Result<Look> {
        let look = match Kind::of(point) {
            Kind::Pulses(form) => self.pulses(point, taken, form),
            Kind::Carrier => self.carrier(mode, point, taken),
            Kind::Detected => greatest(&taken.records, |record| record.level_v(0.9)),
            Kind::Rail => greatest(&taken.records, |record| record.level_v(0.5)),
            Kind::Slow | Kind::Video => greatest(&taken.records, Record::swing_v),
        }?;
        if look.misshapen {
            return Ok(look);
        }
        let step_v = taken.records.iter().map(Record::step_v).fold(0.0, f64::max);
        demand_fine(point, &look, expected_level_v(point, &self.subject), step_v)?;
        Ok(look)
    }

    /// Level and rate of the record with the most pulses; without any, what the records span. Spikes off a head may be small
    /// against the noise: where none shows, records so short that many samples lie on one are looked at too.
    fn pulses(&self, point: &Point, taken: &Records, form: SignalForm) -> Result<Look> {
        if let Some(mut found) = most_pulses(&taken.records, form)? {
            // So few pulses come where many are missing, or at a slow rate: a longer record tells.
            if found.gaps().len() < FEWEST_GAPS {
                let peak = form == SignalForm::Spike && self.scope.peak_pulse_s.is_some();
                for (_, longer) in self.take(&[point.signal], RECORD_S, 1, peak)? {
                    found = most_pulses(&longer?.records, form)?.unwrap_or(found);
                }
            }
            let rate = found.rate(self.subject.format.lines.frame_rate_hz(), taken.timebase_u).ok();
            let gaps_s = found.gaps();
            let uneven = gaps_s.len() < FEWEST_GAPS || demand_even(&gaps_s).is_err();
            return Ok(Look { level: Some(found.level), rate, shaped: true, uneven, ..Look::default() });
        }
        if form != SignalForm::Spike {
            return greatest(&taken.records, Record::swing_v);
        }
        let mut closer = Vec::new();
        for (_, taken) in self.take(&[point.signal], CLOSER_S, CLOSER_LOOKS, false)? {
            closer.extend(taken?.records);
        }
        match most_pulses(&closer, form)? {
            Some(found) => Ok(Look { level: Some(found.level), shaped: true, ..Look::default() }),
            None => greatest(&closer, Record::unseen_spikes_v),
        }
    }

    /// The greatest level, not the first: with a slipping tape RF swells and dies over seconds.
    fn carrier(&self, mode: Mode, point: &Point, taken: &Records) -> Result<Look> {
        let mut look = greatest(&taken.records, Record::span_v)?;
        let swing = greatest(&taken.records, Record::swing_v)?;
        if swings(&look, &swing, expected_level_v(point, &self.subject)) {
            return Ok(Look { misshapen: true, ..swing });
        }
        let enough_v = expected_level_v(point, &self.subject).map_or(0.0, |expected| self.enough * expected);
        let more = if mode == Mode::Play { (self.longer_s / RECORD_S).ceil() as u32 } else { 0 };
        for _ in 0..more {
            if look.level.as_ref().is_some_and(|level| level.interval.low >= enough_v) {
                break;
            }
            for (_, taken) in self.take(&[point.signal], RECORD_S, 1, self.scope.peak_pulse_s.is_some())? {
                look = greater(look, greatest(&taken?.records, Record::span_v)?);
            }
        }
        let expected_v =
            expected_level_v(point, &self.subject).filter(|_| judged(mode, point.signal, self.subject.format).0);
        if let (Signal::Rf, Some(expected_v), Some(level)) = (point.signal, expected_v, &look.level)
            && level.interval.high >= self.crosstalk * expected_v
        {
            look.carrier = Some(self.among_noise(point, level, enough_v)?);
        }
        Ok(look)
    }

    /// How much of what is there is a carrier: noise spans volts too.
    fn among_noise(&self, point: &Point, level: &Estimate, enough_v: f64) -> Result<CarrierShare> {
        let mut moments = Vec::new();
        loop {
            for _ in 0..MOMENTS {
                let request = Acquire::of(&[point.signal])
                    .span_s(MOMENT_S)
                    .least_points(MOMENT_POINTS.min(self.scope.greatest_points));
                moments.push(request.take_one()?.trace(point.signal)?.samples()?);
            }
            let told = CarrierShare::of(&moments)?;
            let open = !is_carrier(&told) || carrier_least_v(&told, level) < enough_v.min(level.interval.low);
            if !open || moments.len() >= MOMENTS_MOST {
                return Ok(told);
            }
        }
    }

    /// Short records of some lines. One may lie in the field's blanking, or in a bar of snow: there are some tries.
    fn video(&self, point: &Point) -> Result<Look> {
        let mut look = Look::default();
        for _ in 0..LINE_TRIES {
            let request =
                Acquire::of(&[point.signal]).span_s(LINES_S).least_points(POINTS.min(self.scope.greatest_points));
            let capture = request.take_one()?;
            let record = Record::of(&capture, point.signal, LINES_S)?;
            let Record::Samples(trace) = &record else { continue };
            if let Some(lines) = lines_in(trace, self.subject.format.lines, capture.info.timebase_uncertainty)? {
                let (level, rate) = (Some(lines.sync_v), Some(lines.rate));
                return Ok(Look { level, rate, shaped: true, ..Look::default() });
            }
            look = greater(look, Look { level: Some(record.span_v()?), ..Look::default() });
        }
        Ok(look)
    }

    /// An input that can only trigger: it is there if a capture of anything, triggered by it, comes in time.
    fn triggers(&self, point: &Point) -> Result<Look> {
        let Some(sampled) = self.points.iter().find(|point| !point.trigger_only) else {
            let why = format!(
                "{} can only trigger, and no channel that samples is hooked up: put a probe on one",
                point.channel
            );
            return Err(Unable::new(UnableCode::NotPossible, why));
        };
        let request = Acquire::of(&[sampled.signal])
            .span_s(0.1 * LOOK_S)
            .least_points(TRIGGER_POINTS)
            .edge(point.signal, Slope::Rising);
        let came = match request.count(TRIGGERS).deadline_s(TRIGGER_S).take() {
            Ok(captures) => captures.iter().filter(|capture| capture.info.triggered).count() as u32,
            Err(unable) if unable.code == UnableCode::NoTrigger => 0,
            Err(unable) => return Err(unable),
        };
        Ok(Look { triggers: Some((came, TRIGGERS)), ..Look::default() })
    }
}

/// So many gaps of one length are no chance: fewer may be, where most pulses are missing.
const FEWEST_GAPS: usize = 3;

/// The pulses of the record with the most of them; none: no record shows any.
fn most_pulses(records: &[Record], form: SignalForm) -> Result<Option<Pulses>> {
    let mut best: Option<Pulses> = None;
    for record in records {
        match record.pulses(form) {
            Ok(found) => best = best.filter(|b| b.times_s.len() >= found.times_s.len()).or(Some(found)),
            Err(MeasureError::InNoise { .. } | MeasureError::TooShort { .. }) => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(best)
}

/// RF goes to and fro within a moment, about a middle that stands. What swings over a record several times as far
/// as within a moment, and further than RF can, is something else: pulses, hum, a rail. Common practice, no source.
fn swings(moment: &Look, record: &Look, expected_v: Option<f64>) -> bool {
    let end = |look: &Look, of: fn(&Estimate) -> f64| look.level.as_ref().map_or(0.0, of);
    let (moment_v, record_v) = (end(moment, |e| e.interval.high), end(record, |e| e.interval.low));
    record_v > 3.0 * moment_v.max(expected_v.unwrap_or(0.0))
}

/// Refuses a range on which neither what is seen nor what is expected spans enough steps: the signal could
/// hide between them, and absence would be no more than coarseness.
fn demand_fine(point: &Point, look: &Look, expected_v: Option<f64>, step_v: f64) -> Result<()> {
    let seen_v = look.level.as_ref().map_or(0.0, |level| level.value.abs());
    let least_v = LEAST_STEPS * step_v;
    match expected_v {
        Some(expected_v) if seen_v.max(expected_v) < least_v => {
            let why = format!(
                "{} on {}: a step of the converter is {step_v:.4} V, too coarse for the {expected_v:.4} V expected: choose a smaller range",
                point.signal, point.channel
            );
            Err(Unable::new(UnableCode::TooFewSteps, why))
        }
        _ => Ok(()),
    }
}

/// The record with the greatest level.
fn greatest(records: &[Record], level: impl Fn(&Record) -> Result<Estimate>) -> Result<Look> {
    records.iter().try_fold(Look::default(), |best, record| {
        Ok(greater(best, Look { level: Some(level(record)?), ..Look::default() }))
    })
}

fn greater(a: Look, b: Look) -> Look {
    let size = |look: &Look| look.level.as_ref().map_or(-1.0, |level| level.value.abs());
    if size(&b) > size(&a) { b } else { a }
}
