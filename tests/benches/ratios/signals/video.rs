//! Composite video of 525 lines, line by line from its timing (ITU-R BT.1700, from memory), with colour bars.

use super::{LINE_HZ, LINES, Normal, TURN, mean_and_deviation};

/// Line of the standard, in seconds.
pub(crate) const LINE_S: f64 = 1.0 / LINE_HZ;

/// Sync, burst from peak to peak, and white above blanking, in volts: all a little off.
pub(crate) const LEVELS_V: [f64; 3] = [0.271, 0.305, 0.692];

const SUBCARRIER_HZ: f64 = 315e6 / 88.0;

/// Brightness of the bars over white, and amplitude of their colour over the burst's (bars of 75 per cent, computed).
const BARS: [(f64, f64); 8] =
    [(1.0, 0.0), (0.69, 1.55), (0.56, 2.19), (0.48, 2.05), (0.36, 2.05), (0.28, 2.19), (0.15, 1.55), (0.075, 0.0)];

/// From 0 to 1 as a half wave of a sine about time 0: 140 ns from 10 % to 90 %.
fn edge(us: f64) -> f64 {
    let x = (us / 0.237).clamp(-0.5, 0.5);
    0.5 * (1.0 + (0.5 * TURN * x).sin())
}

/// Low for so long from time 0 on.
fn pulse(us: f64, width_us: f64) -> f64 {
    -LEVELS_V[0] * (edge(us) - edge(us - width_us))
}

/// What follows on a line's sync, before its noise; `t` is the subcarrier's time.
fn line(us: f64, t: f64) -> f64 {
    let colour = (TURN * (SUBCARRIER_HZ * t).fract()).sin() * 0.5 * LEVELS_V[1];
    let burst = if (5.3..5.3 + 9.0e6 / SUBCARRIER_HZ).contains(&us) { colour } else { 0.0 };
    let place = (us - 9.4) / (62.05 - 9.4) * 8.0;
    let picture = if (0.0..8.0).contains(&place) {
        let (bright, coloured) = BARS[place as usize];
        LEVELS_V[2] * bright + coloured * colour
    } else {
        0.0
    };
    burst + picture
}

/// Volts so many lines from the start of a field whose first line begins with the first equalising pulse. Lengths within
/// the line are the standard's, whatever the line's own length.
fn composite(lines: f64, line_s: f64, t: f64) -> f64 {
    let halves = 2.0 * lines;
    // Whatever begins at a half line shows from a little before it on.
    let half = (halves + 0.01).floor();
    let us_half = (halves - half) * 0.5 * line_s * 1e6;
    let in_field = half.rem_euclid(2.0 * LINES);
    if in_field < 18.0 {
        let broad = (6.0..12.0).contains(&in_field);
        return pulse(us_half, if broad { 27.1 } else { 2.3 });
    }
    let whole = (0.5 * (halves + 0.01)).floor();
    let us = (lines - whole) * line_s * 1e6;
    let picture = if in_field < 42.0 { 0.0 } else { line(us, t) };
    pulse(us, 4.7) + picture
}

/// Noise of a sample, in volts.
const NOISE_V: f64 = 0.004;

/// A line of the picture, from so many samples, that begins anywhere; the drum turns the faster, the shorter `line_s` is.
pub(crate) fn lines((count, dt_s): (usize, f64), line_s: f64, capture: u64) -> Vec<f64> {
    let mut normal = Normal::of(0x71DE_0000_0001 + capture * 0x10_0001);
    let from = 60.0 + (150.0 * normal.uniform()).floor() + normal.uniform();
    let volts = |i: usize| composite(from + i as f64 * dt_s / line_s, line_s, i as f64 * dt_s + 1e-7 * from);
    (0..count).map(|i| volts(i) + NOISE_V * normal.next()).collect()
}

/// Length of the lines of so many captures, in seconds: the drum's speed differs by 0.15 % from one to another.
pub(crate) fn line_lengths(captures: u64) -> Vec<f64> {
    let mut normal = Normal::of(0x71DE_0000_0002);
    (0..captures).map(|_| LINE_S * (1.0 + 0.0015 * normal.next())).collect()
}

/// How late the drum is, in seconds: it wobbles once a turn and eight times.
fn late(t: f64) -> f64 {
    0.8e-6 * (TURN * 29.97 * t + 0.4).sin() + 0.15e-6 * (TURN * 239.8 * t).sin()
}

/// A record from the middle of a field on, of a drum that wobbles: [`time_base`] says by how much.
pub(crate) fn wobbling(count: usize, dt_s: f64) -> Vec<f64> {
    let mut normal = Normal::of(0x71DE_0000_0003);
    let volts = |t: f64| composite(FROM + (t - late(t)) / LINE_S, LINE_S, t - late(t));
    (0..count).map(|i| volts(i as f64 * dt_s) + NOISE_V * normal.next()).collect()
}

/// Where [`wobbling`] begins in its field, in lines.
const FROM: f64 = 200.3;

/// Time of such a place in lines.
fn time_of(lines: f64) -> f64 {
    let even = (lines - FROM) * LINE_S;
    (0..6).fold(even, |t, _| even + late(t))
}

/// Standard deviation in microseconds of the lines' leading edges in a record of that length about evenly spaced ones; lines
/// from the first start of vertical sync to the next.
pub(crate) fn time_base(span_s: f64) -> Vec<f64> {
    let in_picture = |line: &f64| (2.0 * line).rem_euclid(2.0 * LINES) >= 18.0;
    let lines: Vec<f64> =
        (201..2_000).map(f64::from).filter(in_picture).filter(|n| time_of(*n) < span_s - 6e-6).collect();
    let times: Vec<f64> = lines.iter().map(|n| time_of(*n)).collect();
    let (mean_n, mean_t) = (mean_and_deviation(&lines)[0], mean_and_deviation(&times)[0]);
    let squares: f64 = lines.iter().map(|n| (n - mean_n).powi(2)).sum();
    let slope = lines.iter().zip(&times).map(|(n, t)| (n - mean_n) * (t - mean_t)).sum::<f64>() / squares;
    let errors: Vec<f64> = lines.iter().zip(&times).map(|(n, t)| t - mean_t - slope * (n - mean_n)).collect();
    let starts = [1.0, 2.0].map(|field| time_of(field * LINES + 3.0));
    vec![1e6 * mean_and_deviation(&errors)[1], (starts[1] - starts[0]) / LINE_S]
}

/// Lines from each of so many head-switch edges to vertical sync.
pub(crate) fn switched(edges: u64) -> Vec<f64> {
    let mut normal = Normal::of(0x71DE_0000_0004);
    (0..edges).map(|_| 6.4 + 0.06 * normal.next()).collect()
}

/// A capture about such an edge at time 0.
pub(crate) fn about_switch((t0_s, dt_s): (f64, f64), count: usize, ahead: f64, edge: u64) -> Vec<f64> {
    let mut normal = Normal::of(0x71DE_0000_0005 + edge * 0x10_0001);
    let from = LINES * (2 + edge % 2) as f64 + 3.0 - ahead;
    let volts = |t: f64| composite(from + t / LINE_S, LINE_S, t);
    (0..count).map(|i| volts(t0_s + i as f64 * dt_s) + NOISE_V * normal.next()).collect()
}
