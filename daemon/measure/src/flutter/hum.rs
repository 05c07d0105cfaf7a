//! Hum beside the tone, taken off before its phase is read.
//!
//! With the tone's phase `p` and a hum of `h cos(w t)` beside it, the amplitude swings by `h cos(w t - p)`. Put on the tone's phase
//! again that is `h / 2` at the hum's own frequency, which keeps still however the tone swings, and as much that swings with
//! twice the tone's phase. So the line at the hum's frequency tells half of it, and flutter, which leaves the amplitude alone, is not in it.

use crate::demodulate::{Band, Demodulated, alias_of};
use crate::error::MeasureError;
use crate::estimate::Estimate;
use crate::statistics::median_in_place;
use crate::turning::Turning;

/// Frequencies of mains, and how far they and the scope's time base may be off (ratio).
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
const OFF: f64 = 2e-3;

/// Multiples that hum has.
const MULTIPLES: u32 = 6;

/// A line must stand so many times above the median beside it.
const CLEAR: f64 = 6.0;

/// Places on either side that the median is taken over, in cycles over the record.
const BESIDE_CYCLES: i32 = 12;

/// Rounds of taking off: each leaves what the one before misjudged.
const ROUNDS: usize = 3;

/// Share of what stands at a hum's frequency that may be left when it is taken off.
const LEFT: f64 = 0.6;

/// Share of what taking hum off changes that it may be wrong by, to the other side (from trials).
const MISJUDGED: f64 = 0.25;

/// Mean of a course under Hann's window, turned back at a frequency: half the amplitude of a line there, as a complex number.
fn line(course: &[(f64, f64)], dt_s: f64, hz: f64) -> (f64, f64) {
    let n = course.len() as f64;
    let (mut re, mut im, mut weights) = (0.0, 0.0, 0.0);
    let turn = core::f64::consts::TAU / n;
    let mut window = Turning::new(0.5 * turn, turn);
    let mut turning = Turning::new(0.0, core::f64::consts::TAU * hz * dt_s);
    for (x, y) in course {
        let weight = 1.0 - window.next().0;
        let (c, s) = turning.next();
        re += weight * (x * c + y * s);
        im += weight * (y * c - x * s);
        weights += weight;
    }
    (re / weights, im / weights)
}

/// Power of what the amplitude swings by.
fn uneven(out: &Demodulated) -> f64 {
    crate::statistics::moments_of_finite(out.amplitude_v.iter().copied()).standard_deviation.powi(2)
}

fn size((re, im): (f64, f64)) -> f64 {
    re.hypot(im)
}

/// The strongest line within two ends, by halving the step about the best.
fn strongest(course: &[(f64, f64)], dt_s: f64, (low, high): (f64, f64)) -> f64 {
    let span_s = course.len() as f64 * dt_s;
    let mut step = 0.5 / span_s;
    let at = |hz: f64| size(line(course, dt_s, hz));
    let looks = ((high - low) / step).ceil() as usize + 1;
    let mut best = (0..looks)
        .map(|k| low + step * k as f64)
        .map(|hz| (at(hz), hz))
        .fold((0.0, low), |a, b| if b.0 > a.0 { b } else { a });
    while step > 1e-3 / span_s {
        step *= 0.5;
        for hz in [best.1 - step, best.1 + step] {
            let here = at(hz);
            if here > best.0 {
                best = (here, hz);
            }
        }
    }
    best.1
}

/// Takes hum off a tone that was sampled at a rate; gives how far what was found lies from the tone, in hertz.
pub(super) fn take_off(out: &mut Demodulated, band: &Band, rate_hz: f64) -> Vec<f64> {
    let span_s = out.phase_rad.len() as f64 * out.dt_s;
    let (tone, turned) = alias_of(band.carrier_hz, rate_hz);
    let way = if turned { -1.0 } else { 1.0 };
    let mut found = Vec::new();
    for mains_hz in MAINS_HZ {
        for multiple in 1..=MULTIPLES {
            let hz = mains_hz * f64::from(multiple);
            let within = OFF * hz + 1.0 / span_s;
            // What the samples show of a real hum lies at its alias and at that's mirror; the nearer one passes the filter.
            let alias = alias_of(hz, rate_hz).0;
            let from_tone = way * (alias - tone);
            if from_tone.abs() + within > band.stop_hz || from_tone.abs() < 2.0 / span_s {
                continue;
            }
            for _ in 0..ROUNDS {
                let mean_v = out.amplitude_v.iter().sum::<f64>() / out.amplitude_v.len() as f64;
                let swing: Vec<(f64, f64)> = out
                    .amplitude_v
                    .iter()
                    .zip(&out.phase_rad)
                    .map(|(v, phase)| ((v - mean_v) * phase.cos(), (v - mean_v) * phase.sin()))
                    .collect();
                let at = strongest(&swing, out.dt_s, (from_tone - within, from_tone + within));
                let half = line(&swing, out.dt_s, at);
                let mut beside: Vec<f64> = (-BESIDE_CYCLES..=BESIDE_CYCLES)
                    .filter(|cycles| cycles.abs() > 2)
                    .map(|cycles| size(line(&swing, out.dt_s, at + f64::from(cycles) / span_s)))
                    .collect();
                if size(half) < CLEAR * median_in_place(&mut beside) {
                    break;
                }
                let mut without = out.clone();
                less(&mut without, at, (2.0 * half.0, 2.0 * half.1));
                // A hum is all that stands there. What swings the amplitude alone would stand there as high as before.
                let whole =
                    out.amplitude_v.iter().zip(&out.phase_rad).map(|(v, phase)| (v * phase.cos(), v * phase.sin()));
                let whole = line(&whole.collect::<Vec<_>>(), out.dt_s, at);
                let left = (whole.0 - 2.0 * half.0, whole.1 - 2.0 * half.1);
                if size(left) > LEFT * size(whole) || uneven(&without) > uneven(out) - size(half).powi(2) {
                    break;
                }
                *out = without;
                found.push(at.abs());
            }
        }
    }
    found
}

/// The true reading may lie as far off as it does with the hum, if that was none; and a little beyond, if there was more of it.
pub(super) fn or_with(read: Estimate, more: f64) -> Result<Estimate, MeasureError> {
    const NAME: &str = "hum beside the tone";
    let (to, from) = (more.abs(), MISJUDGED * more.abs());
    let (lower, higher) = if more > 0.0 { (from, to) } else { (to, from) };
    Ok(read.or_lower(NAME, lower)?.or_higher(NAME, higher)?.within(0.0, f64::MAX))
}

/// Takes a line off a tone.
fn less(out: &mut Demodulated, hz: f64, (re, im): (f64, f64)) {
    let mut before: Option<(f64, f64)> = None;
    let mut turning = Turning::new(0.0, core::f64::consts::TAU * hz * out.dt_s);
    for (v, phase) in out.amplitude_v.iter_mut().zip(&mut out.phase_rad) {
        let (c, s) = turning.next();
        let (x, y) = (*v * phase.cos() - (re * c - im * s), *v * phase.sin() - (re * s + im * c));
        *v = x.hypot(y);
        let own = y.atan2(x);
        let angle = before.map_or(own, |(last, angle)| {
            let turns = (own - last) / core::f64::consts::TAU;
            angle + core::f64::consts::TAU * (turns - turns.round())
        });
        before = Some((own, angle));
        *phase = angle;
    }
}

#[cfg(test)]
mod tests {
    use super::super::SpeedError;
    use super::super::cut::tests::truth;
    use super::super::tests::tone;
    use crate::trace::Trace;

    /// Whether the reading with `hum_v` peak beside a tone of 0.4 V peak holds what it is without, and lies near it.
    fn holds(rate_hz: f64, hum_hz: f64, hum_v: f64) {
        // Of one line the statistic does not ask which part of a turn the record cuts off.
        let lines = [(3.5, 0.2)];
        let (bare, want) =
            (tone(rate_hz, 11.5, &lines.map(|(hz, percent)| (hz, 31.5 * percent)), 0.001), truth(&lines));
        let hum = |i: usize| hum_v * (core::f64::consts::TAU * hum_hz * i as f64 / rate_hz).cos();
        let volts = bare.volts().iter().enumerate().map(|(i, v)| (f64::from(*v) + hum(i)) as f32).collect();
        let read = SpeedError::of(&Trace::from_volts(0.0, 1.0 / rate_hz, volts).unwrap(), 3150.0).unwrap();
        let read = read.weighted().unwrap();
        assert!(
            read.interval.low <= want && want <= read.interval.high && (read.value / want - 1.0).abs() < 0.03,
            "{rate_hz} Hz, {hum_v} V of {hum_hz} Hz: {} in {:?}, expected {want}",
            read.value,
            read.interval
        );
    }

    #[test]
    fn hum_does_not_lift_the_reading() {
        for (rate_hz, hum_hz) in
            [(257.143, 60.02), (257.143, 49.97), (293.023, 100.0), (340.43, 120.0), (14_000.0, 60.0)]
        {
            for hum_v in [0.0, 0.003, 0.01, 0.03, 0.06, 0.1] {
                holds(rate_hz, hum_hz, hum_v);
            }
        }
    }
}
