//! What the scope sees: samples, extremes, crossings.

use super::super::Machine;
use super::super::config::Picture;
use super::{config, running};
use crate::source::{Bins, Point, Slope, Source};
use tapewright_formats::{Mode, Signal};

const RF: Point = Point::Signal(Signal::Rf);
const VIDEO: Point = Point::Signal(Signal::Video);
const SWITCH: Point = Point::Signal(Signal::HeadSwitch);
const BAND_HZ: f64 = 60e6;

fn sample(machine: &mut Machine, point: Point, t_s: f64) -> f64 {
    let mut out = [0.0];
    machine.samples(point, t_s, 1e-8, BAND_HZ, &mut out);
    out[0]
}

#[test]
fn the_same_question_gets_the_same_answer() {
    let signals =
        [Signal::Rf, Signal::Video, Signal::HeadSwitch, Signal::ControlTrack, Signal::Supply, Signal::AudioLeft];
    for signal in signals {
        let point = Point::Signal(signal);
        let (mut machine, t) = running(config("ordinary"), 8, Mode::Play);
        let mut all = vec![0.0; 4000];
        machine.samples(point, t, 1e-5, BAND_HZ, &mut all);
        for i in [3999, 17, 2500, 0, 1] {
            let one = sample(&mut machine, point, t + f64::from(i) * 1e-5);
            assert!((one - all[i as usize]).abs() < 1e-9, "{signal} {i}: {one} {}", all[i as usize]);
        }
        let mut pairs = [vec![(0.0, 0.0); 300], vec![(0.0, 0.0); 300]];
        for pair in &mut pairs {
            machine.extremes(point, t, 8e-3, 1e-8, BAND_HZ, pair);
        }
        assert_eq!(pairs[0], pairs[1], "{signal}");
    }
}

/// Noise of the front end adds its power to the point's: twice the power is `sqrt(2)` times the extremes of a quiet point.
#[test]
fn noise_of_the_front_end_adds_its_power() {
    let mut config = config("ordinary");
    config.rf.noise_v = 1e-3;
    let (mut machine, t) = running(config, 6, Mode::Stop);
    let mut mean = |noise_v: f64| {
        let bins = Bins { t0_s: t, dt_s: 1e-5, underlying_s: 1e-8, total: 400, first: 0, noise_v };
        let mut pairs = vec![(0.0, 0.0); 400];
        assert!(machine.some_extremes(RF, &bins, BAND_HZ, &mut pairs));
        pairs.iter().map(|(least, greatest)| greatest - least).sum::<f64>() / 400.0
    };
    let (alone, both) = (mean(0.0), mean(1e-3));
    assert!((both / alone - core::f64::consts::SQRT_2).abs() < 0.02, "{alone} {both}");
}

/// Mean and deviation of brute force against drawn extremes over bins that both can do.
fn compare(machine: &mut Machine, t: f64, dt_s: f64, bins: usize) -> [f64; 4] {
    let mut brute = vec![(0.0, 0.0); bins];
    let mut buffer = vec![0.0; (dt_s / 1e-8).round() as usize];
    for (i, pair) in brute.iter_mut().enumerate() {
        machine.samples(RF, t + i as f64 * dt_s, 1e-8, BAND_HZ, &mut buffer);
        *pair = buffer.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
    }
    let mut drawn = vec![(0.0, 0.0); bins];
    let whole = Bins { t0_s: t, dt_s, underlying_s: 1e-8, total: bins, first: 0, noise_v: 0.0 };
    machine.rf_drawn(&whole, BAND_HZ, &mut drawn);
    let stats = |pairs: &[(f64, f64)]| {
        let spans: Vec<f64> = pairs.iter().map(|(a, b)| b - a).collect();
        let mean = spans.iter().sum::<f64>() / bins as f64;
        (mean, (spans.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / bins as f64).sqrt())
    };
    let ((a, b), (c, d)) = (stats(&brute), stats(&drawn));
    [a, b, c, d]
}

#[test]
#[expect(clippy::print_stdout, reason = "the measured agreement is worth reading with --nocapture")]
fn drawn_extremes_agree_with_brute_force() {
    let cases: [(&str, Picture, f64, f64); 7] = [
        ("strong", Picture::Bars, 0.003, 1.0),
        ("grey", Picture::Grey, 0.003, 1.0),
        ("noisy", Picture::Bars, 0.02, 1.0),
        ("as strong as noise", Picture::Bars, 0.02, 0.2),
        ("weak", Picture::Bars, 0.02, 0.05),
        ("noise alone", Picture::Bars, 0.02, 0.0),
        ("between tracks", Picture::Bars, 0.005, 1.0),
    ];
    for (name, picture, noise, gain) in cases {
        let mut setup = config("ordinary");
        setup.tapes.get_mut("ordinary").unwrap().picture = picture;
        setup.rf.noise_v = noise;
        setup.rf.transient_v = 0.0;
        setup.head_a.gain = gain;
        setup.head_b.gain = gain;
        if name == "between tracks" {
            setup.tracking.offset_pitch = 0.6;
            setup.head_a.width_um = Some(70.0);
        }
        let (mut machine, t) = running(setup, 21, Mode::Play);
        for (dt_s, bins) in [(2e-4, 150), (2e-3, 30), (1.1e-5, 400)] {
            let [brute, spread, drawn, drawn_spread] = compare(&mut machine, t, dt_s, bins);
            // Within a third of the noise's deviation on the peak-to-peak value, which adds two draws.
            let within = 0.33 * noise
                + 3e-3 * brute * f64::from(u8::from(name == "between tracks"))
                + 3.0 * spread / (bins as f64).sqrt();
            assert!((drawn - brute).abs() < within, "{name}, {dt_s} s: brute {brute}, drawn {drawn}, noise {noise}");
            println!(
                "{name} {dt_s}: brute {brute:.5} +- {spread:.5}, drawn {drawn:.5} +- {drawn_spread:.5}, off {:.3} sigma",
                (drawn - brute) / noise
            );
            if dt_s > 1e-4 {
                assert!(
                    drawn_spread < 2.5 * spread + 0.1 * noise && drawn_spread > 0.3 * spread - 0.1 * noise,
                    "{name} {dt_s}: {spread} {drawn_spread}"
                );
            }
        }
    }
}

#[test]
fn video_starts_where_it_says() {
    for (format, line_s, broad_s, name) in
        [("vhs-525-sp", 572.0e-6 / 9.0, 27.1e-6, 525), ("vhs-625-sp", 64e-6, 27.3e-6, 625)]
    {
        let mut setup = config("ordinary");
        setup.format = format.into();
        setup.video.noise_v = 0.0;
        setup.drum.jitter_s = 0.0;
        let (mut machine, t) = running(setup, 3, Mode::Play);
        let field = machine.next_video(VIDEO, Some(1), None, t, t + 0.1).unwrap();
        let tip = sample(&mut machine, VIDEO, field + 1e-6);
        assert!((-0.31..-0.27).contains(&tip), "{name}: {tip}");
        // Half of the fall lies at the start.
        assert!((sample(&mut machine, VIDEO, field) - tip / 2.0).abs() < 0.02);
        // A broad pulse is still low when an equalising one would be over, and ends in time.
        assert!((sample(&mut machine, VIDEO, field + broad_s - 1e-6) - tip).abs() < 1e-6);
        assert!(sample(&mut machine, VIDEO, field + broad_s + 1e-6).abs() < 1e-6);
        // The switching to head A lies 6.5 lines before it.
        let before = machine.next_crossing(SWITCH, 2.5, Slope::Rising, field - 0.003, field).unwrap();
        let lines = (field - before) / line_s;
        assert!((lines - 6.5).abs() < 0.01, "{name}: {lines}");
        // Field 2 follows after half a frame, which is not a whole number of lines.
        let second = machine.next_video(VIDEO, Some(2), None, field, field + 0.1).unwrap();
        assert!(((second - field) / line_s - f64::from(name) / 2.0).abs() < 1e-3);
        let any = machine.next_video(VIDEO, None, None, field, field + 0.1).unwrap();
        assert!((any - second).abs() < 1e-9);
        // A line in the middle of the field: sync is 4.7 us wide.
        let line = machine.next_video(VIDEO, None, Some(100), field, field + 0.1).unwrap();
        assert!(
            sample(&mut machine, VIDEO, line + 4.5e-6) < -0.25 && sample(&mut machine, VIDEO, line + 4.9e-6) > -0.05
        );
        assert!(machine.next_video(VIDEO, None, Some(700), field, field + 0.1).is_none());
    }
}

#[test]
fn crossings_are_where_the_samples_cross() {
    let (mut machine, t) = running(config("ordinary"), 3, Mode::Play);
    for (signal, level) in [
        (Signal::HeadSwitch, 2.5),
        (Signal::ControlTrack, 2.5),
        (Signal::DrumPulse, 1.0),
        (Signal::CapstanPulse, 4.0),
        (Signal::Reference, 2.0),
        (Signal::AudioLeft, 0.1),
        (Signal::Video, -0.15),
        (Signal::Rf, 0.05),
    ] {
        let point = Point::Signal(signal);
        for slope in [Slope::Rising, Slope::Falling] {
            let at =
                machine.next_crossing(point, level, slope, t, t + 0.2).unwrap_or_else(|| panic!("{signal} {slope:?}"));
            let d = if signal == Signal::Rf { 2e-9 } else { 1e-7 };
            let (before, after) = (sample(&mut machine, point, at - d), sample(&mut machine, point, at + d));
            assert_eq!(after > before, slope == Slope::Rising, "{signal} {slope:?} {before} {after}");
            let margin = if signal == Signal::AudioLeft { 0.02 } else { 0.0 };
            assert!(
                before.min(after) - margin < level && level < before.max(after) + margin,
                "{signal}: {before} {after}"
            );
        }
        assert!(machine.next_crossing(point, 90.0, Slope::Rising, t, t + 3.0).is_none());
    }
}

#[test]
fn rf_has_the_level_that_the_truth_says() {
    let mut setup = config("ordinary");
    setup.rf.noise_v = 0.0;
    setup.tapes.get_mut("ordinary").unwrap().picture = Picture::Black;
    setup.tapes.get_mut("ordinary").unwrap().colour = false;
    let (mut machine, t) = running(setup, 3, Mode::Play);
    let mut out = vec![0.0; 200_000];
    machine.samples(RF, t, 2.3e-8, BAND_HZ, &mut out);
    let rms = (out.iter().map(|v| v * v).sum::<f64>() / 2e5).sqrt() * 2f64.sqrt();
    let truth = machine.curve_truth(t, t + 0.1).unwrap().head_a.mean_v;
    // Black lies a little above sync tip, so a little below it in level.
    let ratio = rms / truth;
    assert!((0.93..0.995).contains(&ratio), "{ratio}");
}

#[test]
fn a_fast_carrier_counts_its_cycles() {
    // Rising crossings of a black line's carrier count its frequency: 3.4 MHz and 0.354 of the deviation.
    let mut setup = config("ordinary");
    setup.rf.noise_v = 0.0;
    setup.tapes.get_mut("ordinary").unwrap().picture = Picture::Black;
    setup.tapes.get_mut("ordinary").unwrap().colour = false;
    let (mut machine, t) = running(setup, 3, Mode::Play);
    let line = machine.next_video(VIDEO, None, Some(100), t, t + 0.1).unwrap();
    let mut out = vec![0.0; 4000];
    machine.samples(RF, line + 12e-6, 1e-8, BAND_HZ, &mut out);
    let rising = out.windows(2).filter(|p| p[0] < 0.0 && p[1] >= 0.0).count() as f64;
    let want = (3.4e6 + (0.2857 + 0.0536) * 1e6) * 40e-6;
    assert!((rising - want).abs() <= 1.5, "{rising} {want}");
}

#[test]
#[expect(clippy::print_stdout, reason = "the measured speed is worth reading with --nocapture")]
fn speed_is_enough() {
    let (mut machine, t) = running(config("ordinary"), 3, Mode::Play);
    let clock = tapewright_clock::Clock::real();
    let mut out = vec![0.0; 1_000_000];
    let start = clock.now();
    machine.samples(RF, t, 1e-8, BAND_HZ, &mut out);
    let sampled = clock.now();
    let mut pairs = vec![(0.0, 0.0); 1250];
    machine.extremes(RF, t, 8e-3, 1e-8, BAND_HZ, &mut pairs);
    let drawn = clock.now();
    let (start, sampled, drawn) = (start.as_secs_f64(), sampled.as_secs_f64(), drawn.as_secs_f64());
    let (ns, slow) = ((sampled - start) * 1e3, drawn - sampled);
    // With the neighbours in the signal, as in a slip.
    machine.fault("control-contact-open", "", t).unwrap();
    let start = clock.now().as_secs_f64();
    machine.extremes(RF, t + 1.0, 8e-3, 1e-8, BAND_HZ, &mut pairs);
    let slip = clock.now().as_secs_f64() - start;
    println!("{ns:.1} ns a sample, slow record {slow:.3} s, in a slip {slip:.3} s");
    // The aims are 60 ns and 0.3 s on an idle machine; this only guards against another order of magnitude.
    assert!(ns < 2000.0 && slow < 15.0 && slip < 30.0, "{ns} ns a sample, {slow} s for a slow record");
}
