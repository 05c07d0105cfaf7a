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
pub(crate) const RESTED: f64 = 0.01;
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

/// Level at one place.
pub(crate) struct Steps {
    /// Mean of the heads.
    pub(crate) both: Step,
    /// Each head that is hooked up.
    pub(crate) heads: Vec<(ScanHead, Step)>,
}

pub(crate) struct Taker {
    pub(crate) front: Front,
    pub(crate) phase: PhaseTaker,
    pub(crate) field_hz: f64,
    pub(crate) frames: u32,
}

impl Taker {
    /// The delay when the servo has come to rest.
    pub(crate) fn rest(&mut self) -> Result<Estimate> {
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
            let near = |a: f64, b: f64| self.pitches_between(a, b).abs();
            let scatter = phases.iter().map(|phase| near(*phase, mean.value)).fold(0.0, f64::max);
            if last.is_some_and(|before| near(before, mean.value) < RESTED) && scatter < STEADY {
                return Ok(mean);
            }
            last = Some(mean.value);
        }
        Err(Unable::new(
            UnableCode::NotSteady,
            "the delay from control pulse to head switch does not come to rest: set tracking to manual, and see that the tape is locked (`capstan-lock`)",
        ))
    }

    /// From one delay to another, in track pitches: modulo a frame, the shorter way.
    pub(crate) fn pitches_between(&self, from_s: f64, to_s: f64) -> f64 {
        let frame_s = self.phase.period_s();
        ((to_s - from_s + 0.5 * frame_s).rem_euclid(frame_s) - 0.5 * frame_s) * self.field_hz
    }

    /// Looks at one place of the control.
    pub(crate) fn place(&mut self) -> Result<Place> {
        let delay = self.rest()?;
        self.look_at(delay)
    }

    /// The same where the servo has come to rest, with this delay.
    pub(crate) fn look_at(&mut self, delay: Estimate) -> Result<Place> {
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

    /// The steps of a place: mean level of the heads, and of each, the delay next to that of the control's own centre.
    pub(crate) fn steps(&self, place: &Place, floor: &Floor, about_s: f64) -> Result<Steps> {
        let mut frames: Vec<Vec<(ScanHead, ScanLevels)>> = Vec::new();
        for capture in &place.captures {
            frames.push(self.front.levels(capture, floor, ScanHead::A, SCANS)?);
        }
        let step = |heads: &[ScanHead]| -> Result<Step> {
            let level = level_of(&frames, heads)?;
            let delay_s = self.pitches_between(about_s, place.delay.value) / self.field_hz;
            let delay_u_s = place.delay.standard_uncertainty;
            Ok(Step { delay_s, delay_u_s, level_v: level.0, level_u_v: level.1 })
        };
        let heads = self.front.heads.iter().map(|head| Ok((*head, step(&[*head])?))).collect::<Result<_>>()?;
        Ok(Steps { both: step(&self.front.heads)?, heads })
    }
}

/// Mean level of heads over the frames, and its standard uncertainty.
fn level_of(frames: &[Vec<(ScanHead, ScanLevels)>], heads: &[ScanHead]) -> Result<(f64, f64)> {
    let mut means: Vec<f64> = Vec::new();
    let mut random_v: f64 = 0.0;
    for frame in frames {
        let levels: Vec<&ScanLevels> =
            frame.iter().filter(|(head, _)| heads.contains(head)).map(|(_, levels)| levels).collect();
        let n = levels.len().max(1) as f64;
        means.push(levels.iter().map(|of| of.mean_v()).sum::<f64>() / n);
        let each = levels.iter().flat_map(|of| of.random_v).map(|u| u * u).sum::<f64>();
        random_v = random_v.max(each.sqrt() / (n * levels.first().map_or(1, |of| of.random_v.len()) as f64));
    }
    let m = moments(&means)?;
    Ok((m.mean, m.standard_deviation.max(random_v) / (m.count as f64).sqrt()))
}
