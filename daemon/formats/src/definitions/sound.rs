//! What the quantities of sound, supply, dropouts and pilot tones are. As in [`super`]: one written
//! formula, implemented twice.
//!
//! # Azimuth
//! The *azimuth error* of the audio head against the tape's recording, in minutes of arc, positive where the
//! right (outer) track is read late: `e = atan(phase / 360 * v / (f d))`, with the phase by which right lags left in
//! degrees, tape speed `v`, tone `f` and centre distance `d` of the tracks (the published table of
//! phase against azimuth, J. G. McKnight). It is the mean over the captures.
//!
//! # Height and tilt of the audio and control head
//! The *height error* is how far the head's gaps lie above the places of the format's tracks, in micrometres, towards
//! the tape's upper edge, where the sound lies. A gap as wide as its track keeps the share of its level that it still reads:
//! its *loss by height* is `-20 log10` of the overlap of both over the track's width, in decibels.
//! A head that is tilted (zenith) lets the tape ride up and down. The *unsteadiness* of a channel is the standard deviation
//! of a tone's amplitude over its mean, from the first to the last record, in per cent; what changes within
//! [`LEVEL_BLOCK_S`] is averaged.
//!
//! # Wow and flutter
//! Let `y(t)` be the tape's relative speed error at the audio head, its mean over the record taken off. *Weighted*:
//! every frequency of `y` times [`weighting`] with no shift of phase; then the value that `|y|` stays below for
//! [`TWO_SIGMA_SHARE`] of the time (the two-sigma statistic of AES6-2008, which is technically IEC 60386:1972 with
//! amendment 1), over the record less [`FLUTTER_SETTLE_S`] at each end, in per cent.
//! A *line* is one sinusoidal part of the unweighted `y`: its frequency, and its peak in per cent.
//!
//! # Supply
//! *Mean*: direct voltage. *Ripple*: the periodic part of the voltage, noise not counted; its *peak to peak* is
//! greatest less least of one period, of two unrelated parts the sum; its *rms* the root of the sum of mean
//! squares. The *frequency* is that of the fundamental of the larger part.
//!
//! # Dropouts
//! A *dropout* is a fall of the carrier's amplitude by at least [`DROPOUT_DB`] below the level around it that lasts
//! at least [`DROPOUT_US`] (common practice, no source; IEC 60735 holds the standard's definition, which was not
//! read). *Rate*: dropouts a minute of observed time. *Length*: median time below that level. *Depth*: median over
//! dropouts of the deepest fall.
//!
//! # Depth-recorded sound
//! *Frequency* of a carrier: mean over the time looked at. *Level*: root mean square of its amplitude (the peak of
//! the sine) over the same, in volts at the point. *Balance*: `20 log10(right / left)`. The
//! *curve* of an audio head is that of [`super`], with the root of twice both carriers' summed power in place of the FM
//! carrier's amplitude, and each segment fading in and out by [`audio_weight`]; its *flatness* and the *balance* of both heads
//! follow from it as there.
//!
//! # Pilot tones
//! A head reads the pilot of its own track and, from its neighbours, theirs. The *small beat* is the amplitude of
//! the neighbour's pilot that lies about one line rate away over the own pilot's, the *large beat* that of the one about
//! three line rates away, mean over scans of one head. The *tracking error* of a head is
//! `(next - before) / (next + before)` of its neighbours' amplitudes: 0 where it is centred, positive
//! where it lies towards the track recorded after its own.

/// Weighting of wow and flutter: hertz and decibels (IEC 60386; every point from memory, unverified; maximum at 4 Hz and
/// 6 dB an octave on either side as announced with AES6-2008).
pub const WEIGHTING_DB: [(f64, f64); 17] = [
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (63.0, -14.2),
    (100.0, -17.3),
    (200.0, -23.0),
];

/// Share of the time that a value stays below its two-sigma value.
pub const TWO_SIGMA_SHARE: f64 = 0.9545;

/// Cut off at each end of a flutter record, where the weighting has not settled.
pub const FLUTTER_SETTLE_S: f64 = 0.75;

/// Over so long each amplitude of a level's unsteadiness is averaged.
pub const LEVEL_BLOCK_S: f64 = 0.05;

/// Fall of the level that makes a dropout (common practice, no source).
pub const DROPOUT_DB: f64 = 16.0;

/// Length that makes a dropout (common practice, no source).
pub const DROPOUT_US: f64 = 15.0;

/// What of a segment its fading in or out takes in an audio head's curve, half of it beyond the segment's end.
pub const AUDIO_FADE: f64 = 0.35;

/// How much an instant of a scan counts in the level of an audio head's segment that reaches from 0 to 1: a raised cosine
/// rises to 1 about its start and falls to 0 about its end, each over [`AUDIO_FADE`].
///
/// ```
/// use tapewright_formats::definitions::sound::{AUDIO_FADE, audio_weight};
/// for (place, weight) in [(-0.5 * AUDIO_FADE, 0.0), (0.0, 0.5), (0.5, 1.0), (1.0, 0.5), (1.2, 0.0)] {
///     assert!((audio_weight(place) - weight).abs() < 1e-12);
/// }
/// ```
#[must_use]
pub fn audio_weight(place: f64) -> f64 {
    let rise = |x: f64| {
        let x = x.clamp(-0.5, 0.5);
        0.5 + x + (core::f64::consts::TAU * x).sin() / core::f64::consts::TAU
    };
    rise(place / AUDIO_FADE) * rise((1.0 - place) / AUDIO_FADE)
}

/// Gain of the weighting at a frequency (ratio): straight lines between the points of [`WEIGHTING_DB`] in
/// decibels against the logarithm of the frequency; beyond its ends the last line goes on.
///
/// ```
/// use tapewright_formats::definitions::sound::weighting;
/// for (hz, factor) in [(4.0, 1.0), (10.0, 0.7852), (1.0, 0.6166), (100.0, 0.1365), (0.1, 0.0040)] {
///     assert!((weighting(hz) - factor).abs() < 5e-5);
/// }
/// assert!(weighting(0.0) == 0.0);
/// ```
#[must_use]
pub fn weighting(hz: f64) -> f64 {
    if hz.is_nan() || hz <= 0.0 {
        return 0.0;
    }
    let last = WEIGHTING_DB.len() - 2;
    let place = WEIGHTING_DB.iter().take(last).skip(1).take_while(|(at, _)| *at <= hz).count();
    let ((low, low_db), (high, high_db)) = (WEIGHTING_DB[place], WEIGHTING_DB[place + 1]);
    let share = (hz / low).ln() / (high / low).ln();
    10_f64.powf((low_db + share * (high_db - low_db)) / 20.0)
}
