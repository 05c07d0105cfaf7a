//! Which head scans when: the switching edges, and stretches of time with one scan and one epoch.

use super::conditions::{Conditions, Head};
use super::random::{gauss, hash};
use super::timeline::Timeline;
use std::sync::Arc;

/// A stretch of time in which one head scans under one set of laws; within it place goes linearly with time.
#[derive(Debug, Clone)]
pub(crate) struct Stretch {
    /// First instant.
    pub(crate) start_s: f64,
    /// First instant after it.
    pub(crate) end_s: f64,
    /// Number of the scan; head A takes the even ones. None: the drum is at rest.
    pub(crate) scan: Option<i64>,
    /// Switching edge at which the scan starts.
    pub(crate) edge_s: f64,
    /// Scans a second, by this scan's two edges.
    pub(crate) rate_hz: f64,
    /// Where the edge would lie without the displacement and jitter of the switching pulse: the drum's own phase.
    pub(crate) bare_s: f64,
    /// Scans a second of the drum itself.
    pub(crate) drum_hz: f64,
    /// Tape's place (in recorded tracks) at `start_s`, and its speed.
    pub(crate) place: f64,
    pub(crate) speed: f64,
    /// Number of the epoch.
    pub(crate) epoch: usize,
    /// Heads touch the tape.
    pub(crate) contact: bool,
    pub(crate) conditions: Arc<Conditions>,
}

impl Stretch {
    /// Position in the scan, 0 to 1.
    pub(crate) fn x(&self, t_s: f64) -> f64 {
        (t_s - self.edge_s) * self.rate_hz
    }

    /// Position along the tape's own tracks: as `x`, from where their recorder switched.
    pub(crate) fn y(&self, t_s: f64) -> f64 {
        (t_s - self.bare_s) * self.drum_hz + self.conditions.switch_shift()
    }

    /// The track that lies under the head's centre, as a number with its fraction: place of the tape
    /// less the way along the track, since neighbours lie a field's travel apart.
    pub(crate) fn kappa(&self, t_s: f64) -> f64 {
        self.place + (t_s - self.start_s) * self.speed - self.y(t_s)
    }

    /// The head.
    pub(crate) fn head(&self) -> Option<Head> {
        self.scan.map(Head::of_scan)
    }
}

impl Timeline {
    /// Instant at which the drum's phase (without jitter) passes a whole number, near an epoch.
    fn bare_edge_s(&self, scan: i64, near: usize) -> Option<f64> {
        let target = scan as f64;
        let mut index = near;
        while index > 0 && self.epoch(index).drum.at(self.epoch(index).start_s) > target {
            index -= 1;
        }
        loop {
            let epoch = self.epoch(index);
            let (from_s, to_s) = (epoch.start_s, self.end_s(index));
            if from_s.is_finite() {
                // Speeds do not fall below a fraction of nominal except in ramps, which are short.
                let guess_s = if to_s.is_finite() { to_s } else { from_s.max(self.reach_s(index, target)) };
                if let Some(edge_s) = epoch.drum.when(target, from_s, guess_s) {
                    return Some(edge_s);
                }
            }
            index += 1;
            if index >= self.len() {
                return None;
            }
        }
    }

    /// An instant by which an endless epoch's drum has passed a place.
    fn reach_s(&self, index: usize, target: f64) -> f64 {
        let epoch = self.epoch(index);
        let field_hz = epoch.conditions.format.lines.field_rate_hz();
        epoch.start_s + 2.0 * (target - epoch.drum.at(epoch.start_s)).max(0.0) / field_hz + 1.0
    }

    /// The switching edge that starts a scan, with all its jitter.
    pub(crate) fn edge_s(&self, scan: i64, near: usize, seed: u64) -> Option<f64> {
        self.drum_edge_s(scan, near, seed).map(|t| t + self.displacement_s(scan, near, seed))
    }

    /// Where the drum itself would switch, with the drum's jitter.
    fn drum_edge_s(&self, scan: i64, near: usize, seed: u64) -> Option<f64> {
        let jitter_s = self.epoch(near).conditions.config.drum.jitter_s;
        self.bare_edge_s(scan, near).map(|t| t + jitter_s * gauss(hash(seed, scan)).clamp(-4.0, 4.0))
    }

    /// What the switching pulse adds to that.
    fn displacement_s(&self, scan: i64, near: usize, seed: u64) -> f64 {
        let normal = gauss(hash(seed ^ 0x51, scan)).clamp(-4.0, 4.0);
        self.epoch(near).conditions.switch_displacement_s(scan, normal)
    }

    /// The stretch of an instant.
    pub(crate) fn stretch(&self, t_s: f64, seed: u64) -> Stretch {
        let index = self.index(t_s);
        let epoch = self.epoch(index);
        let (epoch_start_s, epoch_end_s) = (epoch.start_s, self.end_s(index));
        let still = |start_s: f64, end_s: f64| Stretch {
            start_s,
            end_s,
            scan: None,
            edge_s: start_s,
            rate_hz: 0.0,
            bare_s: start_s,
            drum_hz: 0.0,
            place: if start_s.is_finite() { epoch.tape.at(start_s) } else { 0.0 },
            speed: 0.0,
            epoch: index,
            contact: false,
            conditions: Arc::clone(&epoch.conditions),
        };
        if !epoch_start_s.is_finite() {
            return still(epoch_start_s, epoch_end_s);
        }
        let mut scan = epoch.drum.at(t_s).floor() as i64;
        let mut edge = self.edge_s(scan, index, seed);
        if edge.is_some_and(|edge_s| edge_s > t_s) {
            scan -= 1;
            edge = self.edge_s(scan, index, seed);
        }
        let mut next = self.edge_s(scan + 1, index, seed);
        if next.is_some_and(|next_s| next_s <= t_s) {
            scan += 1;
            edge = next;
            next = self.edge_s(scan + 1, index, seed);
        }
        match (edge, next) {
            (Some(edge_s), Some(next_s)) if next_s > edge_s => {
                let (start_s, end_s) = (epoch_start_s.max(edge_s), epoch_end_s.min(next_s));
                let (place, end_place) = (epoch.tape.at(start_s), epoch.tape.at(end_s));
                let bare_s = edge_s - self.displacement_s(scan, index, seed);
                let next_bare_s = next_s - self.displacement_s(scan + 1, index, seed);
                Stretch {
                    start_s,
                    end_s,
                    scan: Some(scan),
                    edge_s,
                    rate_hz: 1.0 / (next_s - edge_s),
                    bare_s,
                    drum_hz: 1.0 / (next_bare_s - bare_s),
                    place,
                    speed: (end_place - place) / (end_s - start_s),
                    epoch: index,
                    contact: epoch.plan.contact,
                    conditions: Arc::clone(&epoch.conditions),
                }
            }
            // Before the first turn, or after the last.
            (_, Some(next_s)) => still(epoch_start_s, epoch_end_s.min(next_s).max(t_s + 1e-6)),
            (Some(edge_s), None) => still(epoch_start_s.max(edge_s), epoch_end_s),
            (None, None) => still(epoch_start_s, epoch_end_s),
        }
    }
}
