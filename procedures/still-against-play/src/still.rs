//! Still: the tape at rest, the heads going on. A curve has a shape there (the head crosses a pitch in
//! a scan), but it repeats from frame to frame.

use crate::parameters::{FRAMES, STOPS};
use tapewright_sdk::formats::definitions::SEGMENTS;
use tapewright_sdk::heads::name;
use tapewright_sdk::measure::curve::greatest_level;
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::measure::statistics::{deviation_interval, moments};
use tapewright_sdk::measure::steadiness::frame_to_frame_change;
use tapewright_sdk::measure::{COVERAGE, HeadCurve, ScanLevels};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::{Floor, Front};

/// A stop tells of a head only where its mean level is so many times the noise.
const CLEAR: f64 = 3.0;

/// A healthy head as wide as the pitch reaches at least half of its full level at any stop (it
/// crosses one pitch in a scan, and its own tracks lie two pitches apart), so over several stops it
/// cannot stay below this share of the other head. Follows from the scan's geometry; the margin is common practice, no source.
const LEAST_SHARE: f64 = 0.4;

/// One head over all stops.
pub(crate) struct HeadInStill {
    pub(crate) head: ScanHead,
    /// Frames of each stop where the head stood clear of the noise.
    clear: Vec<Vec<ScanLevels>>,
    /// Greatest level anywhere, over all stops, against other levels of the same set-up: what is common to them is not counted.
    pub(crate) best: Estimate,
    /// The same in volts, all that makes it uncertain counted.
    pub(crate) level: Estimate,
    /// Noise, as an amplitude in volts.
    noise_v: f64,
}

/// Takes a few frames of both heads at each of several stops, from play. The dwell is kept short.
pub(crate) fn take(front: &Front, settings: &Settings, report: &mut Report) -> Result<Vec<Vec<Capture>>> {
    let (stops, frames) = (settings.count(&STOPS), settings.count(&FRAMES));
    let mut taken = Vec::new();
    for stop in 0..stops {
        report
            .progress(0.5 + 0.3 * f64::from(stop) / f64::from(stops), &format!("still, stop {} of {stops}", stop + 1));
        go(if stop == 0 { Mode::Still } else { Mode::Advance })?;
        taken.push(front.frames(ScanHead::A, 2, frames)?);
    }
    Ok(taken)
}

/// What each head shows at the stops, the noise taken off.
pub(crate) fn read(taken: &[Vec<Capture>], front: &Front, floor: &Floor) -> Result<Vec<HeadInStill>> {
    let mut seen: Vec<(ScanHead, Vec<Vec<ScanLevels>>)> = front.heads.iter().map(|head| (*head, Vec::new())).collect();
    for stop in taken {
        let levels = stop
            .iter()
            .map(|capture| front.levels(capture, floor, ScanHead::A, 2))
            .collect::<Result<Vec<_>>>()?
            .concat();
        for (head, all) in &mut seen {
            all.push(levels.iter().filter(|(of, _)| of == head).map(|(_, levels)| levels.clone()).collect());
        }
    }
    let heads: Vec<HeadInStill> =
        seen.into_iter().map(|(head, stops)| HeadInStill::new(head, stops).on(name(head))).collect::<Result<_>>()?;
    floor.demand_below(best_v(&heads))?;
    Ok(heads)
}

/// The greatest level of any head at any stop, in volts.
pub(crate) fn best_v(heads: &[HeadInStill]) -> f64 {
    heads.iter().map(|head| head.best.value).fold(0.0, f64::max)
}

impl HeadInStill {
    fn new(head: ScanHead, stops: Vec<Vec<ScanLevels>>) -> Result<Self> {
        let mut best: Option<(Estimate, Estimate)> = None;
        let mut noise_v: f64 = 0.0;
        let mut clear = Vec::new();
        for frames in stops {
            let curve = HeadCurve::over_frames(&frames)?;
            let here = against_others(&curve)?;
            if best.as_ref().is_none_or(|(best, _)| here.value > best.value) {
                best = Some((here, greatest_level(&curve)?));
            }
            noise_v = noise_v.max(curve.noise_v);
            if curve.mean_v() > CLEAR * curve.noise_v {
                clear.push(frames);
            }
        }
        let (best, level) = best.ok_or_else(|| Unable::new(UnableCode::TooShort, "no stop was looked at"))?;
        Ok(Self { head, clear, best, level, noise_v })
    }

    /// Whether it stood clear of the noise anywhere.
    pub(crate) fn heard(&self) -> bool {
        !self.clear.is_empty()
    }

    /// Modulation over the frames of a stop, all stops together; and whether the shape repeats as well.
    pub(crate) fn modulation(&self, steady: f64) -> Result<(Estimate, bool)> {
        let mut repeats = true;
        for frames in &self.clear {
            repeats &= frame_to_frame_change(frames)?.change.value <= steady;
        }
        Ok((pooled_modulation(&self.clear)?, repeats))
    }
}

/// Greatest segment of a curve, with its uncertainty against other levels of the same set-up.
fn against_others(curve: &HeadCurve) -> Result<Estimate> {
    let k = curve.greatest();
    let scatter = Contribution {
        degrees_of_freedom: curve.shape_dof,
        ..Contribution::type_a("scatter over frames", curve.standard_error_v[k], 1.0)
    };
    let mut contributions = vec![scatter];
    contributions.extend(curve.shared_at(k));
    Ok(Estimate::combined(curve.median_v[k], contributions)?.within(0.0, f64::MAX))
}

/// Relative standard deviation of the scans' mean level within a stop, pooled over the stops: `sqrt(sum (n - 1)
/// (s^2 - noise^2) / m^2 / sum (n - 1))`, with a chi-square interval. From stop to stop the level differs by nature.
fn pooled_modulation(stops: &[Vec<ScanLevels>]) -> Result<Estimate> {
    let (mut seen, mut noise, mut free) = (0.0, 0.0, 0.0);
    for frames in stops {
        let means: Vec<f64> = frames.iter().map(ScanLevels::mean_v).collect();
        let m = moments(&means)?;
        let own = frames.iter().map(|f| f.random_v.iter().map(|u| u * u).sum::<f64>()).sum::<f64>();
        let own = own / (frames.len() * SEGMENTS * SEGMENTS) as f64;
        let dof = (m.count as f64 - 1.0).max(0.0);
        seen += dof * (m.standard_deviation / m.mean).powi(2);
        noise += dof * own / (m.mean * m.mean);
        free += dof;
    }
    if free < 1.0 {
        return Err(Unable::new(UnableCode::TooShort, "no stop with two frames clear of the noise"));
    }
    let (deviation, noise) = ((seen / free).sqrt(), noise / free);
    let clean = |s: f64| (s * s - noise).max(0.0).sqrt();
    let (low, high) = deviation_interval(deviation, free, COVERAGE);
    let u = deviation / (2.0 * free).sqrt();
    // The noise that is taken off is itself a prediction: the upper end does without.
    Ok(Estimate::with_interval(
        clean(deviation),
        clean(low),
        high,
        u,
        Some(free),
        vec![Contribution::type_a("number of frames", u, free)],
    )?)
}

/// The head that is surely weak: it stays far below the other at every stop, or in the noise.
pub(crate) fn weak(a: &HeadInStill, b: &HeadInStill) -> Option<Finding> {
    let below = |one: &HeadInStill, other: &HeadInStill| {
        let most = one.best.interval.high.max(one.noise_v);
        other.heard() && most < LEAST_SHARE * other.best.interval.low
    };
    if below(a, b) {
        Some(Finding::HeadAWeak)
    } else if below(b, a) {
        Some(Finding::HeadBWeak)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_sdk::measure::colour::ColourPart;

    fn scan(level_v: f64) -> ScanLevels {
        ScanLevels {
            level_v: [level_v; SEGMENTS],
            random_v: [0.001; SEGMENTS],
            shared: Vec::new(),
            common: Vec::new(),
            of_head: Vec::new(),
            shape_u: 0.0,
            colour: ColourPart::None,
            noise_v: 0.004,
            frame_u: 0.0,
        }
    }

    fn head(head: ScanHead, stops: &[[f64; 3]]) -> HeadInStill {
        HeadInStill::new(head, stops.iter().map(|levels| levels.iter().map(|v| scan(*v)).collect()).collect()).unwrap()
    }

    #[test]
    fn levels_that_differ_from_stop_to_stop_are_steady() {
        let seen = head(ScanHead::A, &[[0.2, 0.201, 0.2], [0.1, 0.1, 0.1005], [0.05, 0.05, 0.05]]);
        let (modulation, repeats) = seen.modulation(0.1).unwrap();
        assert!(modulation.interval.high < 0.02 && repeats, "{modulation:?}");
        let seen = head(ScanHead::A, &[[0.2, 0.1, 0.02], [0.1, 0.18, 0.02], [0.05, 0.15, 0.2]]);
        let (modulation, repeats) = seen.modulation(0.1).unwrap();
        assert!(modulation.interval.low > 0.3 && !repeats, "{modulation:?}");
    }

    #[test]
    fn a_head_is_weak_only_when_it_stays_low_at_every_stop() {
        let whole = head(ScanHead::A, &[[0.2; 3], [0.1; 3], [0.15; 3]]);
        for (levels, want) in [
            // Half the level at one stop is ordinary.
            ([[0.1; 3], [0.1; 3], [0.1; 3]], None),
            ([[0.02; 3], [0.19; 3], [0.03; 3]], None),
            ([[0.03; 3], [0.05; 3], [0.04; 3]], Some(Finding::HeadBWeak)),
            ([[0.001; 3], [0.002; 3], [0.0; 3]], Some(Finding::HeadBWeak)),
        ] {
            let other = head(ScanHead::B, &levels);
            assert_eq!(weak(&whole, &other), want, "{levels:?}");
        }
        let silent = head(ScanHead::A, &[[0.001; 3]]);
        assert_eq!(weak(&silent, &head(ScanHead::B, &[[0.0; 3]])), None);
        assert!(!silent.heard());
        assert_eq!(silent.modulation(0.1).unwrap_err().code, UnableCode::TooShort);
    }
}
