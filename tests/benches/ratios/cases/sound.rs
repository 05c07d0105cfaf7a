//! Sound, pilots and supply.

use super::{digitised, keep, samples_of, volts, volts_of};
use crate::Case;
use crate::signals::{self, sound};
use std::path::Path;
use tapewright_formats::LineStandard;
use tapewright_formats::definitions::sound::{TWO_SIGMA_SHARE, weighting};
use tapewright_formats::pilots::pilots_hz;
use tapewright_measure::azimuth::{Pair, Tracks, azimuth_min};
use tapewright_measure::demodulate::{Band, demodulate};
use tapewright_measure::flutter::SpeedError;
use tapewright_measure::fm_sound::{Seen, carrier, carrier_in, least_rate_hz};
use tapewright_measure::pilots::{beats, look};
use tapewright_measure::power::{PowerNoise, levels_of_carriers};
use tapewright_measure::ripple::ripple;
use tapewright_measure::scan::Head;
use tapewright_measure::sine::{fit_near, fit_tones, strongest_tone};
use tapewright_measure::spectrum::Spectrum;
use tapewright_measure::statistics::moments;
use tapewright_measure::within::mean_amplitudes;
use tapewright_measure::{HeadCurve, Trace};

/// Ten seconds of a tone of 3,150 Hz with wow, as a modest scope keeps them: the fit, the spectrum, the flutter.
fn tone(folder: &Path) -> [Case; 3] {
    let (dt_s, count) = (1e-4, 100_000);
    let volts = sound::tone(count, dt_s);
    let trace = Trace::from_volts(0.0, dt_s, volts).expect("a trace");
    let names = ["sine fit with its frequency, 0.1 s", "spectrum, 10 s of a tone", "weighted flutter, 10 s of a tone"];
    let short = Trace::from_volts(0.0, dt_s, trace.volts()[..1000].to_vec()).expect("a trace");
    keep(folder, names[0], dt_s, self::volts(&short));
    for name in &names[1..] {
        keep(folder, name, dt_s, self::volts(&trace));
    }
    let values: Vec<f64> = self::volts(&trace).collect();
    let fit = move || {
        let (fit, _) = fit_near(&short, 3149.0).expect("a fit");
        vec![fit.tones[0].hz, fit.tones[0].amplitude()]
    };
    let spectrum = move || vec![Spectrum::of(&values, dt_s).expect("a spectrum").peaks(100.0, 4900.0, 1)[0].hz];
    let flutter = move || {
        let record = SpeedError::of(&trace, sound::TONE_HZ).expect("a tone");
        vec![record.weighted().expect("flutter").value]
    };
    // A sine lies below this share of its peak for the two-sigma statistic's share of the time.
    let two_sigma = (core::f64::consts::FRAC_PI_2 * TWO_SIGMA_SHARE).sin();
    let wow = 100.0 * sound::WOW * weighting(sound::WOW_HZ) * two_sigma;
    [
        Case { name: names[0], samples: 1000, run: Box::new(fit), truth: None },
        Case { name: names[1], samples: count, run: Box::new(spectrum), truth: None },
        Case { name: names[2], samples: count, run: Box::new(flutter), truth: Some(vec![wow]) },
    ]
}

/// Ripple in two records of unlike rate, as the procedure takes them; the outside library gets them one after the other.
fn supply(folder: &Path) -> Case {
    let name = "supply ripple, two records";
    let (count, steps_s) = (20_000, [1e-4, 1.3e-4]);
    let [first, second] =
        steps_s.map(|dt_s| Trace::from_volts(0.0, dt_s, sound::supply(count, dt_s)).expect("a trace"));
    keep(folder, name, steps_s[0], volts(&first).chain(volts(&second)));
    let run = move || {
        let found = ripple(&first, &second, (20.0, 3000.0), 5e-5).expect("records");
        let largest = found.parts.first().expect("a part");
        vec![largest.hz.value, largest.peak_to_peak_v.value]
    };
    let truth = vec![sound::RIPPLE_HZ, sound::ripple_peak_to_peak_v()];
    Case { name, samples: 2 * count, run: Box::new(run), truth: Some(truth) }
}

/// Bounds of a scope's screen about a tone, in volts.
const SCREEN_V: (f64, f64) = (-0.5, 0.5);

fn record(volts: &[f64]) -> Trace {
    digitised((0.0, sound::RECORD.1), SCREEN_V, volts)
}

/// Captures of a tone on both channels, as the procedure pairs them.
fn pairs(captures: &[[Trace; 2]], hz: f64) -> Vec<Pair> {
    let pair = |[left, right]: &[Trace; 2]| {
        let (heard, _) = strongest_tone(left, 0.96 * hz, 1.04 * hz, 3.0).expect("a tone");
        let tone = |trace| fit_tones(trace, &[heard.tones[0].hz], true).expect("a fit").tones[0];
        Pair { left: tone(left), right: tone(right) }
    };
    captures.iter().map(pair).collect()
}

/// Sixteen captures of both channels at either tone: the low tone tells the turns of the high one's phase.
fn azimuth(folder: &Path) -> Case {
    let name = "azimuth: phase at two tones, 32 captures";
    let [low_hz, high_hz] = sound::TONES_HZ;
    let take = |hz: f64| -> Vec<[Trace; 2]> {
        (0..16).map(|n| sound::both_channels(hz, n).each_ref().map(|volts| record(volts))).collect()
    };
    let (low, high) = (take(low_hz), take(high_hz));
    let all = low.iter().chain(&high).flatten();
    keep(folder, name, sound::RECORD.1, all.clone().flat_map(volts));
    let samples = all.map(|trace| trace.volts().len()).sum();
    let (distance_mm, _, speed_mm_s) = sound::TRACKS_MM;
    let tracks = Tracks { distance_mm, speed_mm_s };
    let run = move || {
        let (low, high) = (pairs(&low, low_hz), pairs(&high, high_hz));
        vec![azimuth_min(&low, &high, &tracks).expect("an azimuth").value]
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![sound::LEANS_MIN]) }
}

/// One channel, four captures after each turn of the screw: the levels that a peak is looked for in.
fn peak(folder: &Path) -> Case {
    let name = "azimuth: level of one channel, six angles";
    let take = |min: &f64| (0..4).map(|n| record(&sound::one_channel(*min, n))).collect::<Vec<_>>();
    let traces: Vec<Trace> = sound::TURNED_MIN.iter().flat_map(take).collect();
    keep(folder, name, sound::RECORD.1, volts_of(&traces));
    let samples = samples_of(&traces);
    let wanted_hz = sound::TONES_HZ[1];
    let level = move |trace: &Trace| {
        let hz = strongest_tone(trace, 0.96 * wanted_hz, 1.04 * wanted_hz, 3.0).expect("a tone").0.tones[0].hz;
        let band = Band { carrier_hz: hz, pass_hz: 0.02 * hz, stop_hz: 0.02 * hz + 400.0 };
        moments(&demodulate(trace, &band).expect("a tone").amplitude_v).expect("points").mean
    };
    let run = move || {
        let angle = |of: &[Trace]| moments(&of.iter().map(level).collect::<Vec<_>>()).expect("captures").mean;
        traces.chunks(4).map(|of| core::f64::consts::FRAC_1_SQRT_2 * angle(of)).collect()
    };
    Case { name, samples, run: Box::new(run), truth: Some(sound::kept_levels()) }
}

/// Short captures of both carriers: frequency and level of either.
fn fm_sound(folder: &Path) -> Case {
    let name = "FM sound: both carriers, 32 captures";
    let (left_hz, right_hz) = (1.3e6, 1.7e6);
    let dt_s = 1.0 / least_rate_hz(left_hz, right_hz);
    let points = ((4e-4 / dt_s) as usize, dt_s);
    let take = |n: u32, there| digitised((0.0, dt_s), (-0.4, 0.4), &sound::fm_sound(points, n, there));
    let traces: Vec<Trace> = (0..32).map(|n| take(n, true)).collect();
    keep(folder, name, dt_s, volts_of(&traces));
    let samples = samples_of(&traces);
    let quiet: Vec<Trace> = (32..36).map(|n| take(n, false)).collect();
    let seen = |traces: &[Trace], hz: f64, other_hz: f64| -> Vec<Seen> {
        traces.iter().map(|trace| carrier_in(trace, hz, other_hz).expect("a carrier")).collect()
    };
    let each = [(left_hz, right_hz), (right_hz, left_hz)].map(|(hz, other_hz)| {
        let squares: f64 = seen(&quiet, hz, other_hz).iter().map(|seen| seen.level_v.powi(2)).sum();
        (hz, other_hz, (squares / quiet.len() as f64).sqrt())
    });
    let run = move || {
        let of = |(hz, other_hz, floor_v): (f64, f64, f64)| {
            let found = carrier(&seen(&traces, hz, other_hz), floor_v, 0.0, 0.0).expect("a carrier");
            [found.hz.value, found.level_v.value]
        };
        each.into_iter().flat_map(of).collect()
    };
    let truth = sound::FM_SOUND.iter().flat_map(|(level_v, hz)| [*hz, *level_v]).collect();
    Case { name, samples, run: Box::new(run), truth: Some(truth) }
}

/// Eight scans of both carriers, under-sampled: the curve of their heads.
fn fm_envelope(folder: &Path) -> Case {
    let name = "FM sound: envelope of eight scans";
    let scan = signals::scan();
    // Whatever the carriers' squares hold beside their power lies clear of 0 under so many, as the procedure has it.
    let points = 2_490;
    let dt_s = 1.02 * scan.end_s / f64::from(points);
    let take = |n: u32| digitised((0.0, dt_s), (-0.4, 0.4), &sound::fm_scan((points as usize, dt_s), n));
    let traces: Vec<Trace> = (0..8).map(take).collect();
    keep(folder, name, dt_s, volts_of(&traces));
    let samples = samples_of(&traces);
    let noise = digitised((0.0, dt_s), (-0.4, 0.4), &sound::fm_sound((10_000, dt_s), 99, false));
    let noise = PowerNoise::from_quiet(&noise).expect("noise");
    let run = move || {
        let levels = |trace| levels_of_carriers(trace, &scan, &noise).expect("levels");
        let frames: Vec<_> = traces.iter().map(levels).collect();
        mean_amplitudes(HeadCurve::over_frames(&frames).expect("a curve")).median_v.to_vec()
    };
    Case { name, samples, run: Box::new(run), truth: Some(sound::fm_scan_levels()) }
}

/// Short captures of 8 mm RF, each on the next track: both beats of either head.
fn pilots(folder: &Path) -> Case {
    let name = "pilots: two beats a head, 64 captures";
    let hz = pilots_hz(LineStandard::L525);
    let dt_s = 1.0 / (1.5 * 5.4e6);
    let points = ((3e-4 / dt_s) as usize, dt_s);
    let take = |n: u32| digitised((0.0, dt_s), (-0.4, 0.4), &sound::pilots(&hz, n as usize % 4, points, n));
    let traces: Vec<Trace> = (0..64).map(take).collect();
    keep(folder, name, dt_s, volts_of(&traces));
    let samples = samples_of(&traces);
    let run = move || {
        let seen: Vec<_> = traces.iter().filter_map(|trace| look(trace, &hz).expect("pilots")).collect();
        let of = |head| {
            let beats = beats(&seen, head).expect("captures of a head");
            [beats.small.value, beats.large.value]
        };
        [Head::A, Head::B].into_iter().flat_map(of).collect()
    };
    // Of head A the next track's pilot lies one line rate away, of head B that of the track before.
    let (next, before) = sound::BESIDE;
    Case { name, samples, run: Box::new(run), truth: Some(vec![next, before, before, next]) }
}

/// The cases of this room.
pub(super) fn all(folder: &Path) -> Vec<Case> {
    let mut cases: Vec<Case> = tone(folder).into();
    cases.extend([
        azimuth(folder),
        peak(folder),
        fm_sound(folder),
        fm_envelope(folder),
        pilots(folder),
        supply(folder),
    ]);
    cases
}
