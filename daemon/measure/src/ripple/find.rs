//! Finding a rail's parts: line by line, the largest first, is taken off both records. Lines that both show are fundamentals with
//! their harmonics. What only one of them shows is an alias, and what lies outside the band is no part; but left in the record such a
//! line would draw a part's frequency, and stand in its harmonics. So it is fitted as well, alone, and is no part.

use super::{CLEAR, CLEAR_OF_IMAGE, HARMONICS, OF_A_STEP, PARTS, SAME, SKIRT, SURE, clear};
use crate::error::MeasureError;
use crate::sine::{ToneFit, fit_near, fit_periodic, fit_tones};
use crate::spectrum::{Peak, Spectrum};
use crate::trace::Trace;

/// Lines beside the parts that are taken off a record one by one.
pub(super) const TAKEN_OFF: usize = 12;

/// Lines of a spectrum that are looked at.
const LOOKED_AT: usize = 24;

/// Widths of a line on either side of one that its floor is told by.
const BESIDE: f64 = 10.0;

/// A line that keeps this share of its amplitude when its sine is taken off is none.
pub(super) const STAYS: f64 = 0.7;

/// Fits of each once more beside all others.
const ROUNDS: usize = 3;

/// What both records show.
pub(super) struct Found {
    /// The same parts in the same order in both.
    pub(super) records: [Taken; 2],
    /// Where there are none: what looked like one.
    pub(super) unsure: Option<ToneFit>,
}

/// A record and what was taken off it.
pub(super) struct Taken {
    rest: Trace,
    /// Each with the standard error of its frequency in hertz.
    pub(super) parts: Vec<(ToneFit, f64)>,
    loose: Vec<ToneFit>,
    /// Amplitude below which a line may be the converter's steps, or a skirt of the strongest.
    least: f64,
}

impl Taken {
    fn of(trace: &Trace) -> Result<Self, MeasureError> {
        Ok(Self { rest: trace.clone(), parts: Vec::new(), loose: Vec::new(), least: least(trace)? })
    }

    /// The record less its parts.
    pub(super) fn beside_parts(&self) -> Result<Trace, MeasureError> {
        self.loose.iter().try_fold(self.rest.clone(), |rest, fit| with(&rest, fit, 1.0))
    }

    /// Takes off the lines that stand above all that may belong to a part.
    fn take_off_loose(&mut self, other: &Spectrum, (from_hz, to_hz): (f64, f64)) -> Result<(), MeasureError> {
        while self.loose.len() < TAKEN_OFF {
            let spectrum = level(&self.rest)?;
            let Some(top) = standing(&spectrum, &self.rest, self.least).first().copied() else { break };
            let of_a_part = (from_hz..=to_hz).contains(&top.hz) && shows(other, &top, spectrum.resolution_hz);
            let stays = |fit: &ToneFit| {
                let tone = &fit.tones[0];
                (tone.hz - top.hz).abs() < 0.5 * spectrum.resolution_hz && top.amplitude > STAYS * tone.amplitude()
            };
            if of_a_part || self.loose.iter().any(stays) {
                break;
            }
            let fit = single(&self.rest, &top, spectrum.resolution_hz)?;
            self.rest = with(&self.rest, &fit, -1.0)?;
            self.loose.push(fit);
        }
        Ok(())
    }

    fn take_off(&mut self, fit: ToneFit, hz_error: f64) -> Result<(), MeasureError> {
        self.rest = with(&self.rest, &fit, -1.0)?;
        self.parts.push((fit, hz_error));
        Ok(())
    }

    /// Each once more beside the others: until now the later ones stood in the residual of the earlier ones.
    fn again(&mut self) -> Result<(), MeasureError> {
        if self.parts.is_empty() || self.parts.len() + self.loose.len() < 2 {
            return Ok(());
        }
        for _ in 0..ROUNDS {
            for (part, hz_error) in &mut self.parts {
                let alone = with(&self.rest, part, 1.0)?;
                if let Ok((better, error)) = periodic(&alone, part.tones[0].hz)
                    && sure(&better)
                {
                    (*part, *hz_error) = (better, error);
                }
                self.rest = with(&alone, part, -1.0)?;
            }
            for line in &mut self.loose {
                let alone = with(&self.rest, line, 1.0)?;
                let tone = &line.tones[0];
                let peak = Peak { hz: tone.hz, amplitude: tone.amplitude() };
                *line = single(&alone, &peak, 2.0 / alone.span_s())?;
                self.rest = with(&alone, line, -1.0)?;
            }
        }
        Ok(())
    }
}

/// Looks for the parts between two frequencies in two records of unlike rate.
pub(super) fn find(first: &Trace, second: &Trace, band: (f64, f64)) -> Result<Found, MeasureError> {
    let (mut here, mut there) = (Taken::of(first)?, Taken::of(second)?);
    let mut unsure = None;
    while here.parts.len() < PARTS {
        let (a, b) = (level(&here.rest)?, level(&there.rest)?);
        here.take_off_loose(&b, band)?;
        there.take_off_loose(&a, band)?;
        let Some(hz) = fundamental(&spectrum_of(&here.rest)?, &spectrum_of(&there.rest)?, band) else { break };
        // One more harmonic of a part, or what its fit left of it, is no other part.
        if here.parts.iter().any(|(fit, _)| belongs(hz, fit, 2.0 / first.span_s())) {
            break;
        }
        // A line that no sine fits best is noise that looked like one.
        let (fit, hz_error) = match periodic(&here.rest, hz) {
            Ok(fit) => fit,
            Err(MeasureError::InNoise { .. }) => break,
            Err(error) => return Err(error),
        };
        // What the residual of everything else hides is no part.
        if !sure(&fit) {
            unsure = Some(fit);
            break;
        }
        // A converter that runs free has moved meanwhile.
        let (again, again_error) = match periodic(&there.rest, fit.tones[0].hz) {
            Ok(again) => again,
            Err(_) => {
                (fit_tones(&there.rest, &below(fit.tones.iter().map(|tone| tone.hz), second.dt_s()), true)?, hz_error)
            }
        };
        here.take_off(fit, hz_error)?;
        there.take_off(again, again_error)?;
    }
    here.again()?;
    there.again()?;
    Ok(Found { records: [here, there], unsure })
}

fn sure(fit: &ToneFit) -> bool {
    fit.tones.first().is_some_and(|tone| tone.amplitude() > SURE * tone.error)
}

/// Whether a spectrum shows another's line.
fn shows(spectrum: &Spectrum, line: &Peak, resolution_hz: f64) -> bool {
    let near = resolution_hz.max(spectrum.resolution_hz);
    let there = spectrum.peaks((line.hz - near).max(0.0), line.hz + near, 1);
    there.first().is_some_and(|other| other.amplitude > SAME * line.amplitude)
}

/// The fundamental of the largest real line: the lowest line of at least a fifth of its amplitude that it is a multiple of.
fn fundamental(first: &Spectrum, second: &Spectrum, (from_hz, to_hz): (f64, f64)) -> Option<f64> {
    let floor = first.floor(from_hz, to_hz);
    // The skirts of a strong line, wherever it lies, are no lines.
    let strongest = first.peaks(0.0, f64::INFINITY, 1).first().map_or(0.0, |peak| peak.amplitude);
    let real: Vec<_> = first
        .peaks(from_hz, to_hz, LOOKED_AT)
        .into_iter()
        .take_while(|peak| peak.amplitude > (CLEAR * floor).max(SKIRT * strongest))
        // A line that moves with the sample rate is the alias of something faster.
        .filter(|peak| shows(second, peak, first.resolution_hz))
        .collect();
    let largest = real.first().copied()?;
    let whole = |low: f64| {
        let times = (largest.hz / low).round();
        times >= 1.0 && times <= HARMONICS as f64 && (largest.hz / times - low).abs() < 0.5 * first.resolution_hz
    };
    let lowest = real.iter().filter(|p| p.amplitude > 0.2 * largest.amplitude && whole(p.hz)).map(|p| p.hz);
    Some(lowest.fold(largest.hz, f64::min))
}

/// Whether a line is a multiple of a part's fundamental, or lies too near to one of its tones to be told from it.
fn belongs(hz: f64, fit: &ToneFit, resolution_hz: f64) -> bool {
    let base_hz = fit.tones[0].hz;
    let times = (hz / base_hz).round();
    (times >= 1.0 && (hz - times * base_hz).abs() < 0.5 * resolution_hz)
        || fit.tones.iter().any(|tone| (hz - tone.hz).abs() < resolution_hz)
}

fn below(hz: impl Iterator<Item = f64>, dt_s: f64) -> Vec<f64> {
    hz.filter(|hz| *hz < CLEAR_OF_IMAGE / dt_s).collect()
}

/// Amplitude below which a line may be the converter's steps, or a skirt of the strongest.
pub(super) fn least(trace: &Trace) -> Result<f64, MeasureError> {
    let strongest = level(trace)?.peaks(0.0, CLEAR_OF_IMAGE / trace.dt_s(), 1);
    let skirt = strongest.first().map_or(0.0, |peak| SKIRT * peak.amplitude);
    Ok((OF_A_STEP * trace.conversion().step_v).max(skirt))
}

/// Lines that are more than noise and more than this, largest first.
pub(super) fn standing(spectrum: &Spectrum, trace: &Trace, least: f64) -> Vec<Peak> {
    let to_hz = CLEAR_OF_IMAGE / trace.dt_s();
    let floor = spectrum.floor(0.0, to_hz);
    // Slower than one cycle of the record is drift.
    let mut tops = spectrum.peaks(0.5 * spectrum.resolution_hz, to_hz, LOOKED_AT);
    tops.retain(|peak| {
        let beside_hz = BESIDE * spectrum.resolution_hz;
        let near = spectrum.floor((peak.hz - beside_hz).max(0.0), (peak.hz + beside_hz).min(to_hz));
        peak.amplitude > (CLEAR * floor.max(near)).max(least)
    });
    tops
}

/// One line as a sine.
pub(super) fn single(trace: &Trace, line: &Peak, resolution_hz: f64) -> Result<ToneFit, MeasureError> {
    // Of few cycles a fit of the frequency runs away.
    let near = |fit: &ToneFit| {
        let tone = &fit.tones[0];
        (tone.hz - line.hz).abs() < 0.5 * resolution_hz && tone.amplitude() < 1.5 * line.amplitude
    };
    match fit_near(trace, line.hz) {
        Ok((fit, _)) if near(&fit) => Ok(fit),
        _ => fit_tones(trace, &[line.hz], true),
    }
}

/// A record and so many times the tones of a fit; constant and drift stay.
pub(super) fn with(trace: &Trace, fit: &ToneFit, times: f64) -> Result<Trace, MeasureError> {
    let volts = trace.volts().iter().enumerate().map(|(i, v)| {
        let t = trace.time_s(i);
        let tones: f64 = fit
            .tones
            .iter()
            .map(|tone| {
                let (s, c) = (core::f64::consts::TAU * (tone.hz * t).fract()).sin_cos();
                tone.cosine * c + tone.sine * s
            })
            .sum();
        (f64::from(*v) + times * tones) as f32
    });
    Trace::from_volts(trace.t0_s(), trace.dt_s(), volts.collect())
}

/// Fundamental and harmonics near a guess, and the standard error of the frequency in hertz.
pub(super) fn periodic(trace: &Trace, guess_hz: f64) -> Result<(ToneFit, f64), MeasureError> {
    let all = |hz: f64| below((1..=HARMONICS).map(|k| k as f64 * hz), trace.dt_s());
    let (single, _) = fit_near(trace, guess_hz)?;
    let rough = fit_tones(trace, &all(single.tones[0].hz), true)?;
    // What is noise in a harmonic would be counted so many times over in the frequency.
    let orders: Vec<f64> = clear(&rough).map(|(k, _)| k as f64 + 1.0).collect();
    let (fine, hz_error) = fit_periodic(trace, single.tones[0].hz, &orders, true)?;
    Ok((fit_tones(trace, &all(fine.tones[0].hz), true)?, hz_error))
}

pub(super) fn spectrum_of(trace: &Trace) -> Result<Spectrum, MeasureError> {
    let values: Vec<f64> = trace.volts().iter().map(|v| f64::from(*v)).collect();
    Spectrum::of(&values, trace.dt_s())
}

/// The spectrum of a record less constant and drift.
pub(super) fn level(trace: &Trace) -> Result<Spectrum, MeasureError> {
    let volts = trace.volts();
    let n = volts.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let slope: f64 = volts.iter().enumerate().map(|(i, v)| (i as f64 - middle) * f64::from(*v)).sum::<f64>()
        / (n * (n * n - 1.0) / 12.0);
    let values: Vec<f64> = volts.iter().enumerate().map(|(i, v)| f64::from(*v) - slope * (i as f64 - middle)).collect();
    Spectrum::of(&values, trace.dt_s())
}
