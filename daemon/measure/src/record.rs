//! Level against time, from one slow gap-free record: what slip and hunting are read from.

use crate::carrier::Carrier;
use crate::error::{MeasureError, at_least, positive};
use crate::lift::Lift;
use crate::peaks::PeakNoise;
use crate::power::PowerNoise;
use crate::trace::{PairTrace, Trace};

/// Level once a frame of both heads together.
#[derive(Debug, Clone, PartialEq)]
pub struct LevelRecord {
    /// Middle of the first frame, in seconds from the trigger.
    pub t0_s: f64,
    /// From point to point.
    pub dt_s: f64,
    /// Levels, in volts.
    pub level_v: Vec<f64>,
    /// Frames a second.
    pub frame_rate_hz: f64,
}

impl LevelRecord {
    /// Length of the record, in seconds.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        self.level_v.len() as f64 * self.dt_s
    }
}

/// Averages over whole frames: a running sum, read at frame borders by linear interpolation, so that
/// bins need not divide a frame.
fn over_frames(start_s: f64, dt_s: f64, values: &[f64], frame_rate_hz: f64) -> Result<LevelRecord, MeasureError> {
    let frame = (1.0 / frame_rate_hz).max(dt_s);
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    let mut total = 0.0;
    for v in values {
        total += v;
        sums.push(total);
    }
    let at = |place: f64| {
        let i = (place as usize).min(values.len().saturating_sub(1));
        sums[i] + (place - i as f64) * values[i]
    };
    let frames = (values.len() as f64 * dt_s / frame + 1e-9) as usize;
    at_least("frames of a slow record", frames, 8)?;
    let bins = frame / dt_s;
    let level_v = (0..frames)
        .map(|n| (at(((n + 1) as f64 * bins).min(values.len() as f64)) - at(n as f64 * bins)) / bins)
        .collect();
    Ok(LevelRecord { t0_s: start_s + 0.5 * frame, dt_s: frame, level_v, frame_rate_hz })
}

/// From peak-detect pairs whose bins are at most a frame long (half a scan or less keeps both heads).
/// The noise's lift is taken off bin by bin.
///
/// # Errors
/// [`MeasureError::Clipped`], [`MeasureError::TooShort`] below eight frames,
/// [`MeasureError::TooSlow`], [`MeasureError::BadParameter`].
pub fn level_from_pairs(
    pairs: &PairTrace,
    noise: &PeakNoise,
    carrier: &Carrier,
    frame_rate_hz: f64,
) -> Result<LevelRecord, MeasureError> {
    pairs.conversion().demand_unclipped("RF")?;
    carrier.check()?;
    positive("frame rate", frame_rate_hz)?;
    if pairs.dt_s() * frame_rate_hz > 1.0 {
        return Err(MeasureError::TooSlow {
            what: "level against time",
            rate_hz: 1.0 / pairs.dt_s(),
            needed_hz: frame_rate_hz,
        });
    }
    let sigma = noise.deviation_v();
    let lift = Lift::new(noise.looks(pairs.dt_s()), carrier.sync_hz * pairs.dt_s());
    let levels: Vec<f64> = (0..pairs.len())
        .map(|i| {
            let seen = pairs.half_range(i);
            if sigma > 0.0 { sigma * lift.amplitude(seen / sigma) } else { seen }
        })
        .collect();
    over_frames(pairs.t0_s() - 0.5 * pairs.dt_s(), pairs.dt_s(), &levels, frame_rate_hz)
}

/// From under-sampled RF, at least 16 samples a frame: root of the frame's power less the noise's.
///
/// # Errors
/// As [`level_from_pairs`].
pub fn level_from_samples(trace: &Trace, noise: &PowerNoise, frame_rate_hz: f64) -> Result<LevelRecord, MeasureError> {
    trace.conversion().demand_unclipped("RF")?;
    positive("frame rate", frame_rate_hz)?;
    if trace.dt_s() * frame_rate_hz * 16.0 > 1.0 + 1e-6 {
        return Err(MeasureError::TooSlow {
            what: "level against time by power",
            rate_hz: 1.0 / trace.dt_s(),
            needed_hz: 16.0 * frame_rate_hz,
        });
    }
    let n = trace.volts().len().max(1) as f64;
    let offset = trace.volts().iter().map(|v| f64::from(*v)).sum::<f64>() / n;
    let own = noise.deviation_v().powi(2);
    let powers: Vec<f64> = trace.volts().iter().map(|v| 2.0 * ((f64::from(*v) - offset).powi(2) - own)).collect();
    let mut record = over_frames(trace.t0_s() - 0.5 * trace.dt_s(), trace.dt_s(), &powers, frame_rate_hz)?;
    for v in &mut record.level_v {
        *v = v.max(0.0).sqrt();
    }
    Ok(record)
}

/// From levels that come one a scan, both heads by turns (detected RF, or curves of single scans taken
/// in one gap-free record).
///
/// # Errors
/// [`MeasureError::NotFinite`], [`MeasureError::TooShort`], [`MeasureError::BadParameter`].
pub fn level_from_scans(start_s: f64, scan_s: f64, levels_v: &[f64]) -> Result<LevelRecord, MeasureError> {
    crate::error::finite("levels of scans", levels_v)?;
    positive("length of a scan", scan_s)?;
    over_frames(start_s, scan_s, levels_v, 0.5 / scan_s)
}
