//! Least and greatest of RF in bins that hold too many samples to compute one by one.
//!
//! A bin is cut into cells of one carrier amplitude, frequency and colour. Each cell contributes
//! *trials*: the carrier's peaks, each as high as amplitude, sampling instant and colour-under phase
//! make it, plus one Gaussian noise value; where the carrier is weak against the noise, the noise's own
//! grid intervals with Rice's rate of up-crossings. The greatest of all trials has the distribution
//! `P(max <= m) = prod F_i(m)^n_i`, and one number drawn from it is the answer. The draw depends on
//! the bin alone. Trials are treated as independent (good to a few hundredths of the noise: see the test).

use super::random::{CROSSINGS_A_GRID, NOISE_GRID_S, log_upper_tail, uniform};
use super::rf::Cell;
use core::f64::consts::{PI, TAU};
use std::sync::LazyLock;

/// Carrier over noise above which the carrier's peaks are the trials.
const STRONG: f64 = 3.0;

/// Beyond this many standard deviations below the best trial nothing counts.
pub(crate) const REACH: f64 = 9.0;

/// Most steps of level that are told apart.
const MOST_STEPS: usize = 1 << 14;

/// Trials of one height.
#[derive(Debug, Clone, Copy)]
struct Trials {
    height_v: f64,
    /// Peaks with one noise value each.
    peaks: f64,
    /// Grid intervals of noise that runs on between its grid points.
    intervals: f64,
}

/// Draws extremes bin by bin; keeps its buffers.
#[derive(Debug, Default)]
pub(crate) struct Drawer {
    merged: Vec<Cell>,
    /// First cell of each step of level, and from each cell to the next of its step.
    first: Vec<usize>,
    chains: Vec<usize>,
    trials: Vec<Trials>,
    buckets: Vec<Trials>,
}

/// Nodes of a phase that is even from 0 to a most: mean cosine of a piece, and its share.
#[derive(Debug, Clone, Copy)]
struct Nodes {
    nodes: [(f64, f64); 7],
    count: usize,
}

/// Nodes of all phases: finer near 0, where the peaks are.
static WHOLE: LazyLock<Nodes> = LazyLock::new(|| Nodes::up_to(PI));

impl Nodes {
    const ONE: Self = Self { nodes: [(1.0, 1.0); 7], count: 1 };

    /// Up to a few tenths, where the cosine is its first terms.
    fn narrow(most: f64) -> Self {
        let mut nodes = [(1.0, 1.0 / 3.0); 7];
        for (node, share) in nodes.iter_mut().zip([1.0 / 6.0, 0.5, 5.0 / 6.0]) {
            let q = (most * share).powi(2);
            node.0 = 1.0 - q / 2.0 + q * q / 24.0;
        }
        Self { nodes, count: 3 }
    }

    fn up_to(most: f64) -> Self {
        const EDGES: [f64; 8] = [0.0, 0.12, 0.24, 0.38, 0.55, 0.8, 1.2, PI];
        if most < 0.3 {
            return Self::narrow(most);
        }
        let mut nodes = [(1.0, 1.0); 7];
        let mut count = 0;
        for pair in EDGES.windows(2) {
            let (from, to) = (pair[0], pair[1].min(most));
            if to <= from {
                break;
            }
            nodes[count] = ((to.sin() - from.sin()) / (to - from), (to - from) / most);
            count += 1;
        }
        Self { nodes, count }
    }

    fn as_slice(&self) -> &[(f64, f64)] {
        &self.nodes[..self.count]
    }
}

impl Drawer {
    /// Least and greatest of a bin's cells, for samples every `underlying_s`, in noise of `noise_v` RMS.
    pub(crate) fn draw(&mut self, cells: &[Cell], noise_v: f64, underlying_s: f64, bits: [u64; 2]) -> (f64, f64) {
        let best = cells.iter().map(|cell| cell.carrier_v + cell.colour_v).fold(0.0, f64::max);
        let floor = best - REACH * noise_v - 1e-3 * best;
        self.trials.clear();
        let whole = &*WHOLE;
        self.merge(cells, noise_v, floor);
        for cell in &self.merged {
            let (carrier, colour) = (cell.carrier_v, cell.colour_v);
            let samples = cell.span_s / underlying_s;
            let (cycles, most) = if cell.hz > 0.0 {
                let cycles = cell.span_s * cell.hz;
                (cycles.min(samples), (PI * (cycles / samples).min(1.0)).max(1e-6))
            } else {
                (samples, PI)
            };
            let strong = carrier > STRONG * noise_v;
            let (peaks, intervals, most) = if strong {
                (cycles, 0.0, most)
            } else if underlying_s > NOISE_GRID_S {
                (samples, 0.0, PI)
            } else {
                (0.0, cell.span_s / NOISE_GRID_S, PI)
            };
            // Noise tilts a peak and so shifts it: its top gains the square of the noise's slope over twice the
            // carrier's curvature. The slope's variance follows from the rate of crossings (Rice).
            let slope = TAU * CROSSINGS_A_GRID / NOISE_GRID_S;
            let curvature = carrier * (TAU * cell.hz).powi(2);
            let shift_v = if strong && underlying_s < NOISE_GRID_S / 2.0 && noise_v > 0.0 {
                ((noise_v * slope).powi(2) / (2.0 * curvature)).min(0.5 * noise_v)
            } else {
                0.0
            };
            let carrier_nodes = if carrier <= 0.0 {
                Nodes::ONE
            } else if most >= PI {
                *whole
            } else {
                Nodes::up_to(most)
            };
            let colour_nodes = if colour > 0.0 { whole } else { &Nodes::ONE };
            for (cosine, share) in carrier_nodes.as_slice() {
                for (colour_cosine, colour_share) in colour_nodes.as_slice() {
                    let height_v = carrier * cosine + colour * colour_cosine + shift_v;
                    if height_v > floor {
                        let weight = share * colour_share;
                        self.trials.push(Trials { height_v, peaks: peaks * weight, intervals: intervals * weight });
                    }
                }
            }
        }
        if noise_v <= 1e-12 {
            return (-best, best);
        }
        self.gather(noise_v, floor);
        (-self.greatest(noise_v, bits[0]), self.greatest(noise_v, bits[1]))
    }

    /// Puts cells that are nearly alike together: the same bar of the next line, the next sync pulse.
    fn merge(&mut self, cells: &[Cell], noise_v: f64, floor: f64) {
        const NONE: usize = usize::MAX;
        let near_v = (noise_v / 8.0).max(1e-3 * floor.abs()).max(1e-12);
        self.merged.clear();
        self.chains.clear();
        self.first.fill(NONE);
        for cell in cells.iter().filter(|cell| cell.carrier_v + cell.colour_v >= floor) {
            // Cells of one step of carrier level hang on one chain.
            let step = ((cell.carrier_v / near_v) as usize).min(MOST_STEPS - 1);
            if step >= self.first.len() {
                self.first.resize(step + 1, NONE);
            }
            let mut place = self.first[step];
            while place != NONE {
                let other = &self.merged[place];
                if (other.colour_v - cell.colour_v).abs() < near_v && (other.hz - cell.hz).abs() <= 0.02 * cell.hz {
                    break;
                }
                place = self.chains[place];
            }
            if place == NONE {
                self.chains.push(self.first[step]);
                self.first[step] = self.merged.len();
                self.merged.push(*cell);
            } else {
                let other = &mut self.merged[place];
                let (a, b) = (other.span_s, cell.span_s);
                other.span_s = a + b;
                other.carrier_v = (other.carrier_v * a + cell.carrier_v * b) / (a + b);
                other.colour_v = (other.colour_v * a + cell.colour_v * b) / (a + b);
            }
        }
    }

    /// Puts trials of nearly one height together.
    fn gather(&mut self, noise_v: f64, floor: f64) {
        let step = noise_v / 6.0;
        self.buckets.clear();
        for trial in &self.trials {
            let place = ((trial.height_v - floor) / step) as usize;
            if place >= self.buckets.len() {
                self.buckets.resize(place + 1, Trials { height_v: 0.0, peaks: 0.0, intervals: 0.0 });
            }
            let bucket = &mut self.buckets[place];
            let (old, new) = (bucket.peaks + bucket.intervals, trial.peaks + trial.intervals);
            bucket.height_v = (bucket.height_v * old + trial.height_v * new) / (old + new).max(1e-300);
            bucket.peaks += trial.peaks;
            bucket.intervals += trial.intervals;
        }
        self.buckets.retain(|bucket| bucket.peaks + bucket.intervals > 0.0);
    }

    /// `ln P(all trials <= m)`.
    fn log_below(&self, m: f64, noise_v: f64) -> f64 {
        let mut sum = 0.0;
        for bucket in &self.buckets {
            let z = (m - bucket.height_v) / noise_v;
            if bucket.peaks > 0.0 {
                let log_above = log_upper_tail(z);
                // ln(1 - Q): of the near side through the tail, of the far side through symmetry.
                sum += bucket.peaks * if log_above < -0.7 { (-log_above.exp()).ln_1p() } else { log_upper_tail(-z) };
            }
            if bucket.intervals > 0.0 {
                sum -= bucket.intervals
                    * CROSSINGS_A_GRID
                    * (-0.5 * z.max(0.0) * z.max(0.0)).exp()
                    * if z < 0.0 { 1.0 - z } else { 1.0 };
            }
        }
        sum
    }

    /// One number from the distribution of the greatest trial.
    fn greatest(&self, noise_v: f64, bits: u64) -> f64 {
        let target = uniform(bits).ln();
        let top = self.buckets.iter().map(|bucket| bucket.height_v).fold(f64::NEG_INFINITY, f64::max);
        if !top.is_finite() {
            return 0.0;
        }
        let (mut low, mut high) = (top - 4.0 * noise_v, top + 8.0 * noise_v);
        // Secant on ln(-ln F), which is nearly straight, held inside a bracket.
        let value = |m: f64| (-self.log_below(m, noise_v)).max(1e-300).ln() - (-target).ln();
        let (mut f_low, mut f_high) = (value(low), value(high));
        if f_low < 0.0 {
            return low;
        }
        for step in 0..24 {
            let secant = low - f_low * (high - low) / (f_high - f_low);
            let next = if step % 4 == 3 || !(secant > low && secant < high) { 0.5 * (low + high) } else { secant };
            let f = value(next);
            if f.abs() < 2e-3 {
                return next;
            }
            if f > 0.0 {
                (low, f_low) = (next, f);
            } else {
                (high, f_high) = (next, f);
            }
        }
        0.5 * (low + high)
    }
}
