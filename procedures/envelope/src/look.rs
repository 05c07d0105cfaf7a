//! Looking at the heads in play, and what must hold before a curve may be judged.

use tapewright_sdk::control::ControlPulses;
use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::heads::{CLEAR_OF_NOISE, STEADY, name};
use tapewright_sdk::measure::curve::modulation;
use tapewright_sdk::measure::preconditions::{bars_in_scan, demand_clear_of_noise, demand_fitting_speed};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::steadiness::demand_steady;
use tapewright_sdk::measure::{HeadCurve, ScanLevels};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// Half a second holds a dozen control pulses: enough to tell a wrong speed, which is off by a third or more.
const CONTROL_SPAN_S: f64 = 0.5;

/// One head in play.
pub(crate) struct Look {
    pub(crate) head: ScanHead,
    pub(crate) frames: Vec<ScanLevels>,
    pub(crate) curve: HeadCurve,
}

impl Look {
    /// From captures that began at the head-switch edge that selects the head.
    pub(crate) fn new(front: &Front, floor: &Floor, head: ScanHead, captures: &[Capture]) -> Result<Self> {
        let mut frames = Vec::new();
        for capture in captures {
            let levels = front.levels(capture, floor, head, 1).on(name(head))?;
            frames.extend(levels.into_iter().filter(|(of, _)| *of == head).map(|(_, levels)| levels));
        }
        let curve = HeadCurve::over_frames(&frames).on(name(head))?;
        Ok(Self { head, frames, curve })
    }

    /// Refuses a level that does not stand clear of the noise.
    pub(crate) fn demand_clear(&self, settings: &Settings) -> Result<()> {
        demand_clear_of_noise(&self.curve, settings.number(&CLEAR_OF_NOISE))
            .on(&format!("{}.flatness", name(self.head)))
    }

    /// Reports the modulation, and refuses a curve that changes from frame to frame: its median has no shape.
    pub(crate) fn demand_steady(&self, settings: &Settings, report: &mut Report) -> Result<()> {
        let name = name(self.head);
        report.measured(Measured::new(format!("{name}.modulation"), Unit::One, &modulation(&self.frames)?));
        demand_steady(&self.frames, settings.number(&STEADY)).on(&format!("{name}.flatness"))?;
        Ok(())
    }
}

/// What is known about the tape's speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Speed {
    /// Control pulses come once a frame.
    Fits,
    /// No control pulses tell.
    NotTold,
}

/// Whether the tape's speed fits its recording, by the rate of the control pulses.
///
/// # Errors
/// `wrong-speed`, with the finding.
pub(crate) fn speed(lines: LineStandard, report: &mut Report) -> Result<Speed> {
    let Some(point) = hookup()?.into_iter().find(|point| point.signal == Signal::ControlTrack && !point.trigger_only)
    else {
        report.note("The control track is not hooked up: that the tape's speed fits its recording is told by the curves' shape alone.");
        return Ok(Speed::NotTold);
    };
    let (pulses, timebase_u) = match ControlPulses::new(point.form).look(CONTROL_SPAN_S) {
        Ok(seen) => seen,
        Err(unable) if unable.code == UnableCode::InNoise => {
            report.note("No control pulses were seen: that the tape's speed fits its recording is told by the curves' shape alone.");
            return Ok(Speed::NotTold);
        }
        Err(unable) => return Err(unable.on("tape speed")),
    };
    let rate = match pulses.rate(lines.frame_rate_hz(), timebase_u) {
        Ok(rate) => rate,
        Err(error) => {
            report.note(&format!("The control pulses do not tell the tape's speed: {error}."));
            return Ok(Speed::NotTold);
        }
    };
    report.measured(Measured::new("control-track.rate", Unit::Hertz, &rate));
    if let Err(error) = demand_fitting_speed(&rate, lines) {
        let unable = Unable::from(error).on("tape speed");
        if unable.code == UnableCode::WrongSpeed {
            report.found(Finding::WrongTapeSpeed, &unable.why);
            report.advise("Set the machine's speed to that of the recording, then look again.");
        }
        return Err(unable);
    }
    Ok(Speed::Fits)
}

/// Refuses bars across the scan where nothing else tells that the speed fits: heads that cross tracks
/// look like a path that sags deeply.
pub(crate) fn demand_no_bars(looks: &[Look], speed: Speed) -> Result<()> {
    if speed == Speed::Fits {
        return Ok(());
    }
    match looks.iter().find(|look| bars_in_scan(&look.curve) > 0) {
        None => Ok(()),
        Some(look) => Err(Unable::new(
            UnableCode::WrongSpeed,
            format!(
                "{} falls below half of its level within the scan, and no control pulses tell whether the tape's speed fits: a \
                 wrong speed and a path far off look alike; hook up the control track or try a tape of known speed",
                name(look.head)
            ),
        )
        .on("tape speed")),
    }
}
