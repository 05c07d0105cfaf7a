//! Sound, supply, dropouts and pilots: what a technician would see at those points.

use super::{config, running};
use crate::machine::config::{AudioConfig, DropoutConfig, HeadConfig, MachineConfig, TapeConfig};
use crate::source::{Point, Source};
use tapewright_formats::pilots::pilots_hz;
use tapewright_formats::{LineStandard, Mode, Signal, TapeKind};

/// Amplitude and phase (cycles) of a frequency in samples, by correlation with whole cycles.
fn part(volts: &[f64], dt_s: f64, hz: f64) -> (f64, f64) {
    let (mut c, mut s) = (0.0, 0.0);
    for (i, v) in volts.iter().enumerate() {
        let turn = core::f64::consts::TAU * hz * i as f64 * dt_s;
        c += v * turn.cos();
        s -= v * turn.sin();
    }
    let n = volts.len() as f64;
    (2.0 * c.hypot(s) / n, s.atan2(c) / core::f64::consts::TAU)
}

fn samples(machine: &mut crate::machine::Machine, signal: Signal, t0_s: f64, dt_s: f64, count: usize) -> Vec<f64> {
    let mut out = vec![0.0; count];
    machine.samples(Point::Signal(signal), t0_s, dt_s, 60e6, &mut out);
    out
}

/// One minute of arc at 6 kHz turns the phase between the tracks by 12.25 degrees on 525 lines (computed from the published
/// formula), and a head that leans takes from the high tone.
#[test]
fn azimuth_turns_the_phase_between_the_tracks() {
    let mut set = config("ordinary");
    set.audio = AudioConfig {
        tone_hz: 6000.0,
        noise_v: 0.0,
        drum_percent: 0.0,
        capstan_percent: 0.0,
        reel_percent: 0.0,
        azimuth_min: 0.0,
        ..AudioConfig::default()
    };
    let (mut machine, t) = running(set, 3, Mode::Play);
    machine.fault("audio-azimuth", "4", t).unwrap();
    let lag = |machine: &mut crate::machine::Machine| {
        let [left, right] = [Signal::AudioLeft, Signal::AudioRight]
            .map(|s| part(&samples(machine, s, t + 1.0, 1e-5, 50_000), 1e-5, 6000.0));
        (360.0 * (left.1 - right.1 - (left.1 - right.1).round()), left.0)
    };
    let (degrees, level) = lag(&mut machine);
    assert!((degrees - 4.0 * 12.25).abs() < 0.1, "{degrees}");
    assert!(level < 0.3 * core::f64::consts::SQRT_2);
    machine.fault("audio-azimuth", "0", t + 2.0).unwrap();
}

#[test]
fn a_tone_at_another_place_and_the_stop() {
    let (mut machine, t) = running(config("ordinary"), 3, Mode::Play);
    machine.fault("audio-tone", "3150", t).unwrap();
    let tone = samples(&mut machine, Signal::AudioLeft, t + 1.0, 1e-5, 10_000);
    assert!(part(&tone, 1e-5, 3150.0).0 > 0.35 && part(&tone, 1e-5, 1000.0).0 < 0.02);
    let stopped = machine.key(Mode::Stop, t + 3.0);
    assert!(samples(&mut machine, Signal::AudioLeft, stopped + 1.0, 1e-4, 500).iter().all(|v| v.abs() < 0.01));
}

#[test]
fn flutter_has_its_frequencies_and_its_weight() {
    let mut set = config("ordinary");
    set.audio = AudioConfig {
        drum_percent: 0.0,
        reel_percent: 0.0,
        capstan_percent: 0.1,
        capstan_hz: 4.0,
        ..AudioConfig::default()
    };
    let (machine, t) = running(set, 3, Mode::Play);
    let truth = machine.sound_truth(t, t + 6.0);
    // A sine at 4 Hz has the weight 1, and its two-sigma value is 0.9974 of its peak.
    assert!((truth.weighted_percent - 0.09974).abs() < 2e-4, "{truth:?}");
}

#[test]
fn the_same_dropouts_come_again_at_the_same_places_of_the_tape() {
    let mut set = config("worn");
    let dropouts =
        DropoutConfig { per_minute: 600.0, least_us: 100.0, greatest_us: 300.0, least_db: 25.0, greatest_db: 30.0 };
    set.tapes.insert("worn".into(), TapeConfig { dropouts, colour: false, ..TapeConfig::default() });
    set.rf.noise_v = 0.0;
    let (mut machine, t) = running(set, 9, Mode::Play);
    let truth = machine.dropout_truth(t, t + 10.0);
    assert!((60..=140).contains(&truth.met_s.len()), "{} in ten seconds", truth.met_s.len());
    let (from_s, length_us) = (truth.met_s[0], truth.lengths_us[0]);
    let greatest = |machine: &mut crate::machine::Machine, at: f64, span: f64| {
        samples(machine, Signal::Rf, at, 2e-8, (span / 2e-8) as usize).iter().fold(0.0_f64, |m, v| m.max(v.abs()))
    };
    let within = greatest(&mut machine, from_s + 2e-6, length_us * 1e-6 - 4e-6);
    let before = greatest(&mut machine, from_s - 60e-6, 50e-6);
    let fall_db = -20.0 * (within / before).log10();
    assert!((fall_db - truth.depths_db[0]).abs() < 3.0, "{fall_db} dB, set {} dB", truth.depths_db[0]);
    // Peak detection of wide bins sees it too.
    let mut pairs = vec![(0.0, 0.0); 400];
    machine.extremes(Point::Signal(Signal::Rf), from_s - 1e-3, 5e-6, 5e-9, 60e6, &mut pairs);
    let low = pairs.iter().filter(|(l, g)| 0.5 * (g - l) < 0.16 * before).count() as f64;
    assert!((low - length_us / 5.0).abs() < 3.0, "{low} bins of {length_us} us");
}

#[test]
fn pilots_show_which_neighbour_a_head_strays_to() {
    let mut set = MachineConfig { format: "8mm-625-sp".into(), ..config("ordinary") };
    set.head_a = HeadConfig { width_um: Some(42.0), ..HeadConfig::default() };
    set.head_b = set.head_a.clone();
    set.rf.noise_v = 0.0;
    let pilots = pilots_hz(LineStandard::L625);
    let (mut machine, t) = running(set, 5, Mode::Play);
    machine.fault("tracking", "0.1", t).unwrap();
    let (mut next, mut before) = (0.0, 0.0);
    for n in 0..40 {
        // Long enough to tell the pilots apart, with the FM carrier far above.
        let rf = samples(&mut machine, Signal::Rf, t + 2.0 + 0.031_7 * f64::from(n), 5e-8, 60_000);
        let levels = pilots.map(|hz| part(&rf, 5e-8, hz).0);
        let own = (0..4).max_by(|a, b| levels[*a].total_cmp(&levels[*b])).unwrap();
        next += levels[(own + 1) % 4] / levels[own];
        before += levels[(own + 3) % 4] / levels[own];
    }
    assert!(next > 1.5 * before, "{next} and {before}");
}

#[test]
fn a_test_tape_leans_by_a_minute_at_most_and_an_own_tape_not_against_its_machine() {
    for seed in 0..20 {
        let mut set = config("alignment");
        set.audio.noise_v = 0.0;
        let (machine, _) = running(set, seed, Mode::Play);
        assert_eq!(machine.tape().unwrap().1, TapeKind::Alignment);
        let truth = machine.sound_truth(20.0, 21.0);
        assert_eq!(truth.azimuth_min, 0.5);
    }
}

#[test]
fn rails_and_carriers_say_their_truth() {
    let mut set = config("ordinary");
    set.hifi = true;
    let (mut machine, t) = running(set, 3, Mode::Play);
    let supply = machine.supply_truth(t);
    assert!(
        (supply.mean_v - 12.0).abs() < 1e-12 && (0.004..0.006).contains(&supply.peak_to_peak_v) && supply.hz == 120.0
    );
    machine.fault("switching-ripple", "0.3", t).unwrap();
    assert_eq!(machine.supply_truth(t + 0.1).hz, 72e3);
    let hifi = machine.hifi_truth(t, t + 1.0).unwrap();
    // Short: the drum's jitter turns the phase, and each scan begins at its own.
    let start_s = machine.scans(crate::machine::Head::A, t, t + 0.1)[0].0;
    let rf = samples(&mut machine, Signal::HifiRf, start_s + 4e-3, 1e-7, 2000);
    let (left, right) = (part(&rf, 1e-7, 1.3e6).0, part(&rf, 1e-7, 1.7e6).0);
    assert!(
        (left / hifi.left_v - 1.0).abs() < 0.12 && (right / hifi.right_v - 1.0).abs() < 0.12,
        "{left} {right} {hifi:?}"
    );
    assert!((20.0 * (right / left).log10() - hifi.balance_db).abs() < 0.3);
    for what in ["sound 1", "supply", "hifi 1", "dropouts 1"] {
        assert!(machine.truth(what, t).unwrap().starts_with('{'), "{what}");
    }
}

/// A head off its height by half of a track's width keeps half of what it loses there, at every frequency alike; of a tone over the
/// whole width one channel stays, and the control track loses by its own width.
#[test]
fn a_head_off_its_height_reads_part_of_each_track() {
    let quiet = AudioConfig {
        second_tone_hz: 6000.0,
        noise_v: 0.0,
        drum_percent: 0.0,
        capstan_percent: 0.0,
        reel_percent: 0.0,
        azimuth_min: 0.0,
        ..AudioConfig::default()
    };
    for (full, stereo, height_um, want) in [
        (true, true, 175.0, [1.0, 0.5]),
        (true, true, -175.0, [0.5, 1.0]),
        (false, true, 175.0, [0.5, 0.5]),
        (false, true, -175.0, [0.5, 0.5]),
        (true, false, 250.0, [0.75, 0.75]),
    ] {
        let mut set = config("alignment");
        set.tapes.get_mut("alignment").unwrap().full_width_tone = Some(full);
        set.audio = AudioConfig { stereo, ..quiet.clone() };
        let (mut machine, t) = running(set, 3, Mode::Play);
        let levels = |machine: &mut crate::machine::Machine, t: f64| {
            [Signal::AudioLeft, Signal::AudioRight].map(|signal| {
                let volts = samples(machine, signal, t, 1e-5, 50_000);
                [1000.0, 6000.0].map(|hz| part(&volts, 1e-5, hz).0)
            })
        };
        let before = levels(&mut machine, t + 1.0);
        machine.fault("audio-height", &height_um.to_string(), t + 2.0).unwrap();
        let after = levels(&mut machine, t + 3.0);
        for (channel, want) in want.into_iter().enumerate() {
            // The test tape's own azimuth takes a little less of a narrower strip.
            for (tone, within) in [(0, 1e-3), (1, 0.02)] {
                let got = after[channel][tone] / before[channel][tone];
                assert!((got - want).abs() < within, "{full} {stereo} {height_um}: channel {channel}: {got}");
            }
        }
        let truth = machine.audio_head_truth(t + 3.0, t + 4.0);
        assert_eq!((truth.height_um, truth.left_unsteady_percent), (height_um, 0.0));
        assert!((truth.left - want[0]).abs() < 1e-9 && (truth.right - want[1]).abs() < 1e-9, "{truth:?}");
        let control = 1.0 - height_um.abs() / 750.0;
        assert!((truth.control - control).abs() < 1e-9);
        let pulses = machine.control_truth(t + 3.0, t + 4.0).level_v.unwrap();
        assert!((pulses / 5.0 - control).abs() < 1e-3, "{pulses}");
    }
}

/// A tilted head lets the tape ride, so that the level wavers, and keeps high tones away at the edge that it leans from.
#[test]
fn a_tilted_head_wavers_and_dulls() {
    let mut set = config("alignment");
    set.audio = AudioConfig { second_tone_hz: 6000.0, noise_v: 0.0, ..AudioConfig::default() };
    let (mut machine, t) = running(set, 3, Mode::Play);
    let mut dulled = Vec::new();
    for (tilt, from) in [("60", t), ("-60", t + 40.0)] {
        machine.fault("audio-tilt", tilt, from).unwrap();
        let levels: Vec<[f64; 2]> = (0..100)
            .map(|k| {
                let volts = samples(&mut machine, Signal::AudioRight, from + 1.0 + 0.2 * f64::from(k), 2e-5, 5_000);
                [1000.0, 6000.0].map(|hz| part(&volts, 2e-5, hz).0)
            })
            .collect();
        let mean = |tone: usize| levels.iter().map(|l| l[tone]).sum::<f64>() / 100.0;
        let square = levels.iter().map(|l| (l[0] - mean(0)).powi(2)).sum::<f64>() / 100.0;
        let seen = 100.0 * square.sqrt() / mean(0);
        let truth = machine.audio_head_truth(from + 1.0, from + 21.0);
        assert!(truth.right_unsteady_percent > 4.0, "{truth:?}");
        assert!((seen / truth.right_unsteady_percent - 1.0).abs() < 0.15, "{seen} for {truth:?}");
        dulled.push(mean(1) / mean(0));
    }
    // 1.1 um from the tape at its upper edge, where the wavelength is 5.6 um: some 10 dB; at 1 kHz a sixth of that.
    assert!(dulled[0] < 0.5 * dulled[1], "{dulled:?}");
}
