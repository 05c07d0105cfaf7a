//! The neighbouring track: what a head reads of it where it leaves its own, and what that does to peaks.
//!
//! A head no wider than its track that keeps the share `l` of its level because it lies aside reads `1 - l` of a pitch of
//! the neighbour. The azimuth keeps little of that at the carrier and much at the colour-under frequency: by
//! [`azimuth_envelope_db`](tapewright_formats::losses::azimuth_envelope_db) over that width. With `r` the neighbour's
//! amplitude over the own one:
//!
//! * *Colour* of both tracks has one frequency and a phase between that turns from line to line (colour-under phases
//!   rotate against each other, from memory). The mean of `|1 + r exp(i phi)|` over phases is `1 + r^2 / 4`, for `r > 1`
//!   `r + 1 / (4 r)`; a window that holds two lines shows the greater of two phases, `0.55 r` more (mean of half the
//!   difference, between quarter and half turns). Where lines do not lie side by side, bars of a picture meet other hues
//!   each, and the greatest of several shows (`beat`). Upon a colour of the share `s` of the reading that is `s` times as much.
//! * *Carriers* of recorders differ by thousands of hertz, so their beat is at any phase from line to line. Where the lines
//!   of neighbours lie side by side (R6 and the half line between fields make whole lines), both are at one frequency
//!   together, and their beat goes round about once in a line or not at all. A line's greatest is then the greatest of
//!   what it holds, each at its own phase of the beat: tip, porches and picture, or the bars of a picture in colour, of
//!   which several are nearly as high. `beat` adds these phase by phase. Elsewhere the neighbour's carrier lies at
//!   another frequency, the beat goes round within a tip, and its whole height shows. The level's definition
//!   adds the carriers' powers: that part is no error.
//!
//! Level may be lost in other ways than aside (contact, dirt), and then there is no neighbour: so what is added
//! lies from nothing to twice what these formulas give, and anything between is as likely. Nothing is no rare case: an even
//! picture, recorded by one recorder, keeps both carriers at one phase all along a line, and no place of it shows more.
//!
//! *Heads wider than their tracks* read both neighbours on track too, each by what the head is wider at that side; as do heads
//! that recorded the tape themselves, since the next scan cuts what the former wrote down to a pitch. How wide a head is
//! is not known, and it is each head's own: between none and half of `WIDER` at each side everything is possible. Both beats
//! seldom stand at their crest together, and count by the root of the sum of their squares. A level is given for a head
//! as wide as its track; what another one reads besides is uncertain, and cancels in ratios of one head's levels.

use crate::beat::Beats;
use crate::estimate::Contribution;
use tapewright_formats::Format;
use tapewright_formats::losses::{azimuth_x, sinc, wavelength_um};
use tapewright_formats::relations::{line_shift, pitch_um, writing_speed_m_s};

/// What a format says about the neighbouring track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beside {
    /// Argument of the azimuth loss over a whole pitch, at sync tip.
    pub carrier_x: f64,
    /// The same at the colour-under carrier.
    pub colour_x: f64,
    /// The lines of neighbours lie side by side.
    pub aligned: bool,
    /// What their beat adds then.
    beats: Beats,
}

/// How far the level has fallen, and how the reading was taken.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Left {
    /// Reading over the greatest of the scan.
    pub(crate) level: f64,
    /// Share of the windows that hold a place of the line twice.
    pub(crate) twice: f64,
    /// How surely the greatest of a line with a picture is colour upon the carrier, 0 to 1.
    pub(crate) coloured: f64,
}

/// What is added to a reading, relative to it, with standard uncertainties.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Added {
    pub(crate) colour: f64,
    pub(crate) colour_u: f64,
    pub(crate) carrier: f64,
    pub(crate) carrier_u: f64,
}

impl Added {
    /// With the share `part` of another one.
    pub(crate) fn mixed(self, other: Self, part: f64) -> Self {
        let of = |a: f64, b: f64| a + part * (b - a);
        Self {
            colour: of(self.colour, other.colour),
            colour_u: of(self.colour_u, other.colour_u),
            carrier: of(self.carrier, other.carrier),
            carrier_u: of(self.carrier_u, other.carrier_u),
        }
    }
}

/// How much wider than its track a head may be, in pitches, so that no band between tracks is left unwritten (common practice,
/// no source).
pub(crate) const WIDER: f64 = 0.25;

/// Carrier at blanking over that at sync tip: see the lift of noise in [`crate::peaks`].
pub(crate) const AT_BLANKING: f64 = 0.95;

/// Lines are side by side when their sync tips still overlap: within this share of a line.
const SIDE_BY_SIDE: f64 = 0.03;

/// Curve through the lobes of the azimuth loss, as a ratio.
fn kept(x: f64) -> f64 {
    if x > core::f64::consts::FRAC_PI_2 { x.recip() } else { sinc(x) }
}

/// Of all levels of one head, relative: anything from nothing to `most` is as likely.
fn from_none_to(most: f64) -> Contribution {
    Contribution::rectangular("head wider than its track", 0.5 * most)
}

impl Beside {
    /// Of a format.
    #[must_use]
    pub fn of(format: &Format) -> Self {
        let (pitch, azimuth) = (pitch_um(format), format.azimuth_deg.value);
        let x = |hz: f64| azimuth_x(pitch, azimuth, -azimuth, wavelength_um(writing_speed_m_s(format), hz)).abs();
        // The next field starts half a line apart.
        let shift = line_shift(format) + 0.5;
        Self {
            carrier_x: x(format.fm_sync_hz.value),
            colour_x: x(format.colour_under_hz.value),
            aligned: (shift - shift.round()).abs() < SIDE_BY_SIDE,
            beats: Beats::new(),
        }
    }

    /// What a whole pitch of the neighbour delivers at sync tip, over what a whole own track does.
    #[must_use]
    pub fn whole_pitch(&self) -> f64 {
        kept(self.carrier_x)
    }

    /// By how much the level has fallen at the most, by its definition, where a reading fell by `lost` of itself: a head that
    /// lies aside by `a` pitches has lost `a` and shows up to `r = a kept(a)` of the neighbour upon it.
    pub(crate) fn lost_at_most(&self, lost: f64) -> f64 {
        let neighbour = |aside: f64| aside * kept(self.carrier_x * aside);
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..40 {
            let aside = 0.5 * (low + high);
            if aside - neighbour(aside) < lost { low = aside } else { high = aside }
        }
        (1.0 - (1.0 - high).hypot(neighbour(high))).max(lost)
    }

    /// The neighbour's part of the level by definition (a sum of powers), relative to the own track's, that a filter about
    /// the sync-tip frequency keeps out at the most: nothing where lines lie side by side.
    pub(crate) fn kept_out(&self, level: f64) -> f64 {
        if self.aligned {
            return 0.0;
        }
        let level = level.clamp(0.2, 1.0);
        let r = (1.0 - level) * kept(self.carrier_x * (1.0 - level)) / level;
        r.hypot(1.0) - 1.0
    }

    /// Both neighbours' amplitude over the own one on track, of a head as wide as one may be: of a carrier with the argument
    /// `x` over a pitch.
    fn both_at_most(x: f64) -> f64 {
        let side = 0.5 * WIDER;
        core::f64::consts::SQRT_2 * side * kept(x * side)
    }

    /// By how much a reading about the sync-tip frequency may be off on track because the head is wider than its track: such a
    /// filter keeps out what the level's definition adds.
    pub(crate) fn wide_kept_out(&self) -> Contribution {
        from_none_to(if self.aligned { 0.0 } else { Self::both_at_most(self.carrier_x).hypot(1.0) - 1.0 })
    }

    /// By how much a reading on track that is taken as in [`Self::added`] may be off because the head is wider than its track.
    pub(crate) fn wide(&self, left: Left, bounds: (f64, f64)) -> Contribution {
        let (r, of_colour) = (Self::both_at_most(self.carrier_x), Self::both_at_most(self.colour_x));
        let of_colour = 0.25 * of_colour * of_colour + 0.55 * left.twice.clamp(0.0, 1.0) * of_colour;
        let shown = if self.aligned { self.beats.shown(r, left.coloured, false) } else { r };
        from_none_to((1.0 + shown) / r.hypot(1.0) - 1.0 + 0.5 * (bounds.0 + bounds.1) * of_colour)
    }

    /// What the neighbour adds to a reading of which colour makes a share within `bounds`; in `plain` lines, without a
    /// picture, the carrier stands at blanking all along, and its beat goes round there.
    ///
    /// `twice` counts windows that touch a place of the line twice: a tip or a patch that a window's end cuts shows all
    /// the same.
    pub(crate) fn added(&self, left: Left, bounds: (f64, f64), plain: bool) -> Added {
        let level = left.level.clamp(0.2, 1.0);
        let aside = 1.0 - level;
        let twice = left.twice.clamp(0.0, 1.0);
        let r = aside * kept(self.colour_x * aside) / level;
        let mean = if r < 1.0 { r * r / 4.0 } else { r + 0.25 / r - 1.0 };
        let of_one = mean + 0.55 * twice * r.min(1.0);
        let of_colour = if plain || self.aligned { of_one } else { self.beats.of_colours(r).max(of_one) };
        let (share, share_u) = (0.5 * (bounds.0 + bounds.1), 0.5 * (bounds.1 - bounds.0) / 3.0_f64.sqrt());
        let r = aside * kept(self.carrier_x * aside) / level;
        // Elsewhere no more than the whole height can show.
        let shown = if self.aligned { self.beats.shown(r, left.coloured, plain) } else { 0.5 * r };
        Added {
            colour: of_colour * share,
            colour_u: of_colour * (share / 3.0_f64.sqrt()).hypot(share_u),
            carrier: (1.0 + shown) / r.hypot(1.0) - 1.0,
            carrier_u: shown / 3.0_f64.sqrt(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_formats::formats;

    #[test]
    fn lines_lie_side_by_side_where_the_format_was_made_so() {
        for (name, want) in [
            ("vhs-525-sp", true),
            ("vhs-625-sp", true),
            ("vhs-525-ep", true),
            ("vhs-525-lp", false),
            ("vhs-625-lp", false),
        ] {
            let format = formats().iter().find(|f| f.name == name).unwrap();
            assert_eq!(Beside::of(format).aligned, want, "{name}: {}", line_shift(format));
        }
    }

    /// Two carriers and two colours, added phase by phase: the formula gives the mean of the greater of two lines.
    #[test]
    fn the_formula_is_the_mean_over_phases() {
        let beside = Beside::of(&formats()[0]);
        let mut noise = crate::extremes::Noise::new(9);
        for level in [0.9, 0.7, 0.5] {
            let aside = 1.0 - level;
            let r = aside * kept(beside.colour_x * aside) / level;
            let length = |phase: f64| (1.0 + r * phase.cos()).hypot(r * phase.sin());
            let trials = 20_000;
            let sum: f64 = (0..trials)
                .map(|_| {
                    let phase = core::f64::consts::TAU * noise.uniform();
                    // Half turns from line to line; a quarter of the windows hold two lines.
                    let (one, two) = (length(phase), length(phase + core::f64::consts::PI));
                    if noise.uniform() < 0.25 { one.max(two) } else { one }
                })
                .sum();
            let got = beside.added(Left { level, twice: 0.25, coloured: 0.0 }, (1.0, 1.0), false).colour;
            let want = sum / f64::from(trials) - 1.0;
            assert!((got / want - 1.0).abs() < 0.2, "{level}: {got}, {want}");
        }
        let on_track = beside.added(Left { level: 1.0, twice: 0.3, coloured: 1.0 }, (0.0, 0.2), true);
        assert!(on_track.colour.abs() < 1e-12 && on_track.carrier.abs() < 1e-12, "{on_track:?}");
    }

    /// Heads up to as wide as they may be read both neighbours on track. Where their lines lie elsewhere both beats go round
    /// within a tip, and nearly its whole height shows: two heads' balance by the greatest of tips is off by no more than granted.
    #[test]
    fn a_wide_head_reads_no_more_than_is_granted() {
        let mut noise = crate::extremes::Noise::new(12);
        for name in ["vhs-525-lp", "vhs-625-lp", "beta-525-ii", "beta-625"] {
            let beside = Beside::of(tapewright_formats::format_named(name).unwrap());
            assert!(!beside.aligned, "{name}");
            let wide = beside.wide(Left { level: 1.0, twice: 0.2, coloured: 0.0 }, (0.0, 0.0));
            // Two heads of a width each: their balance with its share, and without it.
            let (mut held, mut bare) = (0, 0);
            for _ in 0..200 {
                let mut reads = || {
                    let side = 0.5 * WIDER * noise.uniform();
                    // As the simulator has it, a root in place of lobes.
                    let r = side / (1.0 + (beside.carrier_x * side).powi(2)).sqrt();
                    let lines = 60;
                    let shown: f64 = (0..lines)
                        .map(|_| {
                            let mut turns = || core::f64::consts::TAU * (0.2e6 + 0.8e6 * noise.uniform());
                            let speeds = [turns(), -turns()];
                            let from = [0, 1].map(|_| core::f64::consts::TAU * noise.uniform());
                            let at = |t: f64, i: usize| (from[i] + speeds[i] * t).sin_cos();
                            (0..24)
                                .map(|i| {
                                    let t = 4.7e-6 * f64::from(i) / 23.0;
                                    let (a, b) = (at(t, 0), at(t, 1));
                                    (1.0 + r * (a.1 + b.1)).hypot(r * (a.0 + b.0))
                                })
                                .fold(0.0, f64::max)
                        })
                        .sum();
                    shown / f64::from(lines) / (1.0 + 2.0 * r * r).sqrt()
                };
                let error = (reads() / reads()).ln();
                let u = wide.standard_uncertainty * core::f64::consts::SQRT_2;
                held += i32::from(error.abs() < 1.96 * u);
                bare += i32::from(error.abs() < 0.004);
            }
            assert!(held >= 170 && bare < 100, "{name}: {held}, {bare} without of 200");
        }
    }

    /// A filter about the sync-tip frequency keeps out of a wide head's level what lies elsewhere, and nothing where lines lie
    /// side by side.
    #[test]
    fn a_filter_keeps_out_what_a_wide_head_reads_elsewhere() {
        let of = |name: &str| Beside::of(tapewright_formats::format_named(name).unwrap()).wide_kept_out();
        let (apart, together) = (of("beta-525-ii"), of("vhs-625-sp"));
        assert!(apart.standard_uncertainty > 0.0005 && together.standard_uncertainty == 0.0, "{apart:?} {together:?}");
    }
}
