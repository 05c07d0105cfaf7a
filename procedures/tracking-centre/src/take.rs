//! One place of the tracking control: the level of both heads, and the delay.

use tapewright_sdk::heads::name;
use tapewright_sdk::measure::preconditions::demand_clear_of_noise;
use tapewright_sdk::measure::pulses::mean_delay;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::statistics::moments;
use tapewright_sdk::measure::tracking::Step;
use tapewright_sdk::measure::{HeadCurve, ScanLevels};
use tapewright_sdk::phase::PhaseTaker;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// The servo has come to rest when two bursts of looks agree within so many pitches.
const RESTED: f64 = 0.01;
/// Bursts that are waited for that.
const PATIENCE: usize = 8;
/// A phase that scatters by more pitches than this in one burst is being moved by something.
const STEADY: f64 = 0.1;
/// Scans of a capture: one of each head.
const SCANS: u32 = 2;

/// What was captured at one place.
pub(crate) struct Place {
    captures: Vec<Capture>,
    /// Delay, modulo a frame.
    pub(crate) delay: Estimate,
}

pub(crate) struct Taker {
    pub(crate) front: Front,
    pub(crate) phase: PhaseTaker,
    pub(crate) field_hz: f64,
    pub(crate) frames: u32,
}

impl Taker {
    /// The delay when the servo has come to rest.
    fn rest(&mut self) -> Result<Estimate> {
        let frame_s = self.phase.period_s();
        let mut last: Option<f64> = None;
        for _ in 0..PATIENCE {
            let looks = self.phase.burst()?;
            let phases: Vec<f64> = looks.iter().map(|look| look.phase_s).collect();
            let u_s = looks.iter().map(|look| look.phase_u_s).fold(0.0, f64::max);
            let Ok(mean) = mean_delay(&phases, frame_s, u_s) else {
                last = None;
                continue;
            };
            let near = |a: f64, b: f64| ((a - b + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s).abs();
            let scatter = phases.iter().map(|phase| near(*phase, mean.value)).fold(0.0, f64::max) * self.field_hz;
            if last.is_some_and(|before| near(before, mean.value) * self.field_hz < RESTED) && scatter < STEADY {
                return Ok(mean);
            }
            last = Some(mean.value);
        }
        Err(Unable::new(
            UnableCode::NotSteady,
            "the delay from control pulse to head switch does not come to rest: set tracking to manual, and see that the tape is locked (`capstan-lock`)",
        ))
    }

    /// Looks at one place of the control.
    pub(crate) fn place(&mut self) -> Result<Place> {
        let delay = self.rest()?;
        let captures = self.front.frames(ScanHead::A, SCANS, self.frames)?;
        Ok(Place { captures, delay })
    }

    pub(crate) fn floor(&self) -> Result<Floor> {
        self.front.floor_in_stop(SCANS)
    }

    /// What is said of each head that does not stand clear of the noise at a place.
    pub(crate) fn silent(&self, place: &Place, floor: &Floor, times: f64) -> Result<Vec<Unable>> {
        let mut said = Vec::new();
        for head in &self.front.heads {
            let mut frames: Vec<ScanLevels> = Vec::new();
            for capture in &place.captures {
                let levels = self.front.levels(capture, floor, ScanHead::A, SCANS)?;
                frames.extend(levels.into_iter().filter(|(of, _)| of == head).map(|(_, of)| of));
            }
            let curve = HeadCurve::over_frames(&frames).on(name(*head))?;
            said.extend(demand_clear_of_noise(&curve, times).on(name(*head)).err());
        }
        Ok(said)
    }

    /// The step of a place: mean level of the heads, the delay next to that of the control's own centre.
    pub(crate) fn step(&self, place: &Place, floor: &Floor, about_s: f64) -> Result<Step> {
        let frame_s = self.phase.period_s();
        let mut frames: Vec<f64> = Vec::new();
        let mut random_v: f64 = 0.0;
        for capture in &place.captures {
            let levels: Vec<(ScanHead, ScanLevels)> = self.front.levels(capture, floor, ScanHead::A, SCANS)?;
            let n = levels.len().max(1) as f64;
            frames.push(levels.iter().map(|(_, of)| of.mean_v()).sum::<f64>() / n);
            let each = levels.iter().flat_map(|(_, of)| of.random_v).map(|u| u * u).sum::<f64>();
            random_v = random_v.max(each.sqrt() / (n * levels.first().map_or(1, |(_, of)| of.random_v.len()) as f64));
        }
        let m = moments(&frames)?;
        let level_u_v = (m.standard_deviation.max(random_v)) / (m.count as f64).sqrt();
        let away = (place.delay.value - about_s + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s;
        Ok(Step { delay_s: away, delay_u_s: place.delay.standard_uncertainty, level_v: m.mean, level_u_v })
    }
}
