//! Amplitude and phase of a carrier against time: mixed with its frequency, low-passed, decimated.
//!
//! The filter is a windowed sinc (Blackman), flat to within 0.0007 over its pass band and 74 dB down beyond its stop band.
//! The carrier may lie above half the sample rate: then its alias is mixed, and where that is turned over, so is the phase.

use crate::error::{MeasureError, at_least, positive};
use crate::trace::Trace;

/// The pass band is flat to within so much, least at its end (see the test).
pub(crate) const PASS_RIPPLE: f64 = 7e-4;

/// Transition from pass to stop of a Blackman window, over the sample rate times the filter's length.
const BLACKMAN: f64 = 5.5;

/// Band about a carrier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Frequency that is mixed with.
    pub carrier_hz: f64,
    /// What lies nearer than this passes.
    pub pass_hz: f64,
    /// What lies farther than this does not.
    pub stop_hz: f64,
}

/// A carrier against time.
#[derive(Debug, Clone, PartialEq)]
pub struct Demodulated {
    /// Time of the first point from the trigger.
    pub t0_s: f64,
    /// From point to point.
    pub dt_s: f64,
    /// Amplitude (the peak of the sine).
    pub amplitude_v: Vec<f64>,
    /// Phase against the frequency that was mixed with, in radians, without jumps.
    pub phase_rad: Vec<f64>,
}

/// Where a frequency appears when sampled: the alias from 0 to half the rate, and whether it is turned over.
#[must_use]
pub fn alias_of(hz: f64, rate_hz: f64) -> (f64, bool) {
    let folds = (hz / rate_hz).round();
    let away = hz - folds * rate_hz;
    (away.abs(), away < 0.0)
}

/// Demodulates a band.
///
/// # Errors
/// [`MeasureError::TooSlow`] where the band does not lie clear of 0 and of half the sample rate,
/// [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn demodulate(trace: &Trace, band: &Band) -> Result<Demodulated, MeasureError> {
    let (carrier, pass, stop) = (
        positive("carrier", band.carrier_hz)?,
        positive("pass band", band.pass_hz)?,
        positive("stop band", band.stop_hz)?,
    );
    let rate = 1.0 / trace.dt_s();
    let (alias, turned) = alias_of(carrier, rate);
    // The mirror image of the band lies twice the alias away, or twice its distance from half the rate.
    let image = 2.0 * alias.min(0.5 * rate - alias);
    if stop <= pass || image - pass < stop * (1.0 - 1e-9) {
        return Err(MeasureError::TooSlow {
            what: "carrier with its sidebands",
            rate_hz: rate,
            needed_hz: if carrier < 0.5 * rate { rate } else { 2.0 * (carrier + stop) },
        });
    }
    let mut taps = low_pass_taps(rate, pass, stop);
    let length = taps.len();
    // Decimated points still hold all that passes.
    let step = ((rate / (2.0 * (pass + stop))) as usize).max(1);
    let volts = trace.volts();
    at_least("samples of a carrier", volts.len(), length + 8 * step)?;
    let half = (length / 2) as f64;
    let sum: f64 = taps.iter().sum();
    let turn = core::f64::consts::TAU * alias / rate;
    let mean = volts.iter().map(|v| f64::from(*v)).sum::<f64>() / volts.len() as f64;
    for tap in &mut taps {
        // A real carrier `a cos` has half its amplitude on either side.
        *tap *= 2.0 / sum;
    }
    let mixing: Vec<(f64, f64)> = taps
        .iter()
        .enumerate()
        .map(|(n, tap)| (tap * (turn * n as f64).cos(), -tap * (turn * n as f64).sin()))
        .collect();
    let count = (volts.len() - length) / step + 1;
    let (mut amplitude, mut phase) = (Vec::with_capacity(count), Vec::with_capacity(count));
    let (mut angle, mut before): (f64, Option<f64>) = (0.0, None);
    let sign = if turned { -1.0 } else { 1.0 };
    for m in 0..count {
        let at = m * step;
        let (mut re, mut im) = (0.0, 0.0);
        for (v, (c, s)) in volts[at..at + length].iter().zip(&mixing) {
            let v = f64::from(*v) - mean;
            re += v * c;
            im += v * s;
        }
        amplitude.push(re.hypot(im));
        // The mixing began anew at each point: its turn up to here is taken off.
        let own = im.atan2(re) - turn * at as f64;
        if let Some(last) = before {
            let turns = (own - last) / core::f64::consts::TAU;
            angle += core::f64::consts::TAU * (turns - turns.round());
        }
        before = Some(own);
        phase.push(sign * angle);
    }
    Ok(Demodulated {
        t0_s: trace.t0_s() + half * trace.dt_s(),
        dt_s: step as f64 * trace.dt_s(),
        amplitude_v: amplitude,
        phase_rad: phase,
    })
}

/// Taps of a low pass: a sinc in Blackman's window, an odd number of them.
fn low_pass_taps(rate_hz: f64, pass_hz: f64, stop_hz: f64) -> Vec<f64> {
    let length = ((BLACKMAN * rate_hz / (stop_hz - pass_hz)).ceil() as usize) | 1;
    let corner = 0.5 * (pass_hz + stop_hz) / rate_hz;
    let half = (length / 2) as f64;
    (0..length)
        .map(|n| {
            let x = n as f64 - half;
            let turn = core::f64::consts::TAU * (n as f64 + 0.5) / length as f64;
            let window = 0.42 - 0.5 * turn.cos() + 0.08 * (2.0 * turn).cos();
            window * 2.0 * corner * tapewright_formats::losses::sinc(core::f64::consts::TAU * corner * x)
        })
        .collect()
}

/// Gain of the filter of [`demodulate`] against the distance from the carrier, from a table of its slope.
pub(crate) fn gain(rate_hz: f64, band: &Band) -> impl Fn(f64) -> f64 + use<> {
    const PLACES: usize = 64;
    let (pass, stop) = (band.pass_hz, band.stop_hz);
    let taps = low_pass_taps(rate_hz, pass, stop);
    let (half, sum) = ((taps.len() / 2) as f64, taps.iter().sum::<f64>());
    let slope: Vec<f64> = (0..=PLACES)
        .map(|place| {
            let turn = core::f64::consts::TAU * (pass + (stop - pass) * place as f64 / PLACES as f64) / rate_hz;
            taps.iter().enumerate().map(|(n, tap)| tap * (turn * (n as f64 - half)).cos()).sum::<f64>() / sum
        })
        .collect();
    move |hz| {
        let place = (hz - pass) / (stop - pass) * PLACES as f64;
        if place <= 0.0 {
            1.0
        } else if place >= PLACES as f64 {
            0.0
        } else {
            let (low, share) = (place as usize, place.fract());
            slope[low] + share * (slope[low + 1] - slope[low])
        }
    }
}

/// A trace without what lies above `stop_hz`, decimated to what passes; nothing above that may be aliased into the band by the
/// scope's own rate.
///
/// # Errors
/// [`MeasureError::TooSlow`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn low_pass(trace: &Trace, pass_hz: f64, stop_hz: f64) -> Result<Trace, MeasureError> {
    let (pass, stop) = (positive("pass band", pass_hz)?, positive("stop band", stop_hz)?);
    let rate = 1.0 / trace.dt_s();
    if stop <= pass || rate < 2.0 * stop {
        return Err(MeasureError::TooSlow { what: "low pass", rate_hz: rate, needed_hz: 2.0 * stop.max(pass) });
    }
    let taps = low_pass_taps(rate, pass, stop);
    let sum: f64 = taps.iter().sum();
    let step = ((rate / (pass + stop)) as usize).max(1);
    at_least("samples of a low pass", trace.volts().len(), taps.len() + 8 * step)?;
    let out = trace
        .volts()
        .windows(taps.len())
        .step_by(step)
        .map(|part| (part.iter().zip(&taps).map(|(v, tap)| f64::from(*v) * tap).sum::<f64>() / sum) as f32)
        .collect();
    Trace::from_volts(trace.t0_s() + (taps.len() / 2) as f64 * trace.dt_s(), step as f64 * trace.dt_s(), out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A carrier with sidebands, sampled fast and under-sampled: the same amplitude and phase come out.
    #[test]
    fn aliases_show_the_same_modulation() {
        let carrier = 3150.0;
        for (rate, pass, stop) in [(20_000.0, 200.0, 400.0), (247.0, 45.0, 76.0), (257.2, 45.0, 76.0)] {
            let count = (10.0 * rate) as usize;
            let volts = (0..count).map(|i| {
                let t = i as f64 / rate;
                let wobble = 0.4 * (core::f64::consts::TAU * 7.0 * t).sin();
                (0.3 * (core::f64::consts::TAU * (carrier * t).fract() + wobble).cos() + 0.05) as f32
            });
            let trace = Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap();
            let out = demodulate(&trace, &Band { carrier_hz: carrier, pass_hz: pass, stop_hz: stop }).unwrap();
            let away = out.phase_rad[0] - 0.4 * (core::f64::consts::TAU * 7.0 * out.t0_s).sin();
            for (i, (a, p)) in out.amplitude_v.iter().zip(&out.phase_rad).enumerate() {
                let t = out.t0_s + i as f64 * out.dt_s;
                let want = 0.4 * (core::f64::consts::TAU * 7.0 * t).sin() + away;
                assert!((p - want).abs() < 4e-3, "{rate}: {p}, expected {want} at {t}");
                assert!((a - 0.3).abs() < 1.5e-3, "{rate}: {a}");
            }
        }
    }

    /// Modulation keeps its depth right up to the end of the pass band.
    #[test]
    fn the_pass_band_is_flat() {
        for (rate, pass, stop) in [(20_000.0, 200.0, 400.0), (247.0, 45.0, 76.0), (14_000.0, 200.0, 400.0)] {
            for share in [0.02, 0.13, 0.31, 0.5, 0.68, 0.83, 0.95, 1.0] {
                let hz = share * pass;
                let volts = (0..(12.0 * rate) as usize).map(|i| {
                    let t = i as f64 / rate;
                    let turn = 0.05 * (core::f64::consts::TAU * hz * t).sin();
                    (0.3 * (core::f64::consts::TAU * (3150.0 * t).fract() + turn).cos()) as f32
                });
                let trace = Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap();
                let band = Band { carrier_hz: 3150.0, pass_hz: pass, stop_hz: stop };
                let out = demodulate(&trace, &band).unwrap();
                let seen = crate::sine::fit_values(&out.phase_rad, out.dt_s, &[hz]).unwrap().tones[0].amplitude();
                assert!((seen / 0.05 - 1.0).abs() <= PASS_RIPPLE, "{rate} Hz, {share} of the band: {}", seen / 0.05);
            }
        }
    }

    #[test]
    fn a_band_that_meets_its_image_is_refused() {
        let trace = Trace::from_volts(0.0, 1.0 / 250.0, vec![0.0; 2500]).unwrap();
        let band = Band { carrier_hz: 3250.0, pass_hz: 45.0, stop_hz: 78.0 };
        assert!(matches!(demodulate(&trace, &band), Err(MeasureError::TooSlow { .. })));
        let short = Trace::from_volts(0.0, 1.0 / 250.0, vec![0.0; 20]).unwrap();
        let band = Band { carrier_hz: 3187.5, ..band };
        assert!(matches!(demodulate(&short, &band), Err(MeasureError::TooShort { .. })));
    }
}
