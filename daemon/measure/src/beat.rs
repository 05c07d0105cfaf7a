//! What beats add to the greatest of a line: that of two carriers where neighbours' lines lie side by side, that of two colours
//! where they do not.
//!
//! Both carriers are at nearly one frequency all along a line, so their sum is `|1 + r exp(i phi)|` of the own one, with a phase
//! that turns evenly: recorders differ by thousands of hertz (from memory), a turn a line at the most or thereabouts.
//! The greatest of a window is the greatest of what its places show, each at its own phase. The mean is taken over the
//! first phase, over the turns in a line (evenly from none to one) and over where in a line the window begins.
//!
//! Colours of both tracks have one frequency. Side by side they have one hue as well, and one phase between them all along a
//! line; elsewhere each bar of the own line meets another hue of the neighbour's, at a phase of its own, and the greatest is
//! the greatest of several bars.

use crate::beside::AT_BLANKING;
use crate::picture::{BAR, NEXT_BARS};

/// Ratios of amplitudes that are tabulated, this far apart.
const STEP: f64 = 0.05;
const RATIOS: usize = 17;
/// First phases, turns in a line, beginnings.
const MEANS: (usize, usize, usize) = (8, 5, 6);
/// Ratios of colours, this far apart: a neighbour's may be the greater.
const COLOUR_STEP: f64 = 0.1;
/// Phases between two colours, over half a turn: the other half is its mirror.
const PHASES: usize = 6;
/// Length of a window in lines: whole bins, a line at least.
const WINDOW: f64 = 1.2;

/// A place of a line: where, its amplitude over the greatest of the line, and the carrier's part of that.
#[derive(Clone, Copy)]
struct Place {
    at: f64,
    height: f64,
    carrier: f64,
}

const fn bare(at: f64, height: f64) -> Place {
    Place { at, height, carrier: height }
}

/// Sync tip, porches, and a picture that falls from near blanking to white.
fn picture() -> Vec<Place> {
    let porches = [0.09, 0.13, 0.97].map(|at| bare(at, AT_BLANKING));
    let rest = (0..10).map(|i| bare(0.2 + 0.08 * f64::from(i), 0.93 - 0.018 * f64::from(i)));
    tip().into_iter().chain(porches).chain(rest).collect()
}

/// A line of field blanking.
fn blanked() -> Vec<Place> {
    tip().into_iter().chain((0..11).map(|i| bare(0.1 + 0.08 * f64::from(i), AT_BLANKING))).collect()
}

fn tip() -> [Place; 2] {
    [bare(0.0, 1.0), bare(0.06, 1.0)]
}

/// The highest bars of a picture in colour, which lie somewhere in the line: begin and end of each.
fn coloured() -> Vec<Place> {
    let bars = [0.3, 0.52, 0.63, 0.19];
    let ends =
        |(at, height): (f64, f64)| [at, at + 0.06].map(|at| Place { at, height, carrier: height * (1.0 - BAR.0) });
    bars.into_iter().zip(NEXT_BARS).flat_map(ends).collect()
}

/// Mean greatest of a window less what it is without a neighbour, over the latter.
fn mean_greatest(places: &[Place], r: f64) -> f64 {
    let (phases, turns, starts) = MEANS;
    let of = |i: usize, n: usize| (i as f64 + 0.5) / n as f64;
    let mut sum = 0.0;
    for start in 0..starts {
        let from = of(start, starts);
        let seen: Vec<Place> = (0..3)
            .flat_map(|line| places.iter().map(move |place| Place { at: place.at + f64::from(line), ..*place }))
            .filter(|place| place.at >= from && place.at <= from + WINDOW)
            .collect();
        for turn in 0..turns {
            for phase in 0..phases {
                let shows = |place: &Place| {
                    let phi = core::f64::consts::TAU * (of(phase, phases) + of(turn, turns) * place.at);
                    place.height + place.carrier * ((1.0 + 2.0 * r * phi.cos() + r * r).sqrt() - 1.0)
                };
                sum += seen.iter().map(shows).fold(0.0, f64::max);
            }
        }
    }
    sum / (phases * turns * starts) as f64 - 1.0
}

/// Mean greatest of the highest bars, each at a phase of its own, less what it is without a neighbour's colour, over the colour.
fn mean_of_colours(r: f64) -> f64 {
    let lengths: [f64; PHASES] = core::array::from_fn(|i| {
        let phi = core::f64::consts::PI * (i as f64 + 0.5) / PHASES as f64;
        (1.0 + 2.0 * r * phi.cos() + r * r).sqrt() - 1.0
    });
    let all = PHASES.pow(NEXT_BARS.len() as u32);
    let greatest = |number: usize| {
        let phase = |bar: usize| number / PHASES.pow(bar as u32) % PHASES;
        let shows = |(bar, height): (usize, f64)| height + BAR.0 * lengths[phase(bar)];
        NEXT_BARS.into_iter().enumerate().map(shows).fold(0.0, f64::max)
    };
    ((0..all).map(greatest).sum::<f64>() / all as f64 - 1.0) / BAR.0
}

/// Tables over the ratio of the neighbour's amplitude to the own one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Beats {
    picture: [f64; RATIOS],
    coloured: [f64; RATIOS],
    blanked: [f64; RATIOS],
    colours: [f64; RATIOS],
}

impl Beats {
    pub(crate) fn new() -> Self {
        let table = |places: Vec<Place>| core::array::from_fn(|i| mean_greatest(&places, STEP * i as f64));
        let colours = core::array::from_fn(|i| mean_of_colours(COLOUR_STEP * i as f64));
        Self { picture: table(picture()), coloured: table(coloured()), blanked: table(blanked()), colours }
    }

    /// What the neighbour's colour adds to the greatest of several bars, over the own colour, at a ratio of both.
    pub(crate) fn of_colours(&self, r: f64) -> f64 {
        between(&self.colours, r / COLOUR_STEP)
    }

    /// What is added at a ratio, in lines whose greatest is as surely colour as `coloured` says, or in lines of field
    /// blanking.
    pub(crate) fn shown(&self, r: f64, coloured: f64, blanked: bool) -> f64 {
        let of = |table: &[f64; RATIOS]| between(table, r / STEP);
        if blanked {
            return of(&self.blanked);
        }
        let (bare, bars) = (of(&self.picture), of(&self.coloured));
        bare + coloured.clamp(0.0, 1.0) * (bars - bare)
    }
}

fn between(table: &[f64; RATIOS], place: f64) -> f64 {
    let place = place.clamp(0.0, (RATIOS - 1) as f64);
    let below = (place as usize).min(RATIOS - 2);
    table[below] + (place - below as f64) * (table[below + 1] - table[below])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against bars at phases drawn at random.
    #[test]
    fn the_greatest_of_several_bars_shows_more_than_one_of_them() {
        let beats = Beats::new();
        assert!(beats.of_colours(0.0).abs() < 1e-9);
        let mut noise = crate::extremes::Noise::new(6);
        for r in [0.2, 0.4, 0.8, 1.3] {
            let trials = 20_000;
            let sum: f64 = (0..trials)
                .map(|_| {
                    let mut shows = |height: f64| {
                        let (sin, cos) = (core::f64::consts::TAU * noise.uniform()).sin_cos();
                        height + BAR.0 * ((1.0 + r * cos).hypot(r * sin) - 1.0)
                    };
                    NEXT_BARS.map(&mut shows).into_iter().fold(0.0, f64::max)
                })
                .sum();
            let (got, want) = (beats.of_colours(r), (sum / f64::from(trials) - 1.0) / BAR.0);
            assert!((got / want - 1.0).abs() < 0.1 && got > 2.0 * (0.25 * r * r).min(0.3 * r), "{r}: {got}, {want}");
        }
    }

    #[test]
    fn a_beat_adds_nothing_alone_and_never_more_than_its_height() {
        let beats = Beats::new();
        for (coloured, blanked) in [(0.0, false), (1.0, false), (0.0, true)] {
            assert!(beats.shown(0.0, coloured, blanked).abs() < 1e-9);
            let mut before = 0.0;
            for r in [0.05, 0.1, 0.2, 0.4, 0.8] {
                let shown = beats.shown(r, coloured, blanked);
                assert!(shown >= before && shown < r, "{r}: {shown}");
                before = shown;
            }
        }
        // Tips alone show the mean over phases; bars at several phases show more, and so does a line that is even.
        let (bare, bars, even) =
            (beats.shown(0.1, 0.0, false), beats.shown(0.1, 1.0, false), beats.shown(0.1, 0.0, true));
        assert!(bare < 0.06 && bars > 0.02 && even >= bare, "{bare} {bars} {even}");
        assert!(beats.shown(0.02, 0.0, false) < 0.01);
    }

    /// Against sums drawn at random, which know nothing of tables.
    #[test]
    fn the_mean_is_that_of_drawn_lines() {
        let mut noise = crate::extremes::Noise::new(4);
        for r in [0.07, 0.2, 0.4] {
            let trials = 20_000;
            let mut sum = 0.0;
            for _ in 0..trials {
                let (first, turns, from) = (noise.uniform(), noise.uniform(), noise.uniform());
                let mut greatest = 0.0_f64;
                for line in 0..3 {
                    for place in coloured() {
                        let at = place.at + f64::from(line);
                        if at >= from && at <= from + WINDOW {
                            let phi = core::f64::consts::TAU * (first + turns * at);
                            let sum = (1.0 + r * phi.cos()).hypot(r * phi.sin());
                            greatest = greatest.max(place.height + place.carrier * (sum - 1.0));
                        }
                    }
                }
                sum += greatest;
            }
            let (got, want) = (Beats::new().shown(r, 1.0, false), sum / f64::from(trials) - 1.0);
            assert!((got / want - 1.0).abs() < 0.15, "{r}: {got}, {want}");
        }
    }
}
