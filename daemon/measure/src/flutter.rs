//! Wow and flutter from a tone: weighted, by the two-sigma statistic, and the lines of the unweighted spectrum.
//!
//! The tone is demodulated ([`crate::demodulate`]) at whatever rate it was sampled; its phase's change is the tape's
//! speed error. Both ends are continued as in a mirror, so that the weighting does not see a step, and are cut off
//! afterwards ([`FLUTTER_SETTLE_S`]). What is added to the tone (noise, steps of the converter, hum) turns its phase as
//! much as its amplitude, so the amplitude tells the noise: the median of its spectrum, so that a line in it does not count.
//! Noise lifts the statistic by an amount that depends on what it is added to: it is corrected for half-way between a
//! sine and noise-like flutter, and half their difference stays in the interval. Hum is taken off
//! first (`hum`).

use crate::demodulate::{Band, Demodulated, alias_of, demodulate, gain};
use crate::error::{MeasureError, at_least, positive};
use crate::estimate::{Contribution, Estimate};
use crate::fourier;
use crate::special::normal_cdf;
use crate::spectrum::Spectrum;
use crate::statistics::moments;
use crate::trace::Trace;
use tapewright_formats::definitions::sound::{FLUTTER_SETTLE_S, TWO_SIGMA_SHARE, weighting};
use tapewright_formats::losses::sinc;

mod cut;
mod faster;
mod fold;
mod hum;
mod unweighted;

pub use unweighted::{FlutterLine, Unweighted};

/// Highest flutter frequency that is looked at: the end of the weighting's table.
pub const HIGHEST_HZ: f64 = 200.0;

/// Share of what is left free of its image that passes; the rest is the filter's slope.
const PASS: f64 = 0.72;

/// What the filter's ripple and the ends of the record leave in the weighted reading (relative standard uncertainty,
/// from trials).
const ENDS_AND_RIPPLE: f64 = 0.003;

/// The tape's speed error against time.
#[derive(Debug, Clone)]
pub struct SpeedError {
    dt_s: f64,
    /// Relative speed error, its mean taken off.
    error: Vec<f64>,
    /// What the amplitude's noise would be as a speed error.
    beside: Vec<f64>,
    /// What the filter about the tone cuts off a tone that swings as the measured one does: see [`cut`].
    cut: Vec<f64>,
    /// Sample rate of the record, in hertz.
    rate_hz: f64,
    /// Lines of faster flutter that each short record shows: see [`fold`].
    fast_seen: Vec<fold::FastSeen>,
    /// What faster flutter may add to the weighted reading, in per cent: see [`faster`].
    faster_percent: f64,
    /// Speed error as it is with hum beside the tone, where some was taken off, and how far that lies from the tone, in hertz.
    with_hum: Option<Vec<f64>>,
    hum_hz: Vec<f64>,
    /// Highest flutter frequency that passed.
    pub highest_hz: f64,
    /// The tone's mean frequency as the scope's time base tells it, whole turns of flutter or not.
    pub tone_hz: f64,
    /// Time that the statistic is over.
    pub observed_s: f64,
}

/// Which band about a tone can be seen at a sample rate: none where the tone's alias lies too near 0 or half the rate.
#[must_use]
pub fn band_at(tone_hz: f64, rate_hz: f64) -> Option<Band> {
    let (alias, _) = alias_of(tone_hz, rate_hz);
    let room = 2.0 * alias.min(0.5 * rate_hz - alias);
    // Pass and stop together must fit before the image.
    let pass = (PASS * 0.5 * room).min(HIGHEST_HZ);
    let stop = (room - pass).min(2.0 * HIGHEST_HZ);
    (pass > 5.0 && stop > pass).then_some(Band { carrier_hz: tone_hz, pass_hz: pass, stop_hz: stop })
}

impl SpeedError {
    /// From a gap-free record of a tone whose frequency is known well enough to say which alias is seen.
    ///
    /// # Errors
    /// [`MeasureError::Clipped`], [`MeasureError::TooSlow`] where no alias of the tone lies clear, [`MeasureError::TooShort`]
    /// below two seconds beside the ends, [`MeasureError::InNoise`] where the tone is lost on the way.
    pub fn of(trace: &Trace, tone_hz: f64) -> Result<Self, MeasureError> {
        trace.conversion().demand_unclipped("tone")?;
        let rate_hz = 1.0 / trace.dt_s();
        let band = band_at(positive("frequency of the tone", tone_hz)?, rate_hz).ok_or(MeasureError::TooSlow {
            what: "tone for flutter (its alias meets its image)",
            rate_hz,
            needed_hz: 4.0 * tone_hz,
        })?;
        let out = demodulate(trace, &band)?;
        let observed_s = (out.phase_rad.len() as f64 - 1.0) * out.dt_s - 2.0 * FLUTTER_SETTLE_S;
        if observed_s < 2.0 {
            return Err(MeasureError::TooShort {
                what: "seconds of a flutter record",
                given: trace.span_s(),
                needed: trace.span_s() - observed_s + 2.0,
            });
        }
        let with = Self::from_phase(&out, &band, rate_hz, observed_s)?;
        let mut less = out;
        let mut hum_hz = hum::take_off(&mut less, &band, rate_hz);
        // Where the filter empties a wide swing, what it leaves may look like hum, and nothing is left without it.
        match Self::from_phase(&less, &band, rate_hz, observed_s) {
            Ok(without) if !hum_hz.is_empty() => {
                hum_hz.dedup_by(|a, b| (*a - *b).abs() * observed_s < 1.0);
                Ok(Self { with_hum: Some(with.error), hum_hz, ..without })
            }
            _ => Ok(with),
        }
    }

    fn from_phase(out: &Demodulated, band: &Band, rate_hz: f64, observed_s: f64) -> Result<Self, MeasureError> {
        let mean_v = demand_even(&out.amplitude_v, band)?;
        let scale = 1.0 / (core::f64::consts::TAU * out.dt_s);
        let mean_hz = band.carrier_hz
            + scale * (out.phase_rad[out.phase_rad.len() - 1] - out.phase_rad[0]) / (out.phase_rad.len() as f64 - 1.0);
        let differences = |values: &[f64], by: f64| -> Vec<f64> {
            let raw: Vec<f64> = values.windows(2).map(|w| (w[1] - w[0]) * scale / by).collect();
            let mean = raw.iter().sum::<f64>() / raw.len().max(1) as f64;
            raw.iter().map(|v| v - mean).collect()
        };
        Ok(Self {
            dt_s: out.dt_s,
            error: differences(&out.phase_rad, mean_hz),
            beside: differences(&out.amplitude_v, mean_v * mean_hz),
            cut: differences(&cut::cut(&out.phase_rad, out.dt_s, gain(rate_hz, band)), mean_hz),
            rate_hz,
            fast_seen: Vec::new(),
            faster_percent: 0.0,
            with_hum: None,
            hum_hz: Vec::new(),
            highest_hz: band.pass_hz,
            tone_hz: mean_hz,
            observed_s,
        })
    }

    /// Gain that undoes the first difference, up to what passed.
    fn undo(&self, hz: f64) -> f64 {
        if hz > self.highest_hz { 0.0 } else { 1.0 / sinc(core::f64::consts::PI * hz * self.dt_s) }
    }

    /// Standard deviation that noise gives the weighted speed error, and for how many independent values it is good.
    fn noise(&self) -> Result<(f64, f64), MeasureError> {
        let spectrum = Spectrum::of(&self.beside, self.dt_s)?;
        // Of white noise on the phase the speed error's amplitudes rise with frequency: taken back to the phase before the median.
        let (from, to) = (2.0, self.highest_hz);
        let mut level: Vec<f64> = spectrum
            .amplitude
            .iter()
            .enumerate()
            .map(|(k, a)| (k as f64 * spectrum.step_hz, a))
            .filter(|(hz, _)| (from..to).contains(hz))
            .map(|(hz, a)| (a * self.undo(hz) / hz).powi(2))
            .collect();
        at_least("places of a noise spectrum", level.len(), 8)?;
        // Power of noise in one place is exponential: its median is ln 2 of its mean.
        let mean = crate::statistics::median_in_place(&mut level) / core::f64::consts::LN_2;
        // A line of amplitude a has the power a^2 / 2; Hann's window has a noise bandwidth of 1.5 places of the record.
        let width_hz = 1.5 / (self.beside.len() as f64 * self.dt_s);
        let (mut power, steps) = (0.0, 400);
        let step = to / f64::from(steps);
        let mut band = 0.0;
        for k in 0..steps {
            let hz = (f64::from(k) + 0.5) * step;
            let part = (weighting(hz) * hz).powi(2) * step;
            power += part;
            band += part * part / step;
        }
        let equivalent_hz = if band > 0.0 { power * power / band } else { to };
        Ok(((0.5 * mean / width_hz * power).sqrt(), 2.0 * equivalent_hz * self.observed_s))
    }

    /// Weighted wow and flutter, two-sigma, in per cent.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`], [`MeasureError::NotFinite`].
    pub fn weighted(&self) -> Result<Estimate, MeasureError> {
        let seen = self.two_sigma(&self.error)?;
        let cut = cut::AGAIN * (seen - self.two_sigma(&cut::less(&self.error, &self.cut))?);
        let (noise, independent) = self.noise()?;
        // Scatter of a quantile of noise: the density of |n| at two sigma is 0.108.
        let scatter = noise * (TWO_SIGMA_SHARE * (1.0 - TWO_SIGMA_SHARE) / independent).sqrt() / 0.108;
        // How well the noise's deviation is known: half of its power, whose median scatters by 1 / ln 2.
        let unsure = 0.5 * (1.45 / (0.5 * independent).sqrt()).hypot(0.04);
        // What is left when noise is taken off follows from it by a root, so the ends are taken through it too.
        let end = |way: f64, of: fn(f64, f64) -> f64| {
            of((seen + 1.96 * way * scatter).max(0.0), noise * (1.0 - 1.96 * way * unsure).max(0.0))
        };
        let both = |way: f64| (end(way, without_noise_of_sine), end(way, without_noise_of_noise));
        let ((a, b), (low_a, low_b), (high_a, high_b)) = (both(0.0), both(-1.0), both(1.0));
        let value = 0.5 * (a + b);
        let rest = 1.96 * ENDS_AND_RIPPLE * value;
        let (low, high) = ((low_a.min(low_b) - rest).max(0.0), high_a.max(high_b) + rest);
        let contributions = vec![
            Contribution::type_a("noise on the tone", 100.0 * (high_a - low_a).max(high_b - low_b) / 3.92, independent),
            Contribution::rectangular("what kind of flutter the noise is added to", 100.0 * 0.5 * (a - b)),
            Contribution::type_b("ripple of the filter, ends of the record", 100.0 * ENDS_AND_RIPPLE * value),
        ];
        let (u, dof) = crate::estimate::combine(&contributions)?;
        let read = Estimate::with_interval(100.0 * value, 100.0 * low, 100.0 * high, u, dof, contributions)?;
        let read = cut::or_cut(read, 100.0 * cut)?;
        let read = match &self.with_hum {
            Some(with) => hum::or_with(read, 100.0 * (self.two_sigma(with)? - seen))?,
            None => read,
        };
        if self.faster_percent > 0.0 { read.or_higher(faster::NAME, self.faster_percent) } else { Ok(read) }
    }

    /// The weighted value that is stayed below for the statistic's share of the time.
    fn two_sigma(&self, error: &[f64]) -> Result<f64, MeasureError> {
        let weighted = filtered(error, self.dt_s, |hz| weighting(hz) * self.undo(hz));
        let ends = (FLUTTER_SETTLE_S / self.dt_s) as usize;
        at_least("values of a flutter statistic", weighted.len(), 2 * ends + 100)?;
        let mut sizes: Vec<f64> = weighted[ends..weighted.len() - ends].iter().map(|v| v.abs()).collect();
        sizes.sort_unstable_by(f64::total_cmp);
        Ok(quantile(&sizes, TWO_SIGMA_SHARE))
    }
}

/// The mean of a tone's amplitude, which must not fall away.
fn demand_even(amplitude_v: &[f64], band: &Band) -> Result<f64, MeasureError> {
    let mean_v = moments(amplitude_v)?.mean;
    let least_v = amplitude_v.iter().fold(f64::INFINITY, |least, v| least.min(*v));
    if least_v < 0.1 * mean_v {
        return Err(MeasureError::InNoise {
            what: "tone of a flutter record",
            detail: format!(
                "its amplitude falls from {mean_v:.3e} V to {least_v:.3e} V: the tone breaks off, drowns in noise, or swings by more than the {:.0} Hz that this sample rate shows",
                band.pass_hz
            ),
        });
    }
    Ok(mean_v)
}

/// Times a gain of frequency, without shift of phase; ends continued as in a mirror.
fn filtered(values: &[f64], dt_s: f64, gain: impl Fn(f64) -> f64) -> Vec<f64> {
    let n = values.len();
    let beyond = ((4.0 * FLUTTER_SETTLE_S / dt_s) as usize).min(n - 1);
    let size = (n + 2 * beyond).next_power_of_two();
    let mirrored = |i: isize| {
        let last = n as isize - 1;
        let i = if i < 0 { -i } else { i };
        values[(if i > last { 2 * last - i } else { i }).clamp(0, last) as usize]
    };
    let mut work = vec![0.0; size];
    for (i, out) in work.iter_mut().enumerate().take(n + 2 * beyond) {
        *out = mirrored(i as isize - beyond as isize);
    }
    let step_hz = 1.0 / (size as f64 * dt_s);
    let filtered = fourier::filter(&work, |k| gain(k as f64 * step_hz));
    filtered[beyond..beyond + n].to_vec()
}

/// Value of sorted ones that a share lies below.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * sorted.len() as f64 - 0.5;
    let low = (place.floor().max(0.0) as usize).min(sorted.len() - 1);
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (place - low as f64).clamp(0.0, 1.0) * (sorted[high] - sorted[low])
}

/// Two-sigma value of noise-like flutter whose two-sigma value together with noise is `seen`.
fn without_noise_of_noise(seen: f64, noise: f64) -> f64 {
    (seen * seen - 4.0 * noise * noise).max(0.0).sqrt()
}

/// The same for a sine: solved for its peak, by halving.
fn without_noise_of_sine(seen: f64, noise: f64) -> f64 {
    let top = (0.5 * core::f64::consts::PI * TWO_SIGMA_SHARE).sin();
    if noise <= 1e-9 * seen {
        return seen;
    }
    let above = |peak: f64| {
        const ANGLES: usize = 96;
        let sum: f64 = (0..ANGLES)
            .map(|k| {
                let s = peak * ((k as f64 + 0.5) * 0.5 * core::f64::consts::PI / ANGLES as f64).sin();
                normal_cdf((s - seen) / noise) + normal_cdf((-s - seen) / noise)
            })
            .sum();
        sum / ANGLES as f64
    };
    let target = 1.0 - TWO_SIGMA_SHARE;
    let (mut low, mut high) = (0.0, seen / top);
    if above(low) >= target {
        return 0.0;
    }
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if above(middle) < target { low = middle } else { high = middle }
    }
    0.5 * (low + high) * top
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(super) fn tone(rate: f64, span_s: f64, lines: &[(f64, f64)], noise_v: f64) -> Trace {
        let mut noise = crate::extremes::Noise::new(7);
        let volts = (0..(rate * span_s) as usize).map(|i| {
            let t = i as f64 / rate;
            let turn: f64 = lines.iter().map(|(hz, dev)| dev / hz * (core::f64::consts::TAU * hz * t).sin()).sum();
            ((core::f64::consts::TAU * (3150.0 * t).fract() + turn).cos() * 0.4 + noise_v * noise.normal()) as f32
        });
        Trace::from_volts(0.0, 1.0 / rate, volts.collect()).unwrap()
    }

    /// 3150 Hz with 3.15 Hz of sinusoidal deviation reads its weighting's factor of 0.1 % peak (IEC 60386, points from
    /// memory); a two-sigma meter on a sine reads 0.9974 of the peak, since it stays below that for 95.45 % of the time (computed).
    #[test]
    fn the_published_readings() {
        for rate in [14_000.0, 257.143] {
            for (hz, peak) in [(4.0, 0.100), (10.0, 0.0785), (1.0, 0.0617), (20.0, 0.0507)] {
                let speed = SpeedError::of(&tone(rate, 11.5, &[(hz, 3.15)], 0.0), 3150.0).unwrap();
                let read = speed.weighted().unwrap();
                let want = 0.9974 * peak;
                assert!((read.value / want - 1.0).abs() < 0.006, "{rate} Hz, {hz} Hz: {}, expected {want}", read.value);
                assert!(read.interval.low <= want && want <= read.interval.high, "{rate}, {hz}: {:?}", read.interval);
                let line = &speed.unweighted(3, 0.0).unwrap().lines[0];
                assert!((line.hz.value - hz).abs() < 0.05 && (line.percent.value - 0.1).abs() < 1e-3, "{line:?}");
            }
        }
    }

    #[test]
    fn noise_is_taken_off_and_three_lines_are_told() {
        let lines = [(0.7, 3.0), (9.3, 2.0), (29.97, 1.0)];
        let bare = SpeedError::of(&tone(257.143, 11.5, &lines, 0.0), 3150.0).unwrap();
        let noisy = SpeedError::of(&tone(257.143, 11.5, &lines, 0.01), 3150.0).unwrap();
        let (want, got) = (bare.weighted().unwrap().value, noisy.weighted().unwrap());
        assert!(got.interval.low <= want && want <= got.interval.high, "{got:?}, without noise {want}");
        assert!((got.value / want - 1.0).abs() < 0.05, "{got:?}, without noise {want}");
        let found = noisy.unweighted(3, 0.0).unwrap().lines;
        for (line, (hz, dev)) in found.iter().zip(lines) {
            assert!((line.hz.value - hz).abs() < 0.06, "{line:?}");
            assert!((line.percent.value - dev / 31.5).abs() < 0.006, "{line:?}");
        }
        assert_eq!(found.len(), 3);
        // Without any flutter the noise alone reads about nothing, and says up to where.
        let still = SpeedError::of(&tone(257.143, 11.5, &[], 0.01), 3150.0).unwrap().weighted().unwrap();
        assert!(still.interval.low <= 1e-3 && still.interval.high < 0.02, "{still:?}");
    }

    /// Whatever part of a turn the record cuts off, and noise or not, the tone's mean is its own; a line's frequency is no
    /// better known than the time base.
    #[test]
    fn the_mean_holds_no_broken_turn_of_a_line() {
        for span_s in [11.0, 11.2, 11.5, 11.9, 12.3] {
            for noise_v in [0.0, 0.01] {
                let speed =
                    SpeedError::of(&tone(257.143, span_s, &[(0.7, 3.0), (29.97, 1.0)], noise_v), 3150.0).unwrap();
                let Unweighted { tone_hz, lines, .. } = speed.unweighted(3, 0.0).unwrap();
                assert!((tone_hz.value - 3150.0).abs() < 0.02, "{span_s} s, {noise_v} V: {tone_hz:?}");
                assert!(
                    tone_hz.interval.low <= 3150.0 && 3150.0 <= tone_hz.interval.high,
                    "{span_s}, {noise_v}: {tone_hz:?}"
                );
                let by_clock = speed.unweighted(3, 1e-3).unwrap().lines[1].hz.standard_uncertainty;
                assert!(by_clock > 0.0299 && lines[1].hz.standard_uncertainty < 0.01, "{by_clock}, {:?}", lines[1].hz);
            }
        }
    }

    #[test]
    fn a_tone_that_breaks_off_or_hides_is_refused() {
        let mut volts = tone(14_000.0, 8.0, &[], 0.0).volts().to_vec();
        volts[50_000..60_000].fill(0.0);
        let broken = Trace::from_volts(0.0, 1.0 / 14_000.0, volts).unwrap();
        assert!(matches!(SpeedError::of(&broken, 3150.0), Err(MeasureError::InNoise { .. })));
        assert!(matches!(SpeedError::of(&tone(250.0, 10.0, &[], 0.0), 3250.0), Err(MeasureError::TooSlow { .. })));
        assert!(matches!(SpeedError::of(&tone(14_000.0, 2.0, &[], 0.0), 3150.0), Err(MeasureError::TooShort { .. })));
    }
}
