//! Least and greatest of RF in bins, exactly as if every sample were computed, with few of them computed.
//!
//! A bin is gone through by the intervals of the noise's grid. What the samples of one can reach is bounded: the
//! noise by its two grid values and the arc between them, each tone by its amplitude and by how near its crest
//! comes. Only where the bound passes the extremes found so far are the samples computed, by the same functions
//! that answer for samples. So the answer is that of all samples, bit for bit (see the tests), in about a
//! tenth of the time.

use super::Machine;
use super::random::{NOISE_GRID_S, Noise};
use super::rf::tones::{Tone, turned};
use super::rf::{Piece, RfReader};
use crate::source::Bins;

/// Fewest samples in an interval of the noise's grid from which on searching is faster than computing.
const FEWEST_AN_INTERVAL: f64 = 2.0;

/// Noise never reaches so many standard deviations: the greatest number that 64 bits give, in both grid values.
const NOISE_ENDS: f64 = 13.0;

/// Allowance for rounding: of the tones' sum, and of the noise's standard deviation.
const ROUNDING: f64 = 1e-4;

/// A sample this near to a change (in samples) is computed, whichever side it is on.
const NEAR: f64 = 1e-3;

/// Intervals of the grid that are bounded in one go.
const CHUNK: usize = 256;

/// The samples of one bin, and the extremes found so far.
struct Bin<'a, 'b> {
    reader: &'a mut RfReader<'b>,
    piece: &'a mut Piece,
    noise: &'a mut Noise,
    from_s: f64,
    underlying_s: f64,
    gain: f64,
    noise_gain: f64,
    /// Noise of the front end.
    front_v: f64,
    /// Noise of point and front end in the piece.
    noise_v: f64,
    low: f64,
    high: f64,
}

/// What the intervals of a stretch can reach; its buffers are kept.
struct Work {
    tones: Vec<Tone>,
    above_v: [f64; CHUNK],
    below_v: [f64; CHUNK],
}

/// Whether bins of samples this far apart are searched.
pub(crate) fn pays(underlying_s: f64) -> bool {
    underlying_s * FEWEST_AN_INTERVAL <= NOISE_GRID_S
}

impl Machine {
    /// Extremes of raw RF in bins of so many samples each.
    pub(crate) fn rf_searched(
        &self,
        bins: &Bins,
        (gain, noise_gain): (f64, f64),
        mut noise: Noise,
        out: &mut [(f64, f64)],
    ) {
        let &Bins { t0_s, dt_s, underlying_s, first, .. } = bins;
        let start_s = t0_s + first as f64 * dt_s;
        let count = ((dt_s / underlying_s).round() as usize).max(1);
        let mut reader = RfReader::new(&self.timeline, self.seed, start_s);
        let mut piece = reader.piece(start_s);
        let mut work = Work::new();
        for (i, pair) in (first..).zip(out.iter_mut()) {
            let mut bin = Bin {
                reader: &mut reader,
                piece: &mut piece,
                noise: &mut noise,
                from_s: t0_s + i as f64 * dt_s,
                underlying_s,
                gain,
                noise_gain,
                front_v: bins.noise_v,
                noise_v: 0.0,
                low: f64::INFINITY,
                high: f64::NEG_INFINITY,
            };
            bin.weigh_noise();
            let mut next = 0;
            while next < count {
                next = bin.run(next, count, &mut work);
            }
            *pair = (bin.low, bin.high);
        }
    }
}

impl Bin<'_, '_> {
    fn at_s(&self, sample: usize) -> f64 {
        self.from_s + sample as f64 * self.underlying_s
    }

    /// Makes the piece that of a sample.
    fn seek(&mut self, t_s: f64) {
        if t_s >= self.piece.end_s || t_s < self.piece.start_s {
            *self.piece = self.reader.piece(t_s);
            self.weigh_noise();
        }
    }

    /// Noise of point and front end: their powers add.
    fn weigh_noise(&mut self) {
        self.noise_v = (self.piece.noise_at_point_v() * self.noise_gain).hypot(self.front_v);
    }

    /// Computes a sample.
    fn look(&mut self, sample: usize) {
        let t_s = self.at_s(sample);
        self.seek(t_s);
        let volts = self.gain * self.piece.bare_v(t_s) + self.noise_v * self.noise.at(t_s);
        (self.low, self.high) = (self.low.min(volts), self.high.max(volts));
    }

    /// From a sample to the end of its run of steady tones: the sample after it.
    fn run(&mut self, first: usize, count: usize, work: &mut Work) -> usize {
        let t_s = self.at_s(first);
        self.seek(t_s);
        let run = self.piece.run(t_s, &mut work.tones);
        let ends = (run.end_s - self.from_s) / self.underlying_s;
        let near = (ends - ends.round()).abs() < NEAR;
        let end = (if near { ends.round() } else { ends.ceil() }.max(0.0) as usize).min(count);
        if end <= first {
            self.look(first);
            return first + 1;
        }
        if run.transient {
            (first..end).for_each(|sample| self.look(sample));
        } else {
            self.search(first, end, work);
        }
        if near && end < count {
            self.look(end);
            return end + 1;
        }
        end
    }

    /// First sample that lies in an interval of the grid or after it.
    fn border(&self, interval: i64) -> usize {
        ((interval as f64 * NOISE_GRID_S - self.from_s) / self.underlying_s).max(0.0).ceil() as usize
    }

    /// The extremes of a run's samples.
    fn search(&mut self, first: usize, end: usize, work: &mut Work) {
        let noise_v = self.noise_v;
        let sum_v: f64 = self.gain * work.tones.iter().map(|tone| tone.amplitude_v).sum::<f64>();
        let spare_v = ROUNDING * (sum_v + noise_v) + 1e-12;
        if sum_v + NOISE_ENDS * noise_v + spare_v < self.high.min(-self.low) {
            return;
        }
        let interval = |sample: usize| (self.at_s(sample) / NOISE_GRID_S).floor() as i64;
        let (mut next, last, start_s) = (interval(first), interval(end - 1), self.at_s(first));
        let start = next;
        while next <= last {
            let count = ((last - next + 1) as usize).min(CHUNK);
            work.bound(self, next, count, noise_v, spare_v, start_s);
            // The most promising ones first: then few others are left to compute.
            let best = |bounds: &[f64]| (0..count).max_by(|a, b| bounds[*a].total_cmp(&bounds[*b])).unwrap_or(0);
            let promising = [best(&work.above_v), best(&work.below_v)];
            for k in promising.into_iter().chain(0..count) {
                if work.above_v[k] >= self.high || work.below_v[k] >= -self.low {
                    let at = next + k as i64;
                    // A sample on a border may be counted to either side of it.
                    let from = if at == start { first } else { self.border(at).max(first) };
                    let to = if at == last { end } else { self.border(at + 1).min(end) };
                    (from..to).for_each(|sample| self.look(sample));
                    (work.above_v[k], work.below_v[k]) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
                }
            }
            next += count as i64;
        }
    }
}

impl Work {
    fn new() -> Self {
        Self { tones: Vec::new(), above_v: [0.0; CHUNK], below_v: [0.0; CHUNK] }
    }

    /// Bounds of the intervals from `first` on, for tones that started at `start_s`.
    fn bound(&mut self, bin: &mut Bin<'_, '_>, first: i64, count: usize, noise_v: f64, spare_v: f64, start_s: f64) {
        let (above_v, below_v) = (&mut self.above_v[..count], &mut self.below_v[..count]);
        for (k, (above, below)) in above_v.iter_mut().zip(below_v.iter_mut()).enumerate() {
            let (left, right) = if noise_v > 0.0 { bin.noise.interval(first + k as i64) } else { (0.0, 0.0) };
            *above = noise_v * arc(left, right) + spare_v;
            *below = noise_v * arc(-left, -right) + spare_v;
        }
        let middle_s = (first as f64 + 0.5) * NOISE_GRID_S - start_s;
        for tone in &self.tones {
            add_crests(tone, bin.gain, middle_s, above_v, below_v);
        }
    }
}

/// What noise of unit variance reaches at most between two values of its grid: it goes along a quarter of a circle
/// from one to the other (see `Noise::at`), and only between two positive ones lies a crest.
fn arc(left: f64, right: f64) -> f64 {
    // Without a branch: signs of noise cannot be foretold.
    let over = |v: f64| if v > 0.0 { v } else { 0.0 };
    let greater = if left > right { left } else { right };
    (over(left) * over(left) + over(right) * over(right)).sqrt() + (greater - over(greater))
}

/// Adds what a tone reaches at most, upwards and downwards, in the intervals of the grid from that whose middle
/// lies so long after the start of its run.
fn add_crests(tone: &Tone, gain: f64, middle_s: f64, above_v: &mut [f64], below_v: &mut [f64]) {
    let amplitude_v = gain * tone.amplitude_v;
    let Some(hz) = tone.hz else {
        above_v.iter_mut().chain(below_v).for_each(|bound| *bound += amplitude_v);
        return;
    };
    let (phase, step, half) = (turned(tone.phase + hz * middle_s), hz * NOISE_GRID_S, 0.5 * hz * NOISE_GRID_S);
    // The parabola through crest and zeros lies over the cosine between these.
    let crest = |away: f64| {
        let nearest = if away > half { away - half } else { 0.0 };
        let share = 1.0 - 16.0 * nearest * nearest;
        if share > 0.0 { amplitude_v * share } else { 0.0 }
    };
    for (k, (above, below)) in above_v.iter_mut().zip(below_v).enumerate() {
        let away = turned(phase + step * f64::from(k as u32)).abs();
        *above += crest(away);
        *below += crest(0.5 - away);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_tone_passes_its_bound() {
        for k in 0..4000 {
            let at_s = f64::from(k) * 1.7e-9;
            let tone = Tone { amplitude_v: 0.5, phase: 0.3, hz: Some(4.1e6) };
            let (mut above_v, mut below_v) = ([0.0], [0.0]);
            add_crests(&tone, 2.0, at_s, &mut above_v, &mut below_v);
            let ([above_v], [below_v]) = (above_v, below_v);
            for part in [-1.0, -0.4, 0.0, 0.3, 1.0] {
                let volts = (core::f64::consts::TAU * (0.3 + 4.1e6 * (at_s + part * NOISE_GRID_S / 2.0))).cos();
                assert!(volts <= above_v + 1e-9 && -volts <= below_v + 1e-9, "{k} {part}: {volts} {above_v} {below_v}");
            }
        }
    }
}
