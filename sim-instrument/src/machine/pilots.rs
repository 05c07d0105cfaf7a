//! The truth about pilot tones: what a head reads of its own track's and of its neighbours'.

use super::Machine;
use super::conditions::Head;
use serde::Serialize;

/// Instants of a scan that are looked at.
const LOOKS: usize = 100;

/// One head's pilots over a span.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PilotTruth {
    /// Neighbour recorded after the own track, over the own pilot.
    pub next: f64,
    /// Neighbour recorded before it, over the own pilot.
    pub before: f64,
    /// `(next - before) / (next + before)`; none: neither is read.
    pub tracking: Option<f64>,
}

impl Machine {
    /// The truth about a head's pilots over a span; none: no scan of it, or a format without pilots.
    #[must_use]
    pub fn pilot_truth(&self, head: Head, from_s: f64, to_s: f64) -> Option<PilotTruth> {
        let (mut next, mut before, mut count) = (0.0, 0.0, 0.0);
        for (start_s, end_s) in self.scans(head, from_s, to_s) {
            let stretch = self.timeline.stretch(start_s + 1e-9, self.seed);
            for n in 0..LOOKS {
                let reading = stretch.read(start_s + (n as f64 + 0.5) / LOOKS as f64 * (end_s - start_s));
                let own =
                    reading.parts().iter().max_by(|a, b| a.pilot_v.total_cmp(&b.pilot_v)).filter(|p| p.pilot_v > 0.0);
                let Some(own) = own else { continue };
                let of = |track: i64| reading.parts().iter().find(|p| p.track == track).map_or(0.0, |p| p.pilot_v);
                next += of(own.track + 1) / own.pilot_v;
                before += of(own.track - 1) / own.pilot_v;
                count += 1.0;
            }
        }
        (count > 0.0).then(|| PilotTruth {
            next: next / count,
            before: before / count,
            tracking: (next + before > 0.0).then(|| (next - before) / (next + before)),
        })
    }
}
