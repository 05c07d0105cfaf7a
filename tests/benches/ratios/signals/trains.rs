//! Pulse trains beside the head switch.

use super::Normal;

/// A frame of 525 lines, in seconds.
pub(crate) const FRAME_S: f64 = 1001.0 / 30_000.0;

/// What a phase does.
#[derive(Clone, Copy)]
pub(crate) struct Servo {
    /// Phase at the start, in seconds.
    pub(crate) phase_s: f64,
    /// Slope, in seconds a second.
    pub(crate) slope: f64,
    /// Standard deviation from look to look, in seconds.
    pub(crate) jitter_s: f64,
    /// Amplitude in seconds and frequency of a slow swing.
    pub(crate) swing: (f64, f64),
}

impl Servo {
    /// Slope and swing.
    fn course(&self, t: f64) -> f64 {
        self.slope * t + self.swing.0 * (super::TURN * self.swing.1 * t).sin()
    }
}

/// Of each look, the time of its trigger and the phase there.
pub(crate) fn phases(servo: &Servo, count: u32, frames_apart: f64) -> Vec<(f64, f64)> {
    let mut normal = Normal::of(0xCA95_7A40_0000_0001);
    (0..count)
        .map(|n| {
            let at_s = f64::from(n) * frames_apart * FRAME_S;
            (at_s, servo.phase_s + servo.course(at_s) + servo.jitter_s * normal.next())
        })
        .collect()
}

/// Mean and standard deviation of what the phases do besides slope and swing.
pub(crate) fn drawn(servo: &Servo, phases: &[(f64, f64)]) -> [f64; 2] {
    let own: Vec<f64> = phases.iter().map(|(t, phase)| phase - servo.course(*t)).collect();
    super::mean_and_deviation(&own)
}

/// Pulses of 5 V, high for 60 % of their period, about a trigger at time 0 at which they have that phase; edges of 10 us,
/// noise of 30 mV. The phase counts from an edge before.
pub(crate) fn look((t0_s, dt_s): (f64, f64), count: usize, phase_s: f64, period_s: f64, seed: u64) -> Vec<f64> {
    let mut normal = Normal::of(0x0100_C000_0000_0000 + seed);
    (0..count)
        .map(|i| {
            let since = (t0_s + i as f64 * dt_s + phase_s).rem_euclid(period_s);
            let rise = |from: f64| ((since - from) / 10e-6 + 0.5).clamp(0.0, 1.0);
            5.0 * (rise(0.0) - rise(0.6 * period_s) + rise(period_s)) + 0.03 * normal.next()
        })
        .collect()
}

/// Pulses of [`control`] that do not come.
pub(crate) const LOST: [u32; 3] = [11, 40, 71];

/// Delay of those pulses to the head switch, which comes with each whole frame.
const DELAY_S: f64 = 6.8e-3;

/// Frames of [`control`].
const FRAMES: u32 = 90;

/// Times of the pulses of three seconds that came.
fn control_times() -> Vec<(u32, f64)> {
    let mut normal = Normal::of(0xC0_A740_0000_0003);
    let all = (1..=FRAMES).map(|n| (n, f64::from(n) * FRAME_S - DELAY_S + 60e-6 * normal.next()));
    all.filter(|(n, _)| !LOST.contains(n)).collect()
}

/// Record of control pulses of 5 V and 60 %, some of them lost; edges of 10 us, noise of 30 mV.
pub(crate) fn control(dt_s: f64) -> Vec<f64> {
    let mut normal = Normal::of(0xC0_A740_0000_0004);
    let times = control_times();
    let mut next = 0;
    (0..(f64::from(FRAMES) * FRAME_S / dt_s) as usize)
        .map(|i| {
            let t = i as f64 * dt_s;
            while next < times.len() && times[next].1 < t - 0.7 * FRAME_S {
                next += 1;
            }
            let rise = |from: f64| ((t - from) / 10e-6 + 0.5).clamp(0.0, 1.0);
            let high = |at: f64| rise(at) - rise(at + 0.6 * FRAME_S);
            let near: f64 = times[next..].iter().take(2).map(|(_, at)| high(*at)).sum();
            5.0 * near + 0.03 * normal.next()
        })
        .collect()
}

/// Of that record, from the times drawn: mean delay, standard deviation of single periods, pulses that did not come.
pub(crate) fn control_truth() -> Vec<f64> {
    let times = control_times();
    let delays = times.iter().map(|(n, at)| f64::from(*n) * FRAME_S - at);
    let periods: Vec<f64> = times.windows(2).filter(|w| w[1].0 == w[0].0 + 1).map(|w| w[1].1 - w[0].1).collect();
    let of = super::mean_and_deviation;
    vec![of(&delays.collect::<Vec<_>>())[0], of(&periods)[1], LOST.len() as f64]
}
