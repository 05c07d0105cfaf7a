//! Whether the tracking moves by itself: to and fro is a servo that hunts, and works against any adjustment.

use crate::bench::Eye;
use crate::parameters::WATCH_S;
use tapewright_sdk::measure::slip::{Course, course_of};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

/// What to do about it.
pub(crate) const SET_TO_MANUAL: &str =
    "The tracking moves by itself: automatic tracking works against the adjustment. Set tracking to manual.";

/// Of how many deviations the middle nine tenths of what scatters are.
const OF_BINS: f64 = 3.29;

/// Turns from rising to falling and back in a course, each by at least `least`. Noise below that is none.
pub(crate) fn reversals(course: &[f64], least: f64) -> usize {
    let Some(&first) = course.first() else { return 0 };
    let (mut low, mut high) = (first, first);
    // The side from which the course last turned; none: it has not moved yet.
    let mut rising: Option<bool> = None;
    let mut turns = 0;
    for &value in course {
        low = low.min(value);
        high = high.max(value);
        if rising != Some(true) && value - low >= least {
            turns += usize::from(rising.is_some());
            (rising, high) = (Some(true), value);
        } else if rising != Some(false) && high - value >= least {
            turns += usize::from(rising.is_some());
            (rising, low) = (Some(false), value);
        }
    }
    turns
}

/// Watches the level at centre, and refuses one that changes.
///
/// # Errors
/// `not-steady`, with the finding.
pub(crate) fn demand_still(eye: &Eye, settings: &Settings, report: &mut Report) -> Result<()> {
    let slow = Front::slow(&eye.subject)?;
    let span_s = settings.number(&WATCH_S).min(slow.longest_record_s());
    report.progress(0.15, "watching whether the tracking stands");
    let record = slow.record(span_s, None, false).on("steadiness")?;
    let level = slow.level_against_time(&record, &slow.no_floor()?).on("steadiness")?;
    let course = course_of(&level).on("steadiness")?;
    // Where one head is silent a frame's level hangs on how the bins fall on the other: that is no swing, and the frames of each
    // place still have to be steady.
    if course.swing * greatest(&level.level_v) <= OF_BINS * level.bins_v {
        return Ok(());
    }
    let swing = format!("the level changes by {:.0} % within {:.0} s", 100.0 * course.swing, course.observed_s);
    let hunts = match course.course {
        Course::Steady => return Ok(()),
        Course::Slip { ref frequency, .. } if course.swing > 0.5 => {
            report.found(Finding::TapeSlip, &format!("{swing}, {:.3} times a second", frequency.value));
            return Err(Unable::new(
                UnableCode::NotSteady,
                format!("{swing}, evenly: the tape slips, and a guide cannot be told; run still-against-play"),
            )
            .on("guides"));
        }
        Course::Slip { .. } | Course::Irregular { .. } => true,
        Course::Slow { .. } => reversals(&level.level_v, 0.5 * course.swing * greatest(&level.level_v)) > 0,
    };
    if hunts {
        report.found(Finding::TrackingHunting, &format!("{swing} to and fro, with nobody turning the tracking"));
        report.advise(SET_TO_MANUAL);
    }
    let why = if hunts {
        format!("{swing}, to and fro: {}", SET_TO_MANUAL.to_lowercase())
    } else {
        format!("{swing}: wait until the tracking stands, set it to manual, and try again")
    };
    Err(Unable::new(UnableCode::NotSteady, why).on("guides"))
}

fn greatest(levels: &[f64]) -> f64 {
    levels.iter().fold(0.0, |m, v| m.max(*v))
}

#[cfg(test)]
mod tests {
    use super::reversals;

    #[test]
    fn only_turns_that_go_far_count() {
        let wave = |n: usize, turns: f64, by: f64| -> Vec<f64> {
            (0..n).map(|i| by * (core::f64::consts::TAU * turns * i as f64 / n as f64).sin()).collect()
        };
        // A sine of two periods has its first rise, then four turns less the one that the end cuts off.
        for (course, least, want) in [
            (wave(200, 2.0, 1.0), 0.5, 4),
            (wave(200, 2.0, 0.2), 0.5, 0),
            ((0..100).map(f64::from).collect(), 10.0, 0),
            (Vec::new(), 0.1, 0),
            (vec![0.0, 1.0, 0.0, 1.0, 0.0], 0.5, 3),
        ] {
            assert_eq!(reversals(&course, least), want, "{least} {}", course.len());
        }
    }
}
