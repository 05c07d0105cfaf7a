//! Guides that are off by up to three tracks: what is stated holds the truth, and where an end has left its track nothing is.

use super::curve;
use crate::curve::HeadCurve;
use crate::guides::{GuideEnds, Places, Untold, guide_ends, smoothed};
use tapewright_formats::definitions::{EXIT, MIDDLE, SEGMENTS};

pub(super) const PITCH_UM: f64 = 58.0;

/// Looks at each segment: a bend changes the level within it.
const LOOKS: usize = 12;

/// What a head reads of a track of the other azimuth, where a whole pitch of it gives a twentieth (computed: 27 dB at the carrier).
fn crossed(pitches: f64) -> f64 {
    pitches / (22.0 * pitches).hypot(1.0)
}

/// Level of a head of a width, so far aside from the middle of a track of its azimuth: every track that it reaches, as powers.
pub(super) fn level(width: f64, aside: f64) -> f64 {
    let square = |track: i32| {
        let overlap = (0.5 * (1.0 + width) - (aside - f64::from(track)).abs()).clamp(0.0, width.min(1.0));
        if track % 2 == 0 { overlap.powi(2) } else { crossed(overlap).powi(2) }
    };
    let near = aside.round() as i32;
    (near - 3..=near + 3).map(square).sum::<f64>().sqrt()
}

/// The mean over a segment of what changes along the scan.
pub(super) fn over(k: usize, of: impl Fn(f64) -> f64) -> f64 {
    (0..LOOKS).map(|i| of((k as f64 + (i as f64 + 0.5) / LOOKS as f64) / SEGMENTS as f64)).sum::<f64>() / LOOKS as f64
}

/// A machine: its exit bends the path by `setting` pitches, fading to nothing over the share `fades` of the scan, and dirt takes `dip`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Machine {
    pub(super) width: f64,
    pub(super) setting: f64,
    pub(super) fades: f64,
    pub(super) dip: f64,
}

impl Machine {
    pub(super) fn bend(&self, x: f64) -> f64 {
        self.setting * (1.0 - (1.0 - x) / self.fades).max(0.0).powi(2)
    }

    fn contact(&self, x: f64) -> f64 {
        1.0 - self.dip * (-((x - 0.85) / 0.07).powi(2) / 2.0).exp()
    }

    fn seen(&self, offset: f64) -> HeadCurve {
        let square = |x: f64| (self.contact(x) * level(self.width, offset + self.bend(x))).powi(2);
        let of = |k: usize| 0.2 * over(k, square).sqrt() / level(self.width, 0.0);
        HeadCurve { median_v: core::array::from_fn(of), ..curve(0.0, |_| 0.0, |_| 1.0) }
    }

    /// How far aside the middle keeps this share of its level at centre.
    pub(super) fn side(&self, share: f64) -> f64 {
        let falls = |n: &u32| level(self.width, 1e-3 * f64::from(*n)) <= share * level(self.width, 0.0);
        1e-3 * f64::from((0..1000).find(falls).unwrap())
    }

    fn measured(&self, shares: (f64, f64)) -> GuideEnds {
        let sides = (self.side(shares.0), self.side(shares.1));
        let [centre, plus, minus] = [0.0, sides.0, -sides.1].map(|offset| self.seen(offset));
        let apart = Some(sides.0 + sides.1);
        guide_ends(&Places { centre: &centre, plus: &plus, minus: &minus, apart }, PITCH_UM).unwrap()
    }

    pub(super) fn height_um(&self) -> f64 {
        PITCH_UM * EXIT.map(|k| over(k, |x| self.bend(x))).sum::<f64>() / EXIT.len() as f64
    }

    fn least_contact(&self) -> f64 {
        let along = core::array::from_fn(|k| over(k, |x| self.contact(x)));
        let middle = along[MIDDLE].iter().sum::<f64>() / MIDDLE.len() as f64;
        smoothed(&along).iter().fold(f64::MAX, |least, kept| least.min(kept / middle))
    }
}

#[test]
fn whatever_is_stated_of_a_guide_far_off_holds_the_truth() {
    for width in [0.8, 0.9, 1.0, 1.05, 1.1, 1.2, 1.35, 1.6] {
        for (fades, shares) in [(0.4, (0.6, 0.6)), (0.4, (0.5, 0.7)), (0.25, (0.6, 0.6)), (0.25, (0.5, 0.7))] {
            for dip in [0.0, 0.5] {
                // The mean over the exit is so much of the setting, about.
                let most = 3.0 / (1.6 * fades);
                sweep(&Machine { width, setting: most, fades, dip }, shares);
            }
        }
    }
}

fn sweep(most: &Machine, shares: (f64, f64)) {
    for n in -45..=45 {
        // Closer where it matters.
        let share = f64::from(n) / 45.0;
        let machine = Machine { setting: most.setting * share * share.abs(), ..*most };
        let (want, got) = (machine.height_um(), machine.measured(shares));
        let pitches = want / PITCH_UM;
        match &got.exit {
            Ok(height) => {
                // A bend within a segment is not averaged as the level is.
                let (low, high) = (height.interval.low - 0.01 * PITCH_UM, height.interval.high + 0.01 * PITCH_UM);
                assert!((low..=high).contains(&want), "{shares:?} {machine:?}: {want} um, {height:?}");
                assert!(pitches.abs() < 0.65, "{shares:?} {machine:?}: {pitches} pitches");
                let (least, kept) = (machine.least_contact(), got.contact.unwrap().kept);
                let near = (kept.interval.low - 0.03..=kept.interval.high + 0.03).contains(&least);
                assert!(near, "{shares:?} {machine:?}: {least}, {kept:?}");
            }
            Err(off) => {
                assert!(pitches.abs() > 0.3, "{shares:?} {machine:?}: {pitches} pitches can be told");
                assert!(got.contact.is_none(), "{shares:?} {machine:?}");
                assert!(matches!(off, Untold::OffTrack(_)), "{shares:?} {machine:?}: {off:?}");
                assert!(off.low().is_none_or(|low| low == (machine.setting > 0.0)), "{shares:?} {machine:?}: {off:?}");
            }
        }
        let entrance = got.entrance.expect("nothing is wrong there");
        assert!(entrance.interval.low <= 0.0 && entrance.interval.high >= 0.0, "{machine:?}: {entrance:?}");
    }
}

#[test]
fn heights_up_to_half_a_pitch_are_told_with_dirt_beside_them() {
    for width in [1.0, 1.1, 1.2, 1.3, 1.45, 1.6] {
        for dip in [0.0, 0.05, 0.3, 0.6, 0.95, 1.0] {
            for n in -12..=12 {
                let machine = Machine { width, setting: 0.05 * f64::from(n), fades: 0.4, dip };
                let got = machine.measured((0.6, 0.6));
                assert!(got.exit.is_ok() && got.contact.is_some(), "{machine:?}: {got:?}");
            }
        }
    }
}

/// How far off a guide is told which way, for a head as wide as its track: to the end of the sweep.
#[test]
fn the_way_there_says_which_side_the_end_is_on() {
    for setting in [-3.0, -1.5, -1.0, 1.0, 1.5, 3.0] {
        let machine = Machine { width: 1.0, setting, fades: 0.4, dip: 0.0 };
        let off = machine.measured((0.6, 0.6)).exit.unwrap_err();
        assert_eq!(off.low(), Some(setting > 0.0), "{setting}");
    }
}
