//! Levels of the tone and of the control pulses.

use crate::parameters as p;
use tapewright_sdk::formats::SignalForm;
use tapewright_sdk::formats::definitions::sound::LEVEL_BLOCK_S;
use tapewright_sdk::measure::demodulate::alias_of;
use tapewright_sdk::measure::pulses::pulses_in;
use tapewright_sdk::measure::statistics::{effective_count, moments};
use tapewright_sdk::prelude::*;
use tapewright_sdk::tone::{amplitudes, trace_of};

/// Captures of control pulses at each place, and their length: some six frames.
const PULSE_CAPTURES: u32 = 3;
const PULSES_S: f64 = 0.2;

/// Points of a record, how long records of the tone may be, and their least samples a cycle.
const POINTS: u32 = 2_500;
const SPANS_S: [f64; 3] = [0.2, 0.1, 0.05];
const LEAST_RATE: f64 = 4.0;

/// Least number of records of a level that is watched.
pub(crate) const RECORDS: u32 = 24;

/// Records that are asked for at once.
const BATCH: u32 = 8;

/// Most records: of a scope whose records are short.
const MOST_RECORDS: usize = 400;

/// A level and its standard uncertainty by scatter, in volts.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Level {
    pub(crate) volts: f64,
    pub(crate) u_v: f64,
}

/// What records of the tone show.
pub(crate) struct Watched {
    /// Of each channel the amplitudes of each record, in blocks.
    pub(crate) courses: Vec<Vec<Vec<f64>>>,
    /// From the first record to the end of the last.
    pub(crate) observed_s: f64,
}

impl Watched {
    pub(crate) fn records(&self) -> usize {
        self.courses[0].len()
    }

    /// Level of each channel, RMS, in each record.
    pub(crate) fn levels(&self) -> Result<Vec<Vec<f64>>> {
        let level = |blocks: &Vec<f64>| Ok(moments(blocks)?.mean * core::f64::consts::FRAC_1_SQRT_2);
        self.courses.iter().map(|records| records.iter().map(level).collect()).collect()
    }
}

/// What is hooked up, and the tone.
pub(crate) struct Taker {
    pub(crate) audio: Vec<Signal>,
    /// Control pulses, where they are sampled.
    pub(crate) control: Option<Point>,
    tone_hz: f64,
    other_hz: f64,
    captures: u32,
    /// A record of the tone.
    record: Acquire,
}

impl Taker {
    /// The tape plays, and the tone is there.
    pub(crate) fn of(settings: &Settings, control_track: bool) -> Result<Self> {
        let points = hookup()?;
        let sampled = |signal: Signal| points.iter().find(|point| point.signal == signal && !point.trigger_only);
        let both = [Signal::AudioLeft, Signal::AudioRight];
        let audio: Vec<Signal> = both.into_iter().filter(|signal| sampled(*signal).is_some()).collect();
        let (tone_hz, other_hz) = (settings.number(&p::TONE), settings.number(&p::OTHER));
        if other_hz < 1.5 * tone_hz {
            let why = format!("`high-tone-hz` ({other_hz} Hz) must lie well above `tone-hz` ({tone_hz} Hz)");
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        let control = sampled(Signal::ControlTrack).filter(|_| control_track).cloned();
        let record = record_of(&audio, tone_hz, other_hz)?;
        Ok(Self { audio, control, tone_hz, other_hz, captures: settings.count(&p::CAPTURES), record })
    }

    /// Levels of all that falls with the height: of each channel, and of the control pulses.
    pub(crate) fn levels(&self) -> Result<Vec<Level>> {
        let watched = self.watch(self.captures, 0.0, |_| {})?;
        let mut levels = watched.levels()?.iter().map(|values| pooled(values)).collect::<Result<Vec<Level>>>()?;
        if let Some(point) = &self.control {
            levels.push(pooled(&self.pulse_levels(point)?)?);
        }
        Ok(levels)
    }

    /// Levels of the control pulses; 0 where none stand out.
    pub(crate) fn pulse_levels(&self, point: &Point) -> Result<Vec<f64>> {
        let form = if point.form == SignalForm::Spike { SignalForm::Spike } else { SignalForm::Square };
        let points = POINTS.min(abilities().greatest_points);
        let request = Acquire::of(&[Signal::ControlTrack]).span_s(PULSES_S).least_points(points);
        let taken = request.count(PULSE_CAPTURES).take()?;
        let level = |capture: &Capture| {
            let trace = capture.trace(Signal::ControlTrack)?.samples()?;
            trace.conversion().demand_unclipped("control pulses")?;
            match pulses_in(&trace, form) {
                Ok(pulses) => Ok(pulses.level.value),
                Err(MeasureError::InNoise { .. }) => Ok(0.0),
                Err(error) => Err(Unable::from(error)),
            }
        };
        taken.iter().map(level).collect()
    }

    /// Names of what [`Self::levels`] gives.
    pub(crate) fn names(&self) -> Vec<&'static str> {
        let control = self.control.iter().map(|point| point.signal.as_str());
        self.audio.iter().map(|signal| signal.as_str()).chain(control).collect()
    }

    /// Records the tone so often at least, for so long at least; `so_far` is told how long it has been.
    pub(crate) fn watch(&self, records: u32, observe_s: f64, mut so_far: impl FnMut(f64)) -> Result<Watched> {
        let mut watched = Watched { courses: vec![Vec::new(); self.audio.len()], observed_s: 0.0 };
        let mut from_s = f64::INFINITY;
        while watched.records() < records as usize || watched.observed_s < observe_s {
            if watched.records() >= MOST_RECORDS {
                let why = format!(
                    "{MOST_RECORDS} records lasted {:.1} s of {observe_s} s: set a shorter `observe-s`",
                    watched.observed_s
                );
                return Err(Unable::new(UnableCode::TooShort, why));
            }
            so_far(watched.observed_s);
            for capture in self.record.clone().count(records.min(BATCH)).take()? {
                from_s = from_s.min(capture.info.trigger_s);
                for (signal, courses) in self.audio.iter().zip(&mut watched.courses) {
                    let trace = trace_of(&capture, *signal)?;
                    watched.observed_s = watched.observed_s.max(capture.info.trigger_s + trace.span_s() - from_s);
                    courses.push(self.blocks(&trace)?);
                }
            }
        }
        Ok(watched)
    }

    /// Mean amplitude over each block of a record.
    fn blocks(&self, trace: &Trace) -> Result<Vec<f64>> {
        let course = amplitudes(trace, self.tone_hz, away_hz(self.tone_hz, self.other_hz, trace))?;
        let block = ((LEVEL_BLOCK_S / course.dt_s) as usize).clamp(1, (course.amplitude_v.len() / 2).max(1));
        Ok(course.amplitude_v.chunks_exact(block).map(|chunk| chunk.iter().sum::<f64>() / block as f64).collect())
    }
}

/// Mean of captures; those that follow each other are alike where the tape rides.
fn pooled(values: &[f64]) -> Result<Level> {
    let m = moments(values)?;
    let worth = if m.count > 2 { effective_count(values)? } else { m.count as f64 };
    Ok(Level { volts: m.mean, u_v: m.standard_deviation / worth.sqrt() })
}

/// The longest of some records in which the other tone, or its alias, stays clear of the tone.
fn record_of(audio: &[Signal], tone_hz: f64, other_hz: f64) -> Result<Acquire> {
    let points = POINTS.min(abilities().greatest_points);
    for span_s in SPANS_S {
        let record = Acquire::of(audio).span_s(span_s).least_points(points);
        let trace = trace_of(&record.clone().take_one()?, Signal::AudioLeft)?;
        if trace.dt_s() * LEAST_RATE * tone_hz < 1.0 && away_hz(tone_hz, other_hz, &trace) > 0.5 * tone_hz {
            return Ok(record);
        }
    }
    let why = format!(
        "{points} points do not tell a tone of {tone_hz:.0} Hz from another one of {other_hz:.0} Hz: set `high-tone-hz` to what is on the tape"
    );
    Err(Unable::new(UnableCode::NotPossible, why))
}

/// How far from the tone the other one lies in a record.
fn away_hz(tone_hz: f64, other_hz: f64, trace: &Trace) -> f64 {
    (alias_of(other_hz, 1.0 / trace.dt_s()).0 - tone_hz).abs()
}
