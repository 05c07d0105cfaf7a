//! Heights and contact of made curves, whose truth is known.

use super::overlap::Same;
use super::*;
use crate::colour::ColourPart;
use crate::curve::flatness;
use tapewright_formats::definitions::{ENTRANCE, EXIT};

mod far;
mod hidden;

/// A head as wide as its track, on a bent path, with a contact of its own: straight from the overlap.
fn curve(offset: f64, bend: impl Fn(f64) -> f64, contact: impl Fn(f64) -> f64) -> HeadCurve {
    let at = |k: usize| (k as f64 + 0.5) / SEGMENTS as f64;
    let level = |k: usize| 0.2 * contact(at(k)) * (1.0 - (offset + bend(at(k))).abs()).max(0.0);
    HeadCurve {
        median_v: core::array::from_fn(level),
        standard_error_v: [0.0005; SEGMENTS],
        shape_dof: Some(100.0),
        segment_dof: 20.0,
        mean_error_v: 0.0002,
        mean_dof: Some(7.0),
        shared: vec![crate::curve::Shared {
            name: "lift of noise",
            spread: crate::estimate::Spread::Normal,
            by_v: [0.0002; SEGMENTS],
            own: false,
        }],
        common: Vec::new(),
        of_head: Vec::new(),
        shape_u: 0.0,
        colour: ColourPart::beside_amplitude(0.316),
        noise_v: 0.002,
        frames: 8,
    }
}

/// What a head as wide as its pitch keeps beside its track, in decibels: `20 log10(1 - d/P)`, the first-order overlap model
/// (computed).
#[test]
fn mistracking_costs_what_the_overlap_says() {
    let none = [0.0; SEGMENTS];
    let levels = Levels {
        plus: none,
        minus: none,
        centre: 1.0,
        reach: 1.0,
        same: Same::Nothing,
        beyond: false,
        lacking: [false; SEGMENTS],
    };
    for (pitches, db) in [(0.0, 0.0), (0.10, -0.92), (0.25, -2.50), (0.30, -3.10), (0.50, -6.02)] {
        for side in [pitches, -pitches] {
            let got = 20.0 * levels.overlap(side).log10();
            assert!((got - db).abs() <= 0.005, "{side} pitches: {got} dB, expected {db}");
        }
        let aside = levels.aside(10_f64.powf(db / 20.0));
        assert!((aside - pitches).abs() <= 6e-4, "{db} dB: {aside} pitches, expected {pitches}");
    }
}

fn bent(entrance: f64, exit: f64) -> impl Fn(f64) -> f64 + Copy {
    move |x: f64| {
        let fade = |share: f64| (1.0 - share / 0.4).max(0.0).powi(2);
        entrance * fade(x) + exit * fade(1.0 - x)
    }
}

#[track_caller]
fn check(entrance: f64, exit: f64, dip: f64, sides: (f64, f64)) {
    const PITCH_UM: f64 = 58.0;
    let bend = bent(entrance, exit);
    let contact = move |x: f64| 1.0 - dip * (-((x - 0.85) / 0.07).powi(2) / 2.0).exp();
    let [centre, plus, minus] = [0.0, sides.0, -sides.1].map(|offset| curve(offset, bend, contact));
    let errors = guide_ends(&Places { centre: &centre, plus: &plus, minus: &minus, apart: None }, PITCH_UM).unwrap();
    let truth = |range: core::ops::Range<usize>| {
        let n = range.len() as f64;
        range.map(|k| bend((k as f64 + 0.5) / SEGMENTS as f64)).sum::<f64>() / n * PITCH_UM
    };
    for (name, estimate, range) in [("entrance", errors.entrance, ENTRANCE), ("exit", errors.exit, EXIT)] {
        let estimate = estimate.unwrap();
        let want = truth(range) - truth(MIDDLE);
        let inside = estimate.interval.low <= want && want <= estimate.interval.high;
        assert!(inside && (estimate.value - want).abs() < 0.6, "{name}: {want} um, {estimate:?}");
    }
    let smooth = smoothed(&core::array::from_fn(|k| contact((k as f64 + 0.5) / SEGMENTS as f64)));
    let least = smooth.iter().fold(f64::MAX, |l, v| l.min(*v));
    let kept = errors.contact.unwrap().kept;
    assert!((kept.value - least).abs() < 0.02, "{least}, {kept:?}");
}

#[test]
fn a_tilt_that_mirrors_is_height_with_its_sign() {
    for (entrance, exit) in [(0.0, 0.0), (0.3, 0.0), (-0.3, 0.0), (0.0, 0.25), (0.1, -0.4), (0.5, 0.5)] {
        check(entrance, exit, 0.0, (0.4, 0.4));
    }
}

#[test]
fn the_same_dip_on_both_sides_is_contact() {
    check(0.0, 0.0, 0.5, (0.4, 0.4));
    check(0.2, 0.0, 0.4, (0.4, 0.4));
    check(0.0, -0.2, 0.4, (0.4, 0.4));
}

/// A dip that keeps 0.64 of the carrier in a picture in full colour shows 0.71 (computed by the formula in [`crate::colour`]): the
/// interval reaches down to it, and no further up.
#[test]
fn a_dip_may_be_deeper_than_colour_shows() {
    let shown = (0.64 + 0.316 * 0.64_f64.powf(0.11)) / 1.316;
    let contact = |x: f64| if (0.7..0.9).contains(&x) { shown } else { 1.0 };
    let [centre, plus, minus] = [0.0, 0.4, -0.4].map(|offset| curve(offset, |_| 0.0, contact));
    let errors = guide_ends(&Places { centre: &centre, plus: &plus, minus: &minus, apart: None }, 58.0).unwrap();
    let got = errors.contact.unwrap().kept;
    assert!(got.interval.low < 0.64 && got.interval.high < shown + 0.02, "{got:?}");
    let flat = flatness(&centre).unwrap();
    assert!(flat.interval.low < 0.64 && flat.interval.high < shown + 0.02, "{flat:?}");
}

#[test]
fn sides_need_not_be_equal() {
    check(0.3, -0.2, 0.3, (0.3, 0.5));
    check(-0.3, 0.2, 0.0, (0.55, 0.25));
}

/// By the overlap of a head of this width with its track, and with the next one of its azimuth: as powers, or at the crest of
/// their beat.
fn of_width((width, crest): (f64, bool), offset: f64, bend: impl Fn(f64) -> f64) -> HeadCurve {
    let mut curve = curve(0.0, |_| 0.0, |_| 1.0);
    let of = |x: f64| (0.5 * (1.0 + width) - x.abs()).clamp(0.0, 1.0);
    let both = |own: f64, next: f64| if crest { own + next } else { own.hypot(next) };
    let level = |x: f64| 0.2 * both(of(x), of(2.0 - x.abs()));
    curve.median_v = core::array::from_fn(|k| level(offset + bend((k as f64 + 0.5) / SEGMENTS as f64)));
    curve
}

/// Heads up to 1.6 tracks wide, turned until the level is 60 %.
#[test]
fn heights_hold_for_wide_heads() {
    let widths = [1.0, 1.1, 1.2, 1.3, 1.45, 1.6];
    for (width, crest) in widths.into_iter().flat_map(|width| [(width, false), (width, true)]) {
        for setting in [0.0, 0.12, 0.3, 0.52, 0.7, -0.12, -0.3, -0.52, -0.7] {
            let bend = bent(setting, 0.0);
            let side = 0.5 * (1.0 + width) - 0.6;
            let [centre, plus, minus] = [0.0, side, -side].map(|offset| of_width((width, crest), offset, bend));
            let places = Places { centre: &centre, plus: &plus, minus: &minus, apart: Some(2.0 * side) };
            let errors = guide_ends(&places, 58.0).unwrap();
            let want = 58.0 * ENTRANCE.map(|k| bend((k as f64 + 0.5) / SEGMENTS as f64)).sum::<f64>() / 3.0;
            let got = errors.entrance.unwrap();
            let inside = got.interval.low <= want && want <= got.interval.high;
            assert!(inside, "{width} tracks, {setting}: {want} um, {got:?}");
            assert!((errors.reach - 0.5 * (1.0 + width)).abs() < 0.03, "{width}: {}", errors.reach);
            // A guide that is about right, or a head hardly wider than its track, is told as narrowly as ever.
            let narrow = (width <= 1.45 && setting.abs() <= 0.12) || (width <= 1.1 && setting.abs() <= 0.3);
            let span = got.interval.high - got.interval.low;
            assert!(!narrow || span < 2.0, "{width} tracks, {setting}: {got:?}");
        }
    }
}

/// The screw was turned since the level at centre was taken.
#[test]
fn while_a_guide_is_turned_the_sides_alone_tell_its_height() {
    let before = curve(0.0, bent(0.0, -0.6), |_| 1.0);
    let [plus, minus] = [0.4, -0.4].map(|offset| curve(offset, bent(0.0, 0.1), |_| 1.0));
    let places = Places { centre: &before, plus: &plus, minus: &minus, apart: Some(0.8) };
    let exit = guide_errors(&places, 58.0).unwrap().exit;
    assert!((exit.value - 58.0 * 0.0675).abs() < 0.3, "{exit:?}");
    assert!(guide_ends(&places, 58.0).unwrap().exit.is_err());
}

#[test]
fn a_side_that_is_none_is_refused() {
    let flat = curve(0.0, |_| 0.0, |_| 1.0);
    let far = curve(0.8, |_| 0.0, |_| 1.0);
    let near = curve(0.4, |_| 0.0, |_| 1.0);
    for (plus, minus) in [(&flat, &near), (&near, &far)] {
        let places = Places { centre: &flat, plus, minus, apart: None };
        assert!(matches!(guide_ends(&places, 58.0), Err(MeasureError::BadParameter { .. })));
    }
}
