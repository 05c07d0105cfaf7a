//! Captures of the two tones, together or one after the other.

use crate::parameters as p;
use tapewright_sdk::measure::azimuth::{Pair, Taken};
use tapewright_sdk::measure::sine::{fit_tones, strongest_tone};
use tapewright_sdk::measure::statistics::moments;
use tapewright_sdk::prelude::*;
use tapewright_sdk::tone::{Wanted, amplitudes, find, records, trace_of};

/// Right must give at least this share of left's level, or there is no phase to speak of (common practice, no source).
const LEAST_SHARE: f64 = 0.02;

/// What is set about the tones.
pub(crate) struct Tones {
    pub(crate) low_hz: f64,
    pub(crate) high_hz: f64,
    within: f64,
    captures: u32,
}

/// Captures of both channels.
pub(crate) struct Pairs {
    /// One of each capture.
    pub(crate) all: Vec<Pair>,
    /// Amplitudes of left and right in each capture, as the tone wavers.
    pub(crate) amplitudes_v: Vec<[f64; 2]>,
    /// The other tone sounded in every one of them.
    pub(crate) together: bool,
}

impl Pairs {
    pub(crate) fn taken(&self) -> Taken<'_> {
        Taken { pairs: &self.all, amplitudes_v: &self.amplitudes_v }
    }

    /// Mean amplitude on the left channel (0) or the right one (1).
    pub(crate) fn mean_v(&self, channel: usize) -> f64 {
        let all = self.amplitudes_v.iter().filter_map(|both| both.get(channel));
        all.sum::<f64>() / self.amplitudes_v.len().max(1) as f64
    }
}

impl Tones {
    pub(crate) fn of(settings: &Settings) -> Result<Self> {
        let tones = Self {
            low_hz: settings.number(&p::LOW),
            high_hz: settings.number(&p::HIGH),
            within: settings.number(&p::TOLERANCE) / 100.0,
            captures: settings.count(&p::CAPTURES),
        };
        if tones.high_hz < 1.5 * tones.low_hz {
            let why = format!(
                "the high tone ({} Hz) must lie well above the low one ({} Hz): set `low-tone-hz` and `high-tone-hz`",
                tones.high_hz, tones.low_hz
            );
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        Ok(tones)
    }

    /// Asks for a tone if it is not there.
    pub(crate) fn find(&self, high: bool, report: &mut Report) -> Result<f64> {
        let (hz, prompt) = if high { (self.high_hz, "azimuth-high-tone") } else { (self.low_hz, "azimuth-low-tone") };
        find(&Wanted { signal: Signal::AudioLeft, hz, within: self.within, prompt }, report)
    }

    /// Pairs of one tone from captures of both channels. What else sounds with it is fitted too.
    pub(crate) fn pairs(&self, high: bool) -> Result<Pairs> {
        let taken = records(&[Signal::AudioLeft, Signal::AudioRight], self.high_hz, self.captures)?;
        let mut pairs = Pairs { all: Vec::new(), amplitudes_v: Vec::new(), together: true };
        for capture in &taken {
            let (pair, together) = self.pair(capture, high)?;
            let hz = pair.left.hz;
            pairs.all.push(pair);
            pairs.amplitudes_v.push([
                self.amplitude(&trace_of(capture, Signal::AudioLeft)?, hz)?,
                self.amplitude(&trace_of(capture, Signal::AudioRight)?, hz)?,
            ]);
            pairs.together &= together;
        }
        Ok(pairs)
    }

    /// A capture's pair, and whether the other tone sounds in it too.
    fn pair(&self, capture: &Capture, high: bool) -> Result<(Pair, bool)> {
        let (left, right) = (trace_of(capture, Signal::AudioLeft)?, trace_of(capture, Signal::AudioRight)?);
        let all = self.sounding(&left, high)?;
        let hz = all[0];
        let pair =
            Pair { left: fit_tones(&left, &all, true)?.tones[0], right: fit_tones(&right, &all, true)?.tones[0] };
        let share = pair.right.amplitude() / pair.left.amplitude().max(f64::MIN_POSITIVE);
        if pair.left.amplitude() < 10.0 * pair.left.error {
            let why = format!(
                "the tone of {hz:.0} Hz on audio-left, {:.2} mV, does not stand clear of what else is there: it is known within {:.2} mV",
                1e3 * pair.left.amplitude(),
                1e3 * pair.left.error
            );
            return Err(Unable::new(UnableCode::InNoise, why).on("audio-left"));
        }
        if share < LEAST_SHARE || pair.right.phase_error_rad() > 0.5 {
            let why = format!(
                "at {hz:.0} Hz audio-right gives {:.1} mV, audio-left {:.1} mV: look at the right channel, its head and its probe",
                1e3 * pair.right.amplitude(),
                1e3 * pair.left.amplitude()
            );
            return Err(Unable::new(UnableCode::InNoise, why).on("audio-right"));
        }
        Ok((pair, all.len() > 1))
    }

    /// Frequencies of one tone, and after it of the other where that sounds too.
    fn sounding(&self, trace: &Trace, high: bool) -> Result<Vec<f64>> {
        let (wanted, other) = if high { (self.high_hz, self.low_hz) } else { (self.low_hz, self.high_hz) };
        Ok(core::iter::once(self.heard(trace, wanted)?).chain(self.heard(trace, other).ok()).collect())
    }

    /// The tone's own frequency in a record.
    fn heard(&self, trace: &Trace, hz: f64) -> Result<f64> {
        let (fit, _) = strongest_tone(trace, hz * (1.0 - self.within), hz * (1.0 + self.within), 3.0)?;
        // A step of the converter is no tone.
        if fit.tones[0].amplitude() < 2.0 * trace.conversion().step_v {
            let why = format!(
                "audio-left gives {:.1} mV near {hz:.0} Hz, where a step of the converter is {:.1} mV: no tone to measure",
                1e3 * fit.tones[0].amplitude(),
                1e3 * trace.conversion().step_v
            );
            return Err(Unable::new(UnableCode::InNoise, why));
        }
        Ok(fit.tones[0].hz)
    }

    /// Mean amplitude of a tone over a record.
    fn amplitude(&self, trace: &Trace, hz: f64) -> Result<f64> {
        Ok(moments(&amplitudes(trace, hz, self.high_hz - self.low_hz)?.amplitude_v)?.mean)
    }

    /// Level of one tone on the left channel, RMS volts, captures as type A.
    pub(crate) fn level(&self, high: bool) -> Result<Estimate> {
        let wanted = if high { self.high_hz } else { self.low_hz };
        let taken = records(&[Signal::AudioLeft], self.high_hz, self.captures)?;
        let mut levels = Vec::with_capacity(taken.len());
        for capture in &taken {
            let trace = trace_of(capture, Signal::AudioLeft)?;
            // Near a null of the azimuth loss the tone is nearly gone: what is there is its level.
            let hz = self.heard(&trace, wanted).unwrap_or(wanted);
            levels.push(self.amplitude(&trace, hz)? * core::f64::consts::FRAC_1_SQRT_2);
        }
        let m = moments(&levels)?;
        let n = levels.len() as f64;
        Ok(Estimate::combined(
            m.mean,
            vec![Contribution::type_a("captures", m.standard_deviation / n.sqrt(), (n - 1.0).max(1.0))],
        )?)
    }
}
