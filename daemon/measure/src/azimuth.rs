//! Azimuth of the audio head from the phase between two tracks, at two tones.
//!
//! `phase = 360 d tan(e) f / v` degrees (the published table of phase against azimuth, J. G. McKnight). A phase is known
//! to within whole turns only: the low tone says how many turns the high one has, and must be able to.

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
    mean: f64,
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
    Ok(Lag { mean: m.mean, scatter, dof: (fewer - 1.0).max(1.0), stated })
}

/// Azimuth error in minutes of arc, from captures of a low and a high tone (each at least two).
///
/// # Errors
/// [`MeasureError::InNoise`] where the low tone does not say surely how many turns the high one has,
/// [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn azimuth_min(low: &[Pair], high: &[Pair], tracks: &Tracks) -> Result<Estimate, MeasureError> {
    positive("distance of the tracks", tracks.distance_mm)?;
    positive("tape speed", tracks.speed_mm_s)?;
    crate::error::at_least("captures of the low tone", low.len(), 2)?;
    crate::error::at_least("captures of the high tone", high.len(), 2)?;
    let (low_hz, high_hz) = (low[0].left.hz, high[0].left.hz);
    let rough = mean_lag(low)?;
    let Lag { mean: fine, scatter, dof, stated } = mean_lag(high)?;
    let expected = rough.mean * high_hz / low_hz;
    let turns = ((expected - fine) / TURN).round();
    let away = (expected - fine) / TURN - turns;
    let unsure = rough.scatter.max(rough.stated) * high_hz / low_hz / TURN;
    // Four standard errors within half a turn, and the two tones agree.
    if 4.0 * unsure > 0.5 || away.abs() > 0.25_f64.max(4.0 * unsure) {
        return Err(MeasureError::InNoise {
            what: "turns of the high tone's phase",
            detail: format!(
                "the low tone says {:.2} turns with a standard error of {unsure:.2}, the high one is {away:.2} turns away from a fit; take tones of a smaller ratio, or more level",
                expected / TURN
            ),
        });
    }
    let phase = fine + TURN * turns;
    let to_min = |rad: f64| rad.to_degrees() * 60.0;
    let value = azimuth_of(tracks, high_hz, phase);
    let slope = tracks.speed_mm_s / (TURN * high_hz * tracks.distance_mm) * value.cos().powi(2);
    Estimate::combined(
        to_min(value),
        vec![
            Contribution::type_a("captures: noise, weave of the tape", to_min(slope * scatter), dof),
            Contribution::type_b("noise of a fit and steps of the converter", to_min(slope * stated)),
        ],
    )
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

    /// Phase against azimuth: the published, rounded figures (J. G. McKnight), within 10 %, at 300 microradians, and our own
    /// of the 525- and 625-line cassette formats.
    #[test]
    fn the_published_table() {
        for (distance_mm, speed_mm_s, want) in
            [(4.3, 95.0, 45.0), (10.5, 95.0, 110.0), (23.0, 95.0, 260.0), (4.3, 190.0, 22.0)]
        {
            let got = phase_of(&Tracks { distance_mm, speed_mm_s }, 10_000.0, 300e-6).to_degrees();
            assert!((got / want - 1.0).abs() < 0.12, "{distance_mm} mm: {got}, published {want}");
            let by_minute = phase_of(&Tracks { distance_mm, speed_mm_s }, 10_000.0, minutes(1.0)).to_degrees();
            assert!((by_minute / want - 1.0).abs() < 0.10, "{distance_mm} mm: {by_minute}, published {want}");
        }
        for (speed_mm_s, degrees, quarter) in [(33.35, 12.25, 7.35), (23.39, 17.46, 5.15)] {
            let tracks = Tracks { distance_mm: 0.65, speed_mm_s };
            assert!((phase_of(&tracks, 6000.0, minutes(1.0)).to_degrees() - degrees).abs() < 0.01);
            let back = azimuth_of(&tracks, 6000.0, TURN / 4.0).to_degrees() * 60.0;
            assert!((back - quarter).abs() < 0.01, "{back}");
        }
    }

    /// Loss of a 1.0 mm track at 6 kHz: 1, 5, 10 minutes are -0.04, -1.00, -4.34 dB on 525 lines, -0.08, -2.09, -10.3 on 625 (computed).
    #[test]
    fn losses_and_their_angles() {
        for (speed, loss, min) in
            [(33.35, 0.04, 1.0), (33.35, 1.00, 5.0), (33.35, 4.34, 10.0), (23.39, 2.09, 5.0), (23.39, 10.3, 10.0)]
        {
            let got = azimuth_for_loss_min(loss, 1.0, 6000.0, speed).unwrap();
            assert!((got / min - 1.0).abs() < 0.06, "{loss} dB at {speed}: {got}, expected {min}");
        }
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
