//! Azimuth of the audio head from the phase between two tracks, at two tones.
//!
//! `phase = 360 d tan(e) f / v` degrees (the published table of phase against azimuth, J. G. McKnight). A phase is known
//! to within whole turns only: the low tone says how many turns the high one has, and must be able to. The low tone's own
//! turns no phase tells: every angle more by one of them fits as well ([`angles_min`]), and only levels rule some out ([`Levels`]).

mod levels;

pub use levels::{Levels, Taken};

use crate::error::{MeasureError, positive};
use crate::estimate::{Contribution, Estimate};
use crate::sine::Tone;
use crate::statistics::moments;

/// Geometry of two tracks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tracks {
    /// Between the tracks' centres.
    pub distance_mm: f64,
    /// Tape speed.
    pub speed_mm_s: f64,
}

const TURN: f64 = core::f64::consts::TAU;

/// Weave alone leans a tape by some 2 minutes of arc from peak to peak (600 microradians: abstract of a paper on it). What keeps
/// within this from capture to capture, about upright, is no two tracks (common practice, no source).
const ONE_TRACK_MIN: f64 = 0.05;

/// Low turns that are looked at, to either side.
const MOST_TURNS: f64 = 1000.0;

/// Phase in radians of an azimuth error in radians.
#[must_use]
pub fn phase_of(tracks: &Tracks, hz: f64, azimuth_rad: f64) -> f64 {
    TURN * tracks.distance_mm * azimuth_rad.tan() * hz / tracks.speed_mm_s
}

/// Azimuth error in radians of a phase in radians.
#[must_use]
pub fn azimuth_of(tracks: &Tracks, hz: f64, phase_rad: f64) -> f64 {
    (phase_rad / TURN * tracks.speed_mm_s / (hz * tracks.distance_mm)).atan()
}

/// Left and right of one tone in one capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Left, or inner track.
    pub left: Tone,
    /// Right, or outer track.
    pub right: Tone,
}

impl Pair {
    /// By how much right lags left, in radians, within half a turn.
    #[must_use]
    pub fn lag_rad(&self) -> f64 {
        let lag = self.left.phase_rad() - self.right.phase_rad();
        lag - TURN * (lag / TURN).round()
    }

    fn error_rad(&self) -> f64 {
        self.left.phase_error_rad().hypot(self.right.phase_error_rad())
    }
}

/// Mean of lags that may lie about half a turn.
struct Lag {
    hz: f64,
    mean: f64,
    /// Standard deviation of one capture's lag.
    deviation: f64,
    /// Standard error of the mean by scatter, and its degrees of freedom.
    scatter: f64,
    dof: f64,
    /// The same by the fits' own errors.
    stated: f64,
}

fn mean_lag(pairs: &[Pair]) -> Result<Lag, MeasureError> {
    let (sine, cosine) = pairs.iter().fold((0.0, 0.0), |(s, c), p| (s + p.lag_rad().sin(), c + p.lag_rad().cos()));
    let middle = sine.atan2(cosine);
    let lags: Vec<f64> = pairs
        .iter()
        .map(|p| {
            let away = p.lag_rad() - middle;
            middle + away - TURN * (away / TURN).round()
        })
        .collect();
    let m = moments(&lags)?;
    let stated = pairs.iter().map(|p| p.error_rad().powi(2)).sum::<f64>().sqrt() / pairs.len() as f64;
    // Captures scatter by noise and by the tape's weave, which comes and goes over seconds.
    let fewer = crate::statistics::effective_count(&lags).unwrap_or(lags.len() as f64);
    let scatter = if m.count > 1 { m.standard_deviation / fewer.sqrt() } else { f64::INFINITY };
    let hz = pairs.iter().map(|p| p.left.hz).sum::<f64>() / pairs.len() as f64;
    Ok(Lag { hz, mean: m.mean, deviation: m.standard_deviation, scatter, dof: (fewer - 1.0).max(1.0), stated })
}

fn to_min(rad: f64) -> f64 {
    rad.to_degrees() * 60.0
}

/// Phases of both tones.
struct Phases<'a> {
    tracks: &'a Tracks,
    low: Lag,
    high: Lag,
    /// Standard error of the high tone's turns by the low one.
    unsure: f64,
}

impl<'a> Phases<'a> {
    fn of(low: &[Pair], high: &[Pair], tracks: &'a Tracks) -> Result<Self, MeasureError> {
        positive("distance of the tracks", tracks.distance_mm)?;
        positive("tape speed", tracks.speed_mm_s)?;
        crate::error::at_least("captures of the low tone", low.len(), 2)?;
        crate::error::at_least("captures of the high tone", high.len(), 2)?;
        let (low, high) = (mean_lag(low)?, mean_lag(high)?);
        let unsure = low.scatter.max(low.stated) * high.hz / low.hz / TURN;
        Ok(Self { tracks, low, high, unsure })
    }

    /// The high tone's phase where the low one has so many turns more than are seen, and by how many turns the two tones are then
    /// away from a fit.
    fn phase(&self, low_turns: f64) -> (f64, f64) {
        let expected = (self.low.mean + TURN * low_turns) * self.high.hz / self.low.hz;
        let turns = ((expected - self.high.mean) / TURN).round();
        (self.high.mean + TURN * turns, (expected - self.high.mean) / TURN - turns)
    }

    /// Four standard errors within half a turn, and the two tones agree.
    fn fits(&self, away: f64) -> bool {
        4.0 * self.unsure <= 0.5 && away.abs() <= 0.25_f64.max(4.0 * self.unsure)
    }

    fn in_noise(&self) -> MeasureError {
        let (_, away) = self.phase(0.0);
        MeasureError::InNoise {
            what: "turns of the high tone's phase",
            detail: format!(
                "the low tone says {:.2} turns with a standard error of {:.2}, the high one is {away:.2} turns away from a fit; take tones of a smaller ratio, or more level",
                self.low.mean * self.high.hz / self.low.hz / TURN,
                self.unsure
            ),
        }
    }

    fn estimate(&self, phase: f64) -> Result<Estimate, MeasureError> {
        let value = azimuth_of(self.tracks, self.high.hz, phase);
        let slope = self.tracks.speed_mm_s / (TURN * self.high.hz * self.tracks.distance_mm) * value.cos().powi(2);
        let (scatter, stated) = (to_min(slope * self.high.scatter), to_min(slope * self.high.stated));
        Estimate::combined(
            to_min(value),
            vec![
                Contribution::type_a("captures: noise, weave of the tape", scatter, self.high.dof),
                Contribution::type_b("noise of a fit and steps of the converter", stated),
            ],
        )
    }
}

/// Azimuth error in minutes of arc, from captures of a low and a high tone (each at least two), where the head is known to lean by
/// less than half a turn of the low tone's phase. Where it is not: [`angles_min`].
///
/// # Errors
/// [`MeasureError::InNoise`] where the low tone does not say surely how many turns the high one has,
/// [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn azimuth_min(low: &[Pair], high: &[Pair], tracks: &Tracks) -> Result<Estimate, MeasureError> {
    let phases = Phases::of(low, high, tracks)?;
    let (phase, away) = phases.phase(0.0);
    if phases.fits(away) { phases.estimate(phase) } else { Err(phases.in_noise()) }
}

/// Every angle of up to `most_min` minutes of arc that fits the phases of both tones, least lean first: the low tone's phase repeats
/// with each of its turns, and so does the high one's where its frequency is a multiple.
///
/// # Errors
/// As [`azimuth_min`], [`MeasureError::InNoise`] also where none fits.
pub fn angles_min(low: &[Pair], high: &[Pair], tracks: &Tracks, most_min: f64) -> Result<Vec<Estimate>, MeasureError> {
    positive("most that a head leans", most_min)?;
    let phases = Phases::of(low, high, tracks)?;
    let most = phase_of(tracks, phases.low.hz, (most_min / 60.0).to_radians()).abs() / TURN;
    let turns = (most.ceil() + 1.0).min(MOST_TURNS) as i32;
    let mut angles = Vec::new();
    for low_turns in -turns..=turns {
        let (phase, away) = phases.phase(f64::from(low_turns));
        if !phases.fits(away) {
            continue;
        }
        let angle = phases.estimate(phase)?;
        if angle.value.abs() <= most_min {
            angles.push(angle);
        }
    }
    angles.sort_by(|a, b| a.value.abs().total_cmp(&b.value.abs()));
    if angles.is_empty() { Err(phases.in_noise()) } else { Ok(angles) }
}

/// Whether both channels give one and the same track: no angle between them, steadier than two tracks of a tape ever are.
///
/// # Errors
/// [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn one_track(low: &[Pair], high: &[Pair], tracks: &Tracks) -> Result<bool, MeasureError> {
    let phases = Phases::of(low, high, tracks)?;
    let (phase, away) = phases.phase(0.0);
    let squares: f64 = high.iter().map(|pair| to_min(azimuth_of(tracks, phases.high.hz, pair.lag_rad())).powi(2)).sum();
    let none = phase.abs() < 0.5 * TURN && away.abs() < 0.25;
    Ok(none && (squares / high.len() as f64).sqrt() <= ONE_TRACK_MIN)
}

/// Largest azimuth error in minutes of arc whose loss on one track of a width stays within `loss_db`, at a frequency:
/// `20 log10(sin(x) / x)`, `x = pi w tan(e) f / v`, before its first null.
///
/// # Errors
/// [`MeasureError::BadParameter`].
pub fn azimuth_for_loss_min(loss_db: f64, width_mm: f64, hz: f64, speed_mm_s: f64) -> Result<f64, MeasureError> {
    for (what, given) in [("loss", loss_db), ("width of a track", width_mm), ("tone", hz), ("tape speed", speed_mm_s)] {
        positive(what, given)?;
    }
    let keeps = 10_f64.powf(-loss_db / 20.0);
    let (mut low, mut high) = (0.0, core::f64::consts::PI);
    for _ in 0..60 {
        let x = 0.5 * (low + high);
        if tapewright_formats::losses::sinc(x) > keeps { low = x } else { high = x }
    }
    Ok((low * speed_mm_s / (core::f64::consts::PI * width_mm * hz)).atan().to_degrees() * 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minutes(min: f64) -> f64 {
        (min / 60.0).to_radians()
    }

    #[track_caller]
    fn near(what: &str, got: f64, want: f64, within: f64) {
        assert!((got - want).abs() <= within, "{what}: {got}, expected {want} within {within}");
    }

    /// Phase of two edge tracks at 10 kHz, in degrees: distance in millimetres, speed in millimetres a second, as published
    /// (J. G. McKnight, "300 urad (1')"), computed for 300 microradians, computed for one minute.
    const PUBLISHED: [(f64, f64, f64, f64, f64); 4] = [
        (4.3, 95.0, 45.0, 48.9, 47.4),
        (10.5, 95.0, 110.0, 119.4, 115.7),
        (23.0, 95.0, 260.0, 261.5, 253.5),
        (4.3, 190.0, 22.0, 24.4, 23.7),
    ];

    /// The computed columns to their last digit. The published figures are rounded, and a minute is 291 microradians: they
    /// are within 10 % of the minute's, while 24.4 is 11 % above 22. Then our own of the 525- and 625-line cassette formats.
    #[test]
    fn the_published_table() {
        for (distance_mm, speed_mm_s, published, by_radians, by_minute) in PUBLISHED {
            let tracks = Tracks { distance_mm, speed_mm_s };
            for (what, azimuth, want) in
                [("300 microradians", 300e-6, by_radians), ("a minute", minutes(1.0), by_minute)]
            {
                let got = phase_of(&tracks, 10_000.0, azimuth);
                near(what, got.to_degrees(), want, 0.05);
                near("and back", azimuth_of(&tracks, 10_000.0, got), azimuth, 1e-12);
            }
            let got = phase_of(&tracks, 10_000.0, minutes(1.0)).to_degrees();
            near("as published", got, published, 0.10 * published);
        }
        for (speed_mm_s, degrees, quarter) in [(33.35, 12.25, 7.35), (23.39, 17.46, 5.15)] {
            let tracks = Tracks { distance_mm: 0.65, speed_mm_s };
            near("phase of a minute", phase_of(&tracks, 6000.0, minutes(1.0)).to_degrees(), degrees, 0.005);
            let back = azimuth_of(&tracks, 6000.0, TURN / 4.0).to_degrees() * 60.0;
            near("minutes of 90 degrees", back, quarter, 0.005);
        }
    }

    /// Loss of a 1.0 mm track at 6 kHz (computed): tape speed in millimetres a second, minutes, loss in dB, half of its last
    /// digit.
    const LOSSES: [(f64, f64, f64, f64); 6] = [
        (33.35, 1.0, -0.04, 0.005),
        (33.35, 5.0, -1.00, 0.005),
        (33.35, 10.0, -4.34, 0.005),
        (23.39, 1.0, -0.08, 0.005),
        (23.39, 5.0, -2.09, 0.005),
        (23.39, 10.0, -10.3, 0.05),
    ];

    /// Loss of an azimuth error: the recording stood upright, the head that plays it leans.
    fn loss_db(speed_mm_s: f64, min: f64) -> f64 {
        let wavelength_um = tapewright_formats::losses::wavelength_um(speed_mm_s * 1e-3, 6000.0);
        tapewright_formats::losses::azimuth_db(1000.0, 0.0, min / 60.0, wavelength_um)
    }

    #[test]
    fn losses_and_their_angles() {
        for (speed, min, loss, half) in LOSSES {
            let what = format!("{min} minutes at {speed} mm/s");
            near(&what, loss_db(speed, min), loss, half);
            near(&what, loss_db(speed, -min), loss, half);
            let angle = |db: f64| azimuth_for_loss_min(-db, 1.0, 6000.0, speed).unwrap();
            near(&format!("{what}, back"), angle(loss_db(speed, min)), min, 1e-6 * min);
            assert!(angle(loss + half) < min && min < angle(loss - half), "{what}: the printed loss, back");
        }
        // Beyond the first null the loss is less again: 20 minutes read -13.4 dB, and the angle of that is a smaller one.
        let beyond = loss_db(23.39, 20.0);
        near("20 minutes", beyond, -13.4, 0.05);
        let angle = azimuth_for_loss_min(-beyond, 1.0, 6000.0, 23.39).unwrap();
        near("the same loss before the null", loss_db(23.39, angle), beyond, 1e-6);
        assert!((10.0..14.0).contains(&angle), "{angle}");
        assert!(azimuth_for_loss_min(f64::NAN, 1.0, 6000.0, 33.0).is_err());
    }

    fn pairs(tracks: &Tracks, hz: f64, min: f64, noise: f64) -> Vec<Pair> {
        (0..6)
            .map(|i| {
                let lag = phase_of(tracks, hz, minutes(min)) + noise * (f64::from(i) - 2.5);
                let tone =
                    |phase: f64| Tone { hz, cosine: 0.3 * phase.cos(), sine: -0.3 * phase.sin(), error: 0.3 * noise };
                Pair { left: tone(0.7), right: tone(0.7 - lag) }
            })
            .collect()
    }

    #[test]
    fn whole_turns_are_found_by_the_low_tone() {
        let tracks = Tracks { distance_mm: 0.65, speed_mm_s: 23.39 };
        for min in [-57.0, -45.0, -20.0, -3.0, 0.0, 4.0, 19.0, 44.0, 57.0] {
            let got =
                azimuth_min(&pairs(&tracks, 1000.0, min, 1e-3), &pairs(&tracks, 6000.0, min, 1e-3), &tracks).unwrap();
            assert!((got.value - min).abs() < 0.01, "{min}: {got:?}");
        }
        // A low tone in the noise cannot tell.
        let unsure = azimuth_min(&pairs(&tracks, 1000.0, 20.0, 0.5), &pairs(&tracks, 6000.0, 20.0, 1e-3), &tracks);
        assert!(matches!(unsure, Err(MeasureError::InNoise { .. })), "{unsure:?}");
    }

    /// Captures that weave slowly are worth fewer, in the error and in its degrees of freedom alike.
    #[test]
    fn captures_that_remember_each_other_have_fewer_degrees_of_freedom() {
        let tracks = Tracks { distance_mm: 0.65, speed_mm_s: 23.39 };
        let woven = |hz: f64| -> Vec<Pair> {
            (0..24)
                .map(|i| {
                    let lag = phase_of(&tracks, hz, minutes(3.0 + (TURN * f64::from(i) / 24.0).sin()));
                    let tone =
                        |phase: f64| Tone { hz, cosine: 0.3 * phase.cos(), sine: -0.3 * phase.sin(), error: 1e-5 };
                    Pair { left: tone(0.7), right: tone(0.7 - lag) }
                })
                .collect()
        };
        let got = azimuth_min(&woven(1000.0), &woven(6000.0), &tracks).unwrap();
        let dof = got.contributions[0].degrees_of_freedom.unwrap();
        assert!(dof < 5.0, "{dof} of 24 captures");
    }
}
