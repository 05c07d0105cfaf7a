//! The carrier's band of fast samples, mixed with the sync-tip frequency, low-passed and decimated in one step.

use crate::carrier::{Carrier, FILTER_S, LEAST_SAMPLES_A_CYCLE};
use crate::error::{MeasureError, at_least};
use crate::trace::Trace;

/// Rate after decimation, about.
const BASEBAND_HZ: f64 = 6.0e6;

/// The carrier's band at a lower rate: running sums of power and phase.
pub(crate) struct Baseband {
    pub(crate) t0_s: f64,
    pub(crate) dt_s: f64,
    /// Sum of `|z|^2` before each place.
    pub(crate) power: Vec<f64>,
    /// Phase against the sync-tip frequency, unwrapped.
    pub(crate) phase: Vec<f64>,
}

impl Baseband {
    /// Number of the output nearest to a time, from 0.
    pub(crate) fn place(&self, time_s: f64) -> usize {
        ((time_s - self.t0_s) / self.dt_s).round().max(0.0) as usize
    }

    /// Within `from..until` the stretch of `length` whose mean frequency is nearest to `aim` (radians
    /// an output): its start, and that frequency's distance.
    pub(crate) fn lowest(&self, from: usize, until: usize, length: usize, aim: f64) -> Option<(usize, f64)> {
        let last = until.min(self.phase.len()).checked_sub(length + 1)?;
        let (starts, ends) = (self.phase.get(from..=last)?, self.phase.get(from + length..=last + length)?);
        let whole = aim * length as f64;
        let (mut place, mut least) = (0, f64::INFINITY);
        for (m, (start, end)) in starts.iter().zip(ends).enumerate() {
            let away = (end - start - whole).abs();
            if away < least {
                (place, least) = (m, away);
            }
        }
        (least < f64::INFINITY).then_some((from + place, least / length as f64))
    }

    /// Distance of the mean frequency of `start..start + length` from `aim`.
    pub(crate) fn away(&self, start: usize, length: usize, aim: f64) -> Option<f64> {
        let (begin, end) = (self.phase.get(start)?, self.phase.get(start + length)?);
        Some((end - begin - aim * length as f64).abs() / length as f64)
    }

    /// Within `from..until` the start of the stretch of `length` with the most power.
    pub(crate) fn strongest(&self, from: usize, until: usize, length: usize) -> Option<usize> {
        let last = until.min(self.phase.len()).checked_sub(length + 1)?;
        let power = |start: &usize| self.power[start + length + 1] - self.power[*start];
        (from..=last).max_by(|a, b| power(a).total_cmp(&power(b)))
    }

    /// Mean of `|z|^2` over a stretch, in square volts.
    pub(crate) fn mean_power(&self, start: usize, length: usize) -> f64 {
        (self.power[start + length + 1] - self.power[start]) / (length + 1) as f64
    }
}

/// Sum of products in eight lanes, so that the compiler can use vector instructions.
fn dot2(samples: &[f32], re: &[f32], im: &[f32]) -> (f32, f32) {
    let (mut a, mut b) = ([0.0_f32; 8], [0.0_f32; 8]);
    for ((x, r), i) in samples.chunks_exact(8).zip(re.chunks_exact(8)).zip(im.chunks_exact(8)) {
        for lane in 0..8 {
            a[lane] += x[lane] * r[lane];
            b[lane] += x[lane] * i[lane];
        }
    }
    (a.iter().sum(), b.iter().sum())
}

/// Places that are worked on together, so that the compiler can use vector instructions.
const LANES: usize = 8;

/// Angles of points, within 4e-7 of a radian: `atan q` for `q` up to 1 by the polynomial of Abramowitz and Stegun,
/// Handbook of Mathematical Functions, 4.4.49. They only rank stretches by their frequency, and the library's function
/// takes many times as long. 0 at the origin.
fn angles_of(y: &[f32; LANES], x: &[f32; LANES]) -> [f32; LANES] {
    const TERMS: [f32; 8] = [
        0.002_866_225_7,
        -0.016_165_737,
        0.042_909_614,
        -0.075_289_64,
        0.106_562_64,
        -0.142_089,
        0.199_935_5,
        -0.333_331_46,
    ];
    core::array::from_fn(|lane| {
        let (up, along) = (y[lane].abs(), x[lane].abs());
        let (low, high) = if up > along { (along, up) } else { (up, along) };
        let q = low / high.max(f32::MIN_POSITIVE);
        let squared = q * q;
        let eighth = q * (1.0 + squared * TERMS.iter().fold(0.0, |sum, term| sum * squared + term));
        let quarter = if up > along { core::f32::consts::FRAC_PI_2 - eighth } else { eighth };
        let half = if x[lane] < 0.0 { core::f32::consts::PI - quarter } else { quarter };
        half.copysign(y[lane])
    })
}

/// Running phase of a course of points, less the `turn` (real, imaginary) that is in each step of it.
fn phases(re: &[f32], im: &[f32], turn: (f32, f32)) -> Vec<f64> {
    let mut phase = Vec::with_capacity(re.len());
    let mut angle = 0.0;
    phase.extend(re.first().map(|_| angle));
    let steps = re.len().saturating_sub(1);
    let mut from = 0;
    while from < steps {
        // The last lanes of all may lie beyond the end: nothing turns there.
        let lanes = LANES.min(steps - from);
        let part = |of: &[f32], at: usize| {
            let mut out = [0.0; LANES];
            out[..lanes].copy_from_slice(&of[at..at + lanes]);
            out
        };
        let (pr, pi, r, i) = (part(re, from), part(im, from), part(re, from + 1), part(im, from + 1));
        let (mut y, mut x) = ([0.0; LANES], [0.0; LANES]);
        for lane in 0..LANES {
            // z(m) conj(z(m-1)), turned back by the mixing frequency.
            let cr = r[lane] * pr[lane] + i[lane] * pi[lane];
            let ci = i[lane] * pr[lane] - r[lane] * pi[lane];
            y[lane] = ci * turn.0 - cr * turn.1;
            x[lane] = cr * turn.0 + ci * turn.1;
        }
        phase.extend(angles_of(&y, &x)[..lanes].iter().map(|step| {
            angle += f64::from(*step);
            angle
        }));
        from += lanes;
    }
    phase
}

/// Mixes and filters the carrier's band.
///
/// # Errors
/// [`MeasureError::TooSlow`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub(crate) fn baseband(trace: &Trace, carrier: &Carrier) -> Result<Baseband, MeasureError> {
    carrier.check()?;
    let rate = 1.0 / trace.dt_s();
    let needed = LEAST_SAMPLES_A_CYCLE * carrier.white_hz;
    if rate < needed * (1.0 - 1e-6) {
        return Err(MeasureError::TooSlow { what: "level in the carrier's band", rate_hz: rate, needed_hz: needed });
    }
    let samples = trace.volts().len() as f64;
    if samples < FILTER_S * rate + 8.0 {
        return Err(MeasureError::TooShort {
            what: "samples of RF",
            given: samples,
            needed: (FILTER_S * rate).ceil().min(f64::MAX) + 8.0,
        });
    }
    let step = ((rate / BASEBAND_HZ) as usize).max(1);
    // Padded with zeros to whole lanes.
    let length = (FILTER_S * rate).round().max(8.0) as usize;
    let padded = length.div_ceil(8) * 8;
    at_least("samples of RF", trace.volts().len(), padded + step)?;
    let omega = core::f64::consts::TAU * carrier.sync_hz * trace.dt_s();
    let window = |n: usize| {
        let x = core::f64::consts::TAU * (n as f64 + 0.5) / length as f64;
        if n < length { 0.42 - 0.5 * x.cos() + 0.08 * (2.0 * x).cos() } else { 0.0 }
    };
    let sum: f64 = (0..length).map(window).sum();
    let tap = |n: usize, f: fn(f64) -> f64| (window(n) / sum * f(omega * n as f64)) as f32;
    let re: Vec<f32> = (0..padded).map(|n| tap(n, f64::cos)).collect();
    let im: Vec<f32> = (0..padded).map(|n| tap(n, |x| -x.sin())).collect();
    // A constant offset at the input leaks through the window's side lobes: take it off.
    let offset = trace.volts().iter().map(|v| f64::from(*v)).sum::<f64>() / trace.volts().len() as f64;
    let (dc_re, dc_im) = (
        offset * re.iter().map(|v| f64::from(*v)).sum::<f64>(),
        offset * im.iter().map(|v| f64::from(*v)).sum::<f64>(),
    );
    let count = (trace.volts().len() - padded) / step + 1;
    let (mut real, mut imaginary) = (Vec::with_capacity(count), Vec::with_capacity(count));
    let mut power = Vec::with_capacity(count + 1);
    let mut total = 0.0;
    power.push(total);
    for m in 0..count {
        let at = m * step;
        let (r, i) = dot2(&trace.volts()[at..at + padded], &re, &im);
        let (r, i) = (f64::from(r) - dc_re, f64::from(i) - dc_im);
        total += r * r + i * i;
        power.push(total);
        real.push(r as f32);
        imaginary.push(i as f32);
    }
    // Turn of the mixing frequency from output to output.
    let (turn_im, turn_re) = (omega * step as f64).sin_cos();
    let phase = phases(&real, &imaginary, (turn_re as f32, turn_im as f32));
    let delay = 0.5 * (length as f64 - 1.0) * trace.dt_s();
    Ok(Baseband { t0_s: trace.t0_s() + delay, dt_s: step as f64 * trace.dt_s(), power, phase })
}

#[cfg(test)]
mod tests {
    use super::{LANES, angles_of, phases};

    #[test]
    fn angles_are_those_of_the_library() {
        for n in 0..10_000 {
            let angle = core::f64::consts::PI * (f64::from(n) / 5_000.0 - 0.999_95);
            let (y, x) = ((3.0 * angle.sin()) as f32, (3.0 * angle.cos()) as f32);
            let off = (f64::from(angles_of(&[y; LANES], &[x; LANES])[0]) - angle).abs();
            assert!(off < 4e-7, "{angle}: off by {off}");
        }
        assert_eq!(angles_of(&[0.0; LANES], &[0.0; LANES]), [0.0; LANES]);
        assert_eq!(angles_of(&[0.0; LANES], &[1.0; LANES]), [0.0; LANES]);
    }

    #[test]
    fn the_phase_of_a_turning_point_grows_by_its_turn_less_the_mixers() {
        // Of every length about the lanes, also none.
        for count in 0..3 * LANES {
            let at = |n: usize| 0.7 * n as f64;
            let re: Vec<f32> = (0..count).map(|n| at(n).cos() as f32).collect();
            let im: Vec<f32> = (0..count).map(|n| at(n).sin() as f32).collect();
            let found = phases(&re, &im, (0.2_f32.cos(), 0.2_f32.sin()));
            assert_eq!(found.len(), count);
            for (n, phase) in found.iter().enumerate() {
                assert!((phase - 0.5 * n as f64).abs() < 1e-5, "{n} of {count}: {phase}");
            }
        }
    }
}
