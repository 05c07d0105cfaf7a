//! Contact so bad, or noise so great, that nothing tells where an end lies: it is not said to have left its track.

use super::curve;
use super::far::{Machine, PITCH_UM, level, over};
use crate::curve::HeadCurve;
use crate::guides::{End, GuideEnds, Places, Untold, guide_ends, guide_errors, is_hidden_at_sides, smoothed};
use tapewright_formats::definitions::SEGMENTS;

/// What is left of the contact along the scan.
#[derive(Debug, Clone, Copy)]
enum Lost {
    /// A dirty spot that takes so much.
    Spot(f64),
    /// The tape is lifted from here on to the exit.
    From(f64),
}

impl Lost {
    fn kept(self, x: f64) -> f64 {
        match self {
            Self::Spot(dip) => 1.0 - dip * (-((x - 0.85) / 0.07).powi(2) / 2.0).exp(),
            Self::From(from) => (1.0 - (x - from).max(0.0) / 0.05).max(0.0),
        }
    }
}

/// Noise of a level over that at centre: what scatters it, and what lifts it where it was not taken off.
#[derive(Debug, Clone, Copy)]
struct Noise {
    scatter: f64,
    lift: f64,
}

/// Evenly between -1 and 1, always the same.
struct Dice(u64);

impl Dice {
    fn throw(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// About a normal deviate.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.throw()).sum::<f64>() / 2.0
    }
}

fn seen(machine: &Machine, lost: Lost, noise: Noise, offset: f64, dice: &mut Dice) -> HeadCurve {
    let full = level(machine.width, 0.0);
    let of = |k: usize| {
        let square = |x: f64| (lost.kept(x) * level(machine.width, offset + machine.bend(x))).powi(2);
        0.2 * ((over(k, square).sqrt() / full).hypot(noise.lift) + noise.scatter * dice.normal())
    };
    HeadCurve {
        median_v: core::array::from_fn(of),
        standard_error_v: [0.2 * noise.scatter; SEGMENTS],
        ..curve(0.0, |_| 0.0, |_| 1.0)
    }
}

fn places(machine: &Machine, lost: Lost, noise: Noise, dice: &mut Dice) -> ([HeadCurve; 3], f64) {
    let side = machine.side(0.6);
    ([0.0, side, -side].map(|offset| seen(machine, lost, noise, offset, dice)), 2.0 * side)
}

fn measured(machine: &Machine, lost: Lost, noise: Noise, dice: &mut Dice) -> GuideEnds {
    let ([centre, plus, minus], apart) = places(machine, lost, noise, dice);
    guide_ends(&Places { centre: &centre, plus: &plus, minus: &minus, apart: Some(apart) }, PITCH_UM).unwrap()
}

const LOST: [Lost; 6] =
    [Lost::Spot(0.9), Lost::Spot(0.95), Lost::Spot(1.0), Lost::From(0.6), Lost::From(0.8), Lost::From(0.9)];

/// A guide within its limits, and contact that leaves next to nothing at its end: whatever is said, nobody is sent to it.
#[test]
fn an_end_without_contact_has_not_left_its_track_and_its_dip_is_seen() {
    let (mut dice, mut hidden) = (Dice(1), 0);
    for (width, lost) in [1.0, 1.1, 1.2, 1.35].into_iter().flat_map(|width| LOST.map(|lost| (width, lost))) {
        for (scatter, lift) in [(0.002, 0.0), (0.01, 0.0), (0.03, 0.0), (0.005, 0.1)] {
            for n in 0..25 {
                let setting = 0.15 * f64::from(n % 5 - 2);
                let machine = Machine { width, setting, fades: 0.4, dip: 0.0 };
                let noise = Noise { scatter, lift };
                let got = measured(&machine, lost, noise, &mut dice);
                let what = format!("{machine:?} {lost:?} {noise:?}");
                match &got.exit {
                    Err(why) => {
                        assert_eq!(*why, Untold::Hidden(End::Exit), "{what}");
                        hidden += 1;
                    }
                    // What noise that was not taken off does to a height is no matter of this test.
                    Ok(height) => {
                        let near = 4.0 * height.standard_uncertainty + 0.02 * PITCH_UM;
                        let is_near = (height.value - machine.height_um()).abs() < near;
                        assert!(lift > 0.0 || is_near, "{what}: {height:?}");
                    }
                }
                // So much noise hides an end without dirt too, now and then, and may leave no more to say of the contact.
                let noisy = scatter > 0.02;
                match &got.entrance {
                    Err(why) => assert!(noisy && *why == Untold::Hidden(End::Entrance), "{what}: {why}"),
                    Ok(height) => assert!(height.value.abs() < 0.1 * PITCH_UM, "{what}: {height:?}"),
                }
                let contact = match got.contact {
                    Some(contact) => contact,
                    None if noisy => continue,
                    None => panic!("{what}: {:?}", got.exit),
                };
                assert_eq!(contact.at_most, got.exit.is_err() || got.entrance.is_err(), "{what}");
                let kept = smoothed(&core::array::from_fn(|k| over(k, |x| lost.kept(x))));
                let least = kept.iter().fold(f64::MAX, |least, kept| least.min(*kept));
                assert!(noisy || contact.kept.interval.high < 0.75, "{what}: {contact:?}");
                assert!(contact.kept.interval.high > least, "{what}: {least}, {contact:?}");
                assert!(noisy || contact.at > 10, "{what}: {contact:?}");
            }
        }
    }
    assert!(hidden > 500, "{hidden}");
}

/// Levels in which noise hides everything prove no dip.
#[test]
fn noise_alone_is_no_dip() {
    let machine = Machine { width: 1.0, setting: 0.0, fades: 0.4, dip: 0.0 };
    let (mut dice, noise) = (Dice(2), Noise { scatter: 0.15, lift: 0.0 });
    let mut hidden = 0;
    for _ in 0..50 {
        let ([centre, plus, minus], apart) = places(&machine, Lost::Spot(0.0), noise, &mut dice);
        let places = Places { centre: &centre, plus: &plus, minus: &minus, apart: Some(apart) };
        // A side whose middle noise moved too far is refused.
        let Ok(got) = guide_ends(&places, PITCH_UM) else { continue };
        for end in [&got.entrance, &got.exit].into_iter().filter_map(|end| end.as_ref().err()) {
            assert!(matches!(end, Untold::Hidden(_)), "{end}");
            hidden += 1;
        }
        assert!(got.contact.is_none_or(|contact| contact.kept.interval.high > 0.75), "a dip that is none");
    }
    assert!(hidden > 50, "{hidden}");
}

/// A guide so far off that the end has left its track is told so beside dirt that noise hides.
#[test]
fn dirt_that_noise_hides_does_not_hide_a_guide_far_off() {
    let (mut dice, noise) = (Dice(3), Noise { scatter: 0.01, lift: 0.0 });
    for (setting, n) in
        [-3.0, -1.5, -1.2, 1.2, 1.5, 3.0].into_iter().flat_map(|setting| (0..10).map(move |n| (setting, n)))
    {
        let machine = Machine { width: 1.0, setting, fades: 0.4, dip: 0.0 };
        let got = measured(&machine, Lost::Spot(0.95), noise, &mut dice);
        assert!(matches!(got.exit, Err(Untold::OffTrack(_))), "{n} {machine:?}: {:?}", got.exit);
        assert!(got.contact.is_none(), "{n} {machine:?}");
    }
}

#[test]
fn while_a_guide_is_turned_noise_at_the_sides_is_no_height() {
    let machine = Machine { width: 1.0, setting: 0.0, fades: 0.4, dip: 0.0 };
    for (lost, want) in [(Lost::Spot(0.0), false), (Lost::Spot(0.5), false), (Lost::From(0.85), true)] {
        let noise = Noise { scatter: 0.01, lift: 0.0 };
        let ([centre, plus, minus], apart) = places(&machine, lost, noise, &mut Dice(4));
        let places = Places { centre: &centre, plus: &plus, minus: &minus, apart: Some(apart) };
        guide_errors(&places, PITCH_UM).unwrap();
        for (end, want) in [(End::Entrance, false), (End::Exit, want)] {
            assert_eq!(is_hidden_at_sides(&places, end, PITCH_UM).unwrap(), want, "{end} {lost:?}");
        }
    }
}
