//! The exact truth about guides and contact, by the written definitions.

use super::Machine;
use super::reading::dip;
use serde::Serialize;
use tapewright_formats::definitions::{ENTRANCE, EXIT, GUARD_LINES, MIDDLE, SEGMENTS, segment_start};

/// Instants at which a segment is looked at.
const LOOKS: usize = 24;

/// Height errors and contact.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct GuideTruth {
    /// Height error of the entrance, micrometres across the track.
    pub entrance_um: f64,
    /// Height error of the exit.
    pub exit_um: f64,
    /// Least contact along the scan (ratio).
    pub contact: f64,
}

impl Machine {
    /// Height errors against the path of the tape that is in, and contact, at an instant.
    #[must_use]
    pub fn guide_truth(&self, at_s: f64) -> Option<GuideTruth> {
        let conditions = self.timeline.at(at_s).conditions.clone();
        let tape = conditions.tracks()?;
        let guard = GUARD_LINES / conditions.format.lines.lines_a_scan();
        let over = |k: usize, of: &dyn Fn(f64) -> f64| {
            let (from, to) = (segment_start(k, guard), segment_start(k + 1, guard));
            (0..LOOKS).map(|i| of(from + (to - from) * (i as f64 + 0.5) / LOOKS as f64)).sum::<f64>() / LOOKS as f64
        };
        let shift = conditions.switch_shift();
        let place = |x: f64| conditions.guides.at_um(x + shift) - tape.recorded_on.at_um(x + shift);
        let part = |range: core::ops::Range<usize>, of: &dyn Fn(f64) -> f64| {
            let n = range.len() as f64;
            range.map(|k| over(k, of)).sum::<f64>() / n
        };
        let middle_um = part(MIDDLE, &place);
        let kept = |x: f64| dip(&conditions, tape, x + shift).0;
        let middle = part(MIDDLE, &kept);
        let near = |k: usize| part(k.saturating_sub(1)..(k + 2).min(SEGMENTS), &kept) / middle;
        Some(GuideTruth {
            entrance_um: part(ENTRANCE, &place) - middle_um,
            exit_um: part(EXIT, &place) - middle_um,
            contact: (0..SEGMENTS).map(near).fold(f64::INFINITY, f64::min),
        })
    }
}
