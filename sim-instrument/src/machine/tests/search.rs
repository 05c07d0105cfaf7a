//! Extremes that are searched for are those of every sample, bit for bit.

use super::super::Machine;
use super::super::config::{MachineConfig, Picture};
use super::{config, running};
use crate::source::{Point, Source};
use tapewright_formats::{Mode, Signal};

const RF: Point = Point::Signal(Signal::Rf);
const BAND_HZ: f64 = 60e6;

#[track_caller]
fn check(name: &str, machine: &mut Machine, t0_s: f64, dt_s: f64, underlying_s: f64, bins: usize) {
    let mut every = vec![(0.0, 0.0); bins];
    machine.brute(RF, t0_s, dt_s, underlying_s, BAND_HZ, &mut every);
    let mut found = vec![(0.0, 0.0); bins];
    machine.extremes(RF, t0_s, dt_s, underlying_s, BAND_HZ, &mut found);
    for (i, (every, found)) in every.iter().zip(&found).enumerate() {
        let same = every.0.to_bits() == found.0.to_bits() && every.1.to_bits() == found.1.to_bits();
        assert!(same, "{name}, bin {i} of {dt_s} s: {found:?} instead of {every:?}");
    }
}

/// A machine, its clock at play, by what is changed in the ordinary one.
fn case(format: &str, change: impl Fn(&mut MachineConfig)) -> (Machine, f64) {
    let mut setup = config("ordinary");
    setup.format = format.into();
    change(&mut setup);
    running(setup, 21, Mode::Play)
}

#[test]
fn searched_extremes_are_those_of_every_sample() {
    type Change = fn(&mut MachineConfig);
    let cases: [(&str, &str, Change); 8] = [
        ("bars", "vhs-525-sp", |_| {}),
        ("grey", "vhs-625-sp", |c| c.tapes.get_mut("ordinary").unwrap().picture = Picture::Grey),
        ("no noise", "vhs-525-sp", |c| c.rf.noise_v = 0.0),
        ("noisy", "vhs-625-sp", |c| c.rf.noise_v = 0.02),
        ("a weak head", "vhs-525-sp", |c| {
            c.rf.noise_v = 0.02;
            c.head_b.gain = 0.05;
        }),
        ("between tracks", "vhs-525-sp", |c| {
            c.tracking.offset_pitch = 0.6;
            c.head_a.width_um = Some(70.0);
        }),
        ("many tracks", "vhs-525-ep", |c| c.head_a.width_um = Some(40.0)),
        ("pilots", "8mm-625-sp", |_| {}),
    ];
    for (name, format, change) in cases {
        let (mut machine, t0_s) = case(format, change);
        // A frame in 1,250 pairs would take long; these go over a switching edge, and over many starts of lines.
        check(name, &mut machine, t0_s, 0.034 / 1250.0, 1e-8, 320);
        check(name, &mut machine, t0_s + 0.012, 5.003e-6, 1e-8, 1200);
        check(name, &mut machine, t0_s + 0.003, 4.1e-4, 5e-9, 6);
        // Uneven ones, as a scope's own time base makes them.
        check(name, &mut machine, t0_s + 0.1, 13.6e-6 * 1.000_037, 1e-8 * 1.000_037, 300);
        // A few samples a bin.
        check(name, &mut machine, t0_s + 0.2, 3e-7, 2e-8, 900);
    }
}

#[test]
fn the_machine_at_rest_and_in_still() {
    for mode in [Mode::Stop, Mode::Still] {
        let (mut machine, t0_s) = running(config("ordinary"), 5, mode);
        check(mode.as_str(), &mut machine, t0_s, 13.6e-6, 1e-8, 600);
    }
}
