//! Scans with other signals beside them, in one capture: for live readings.

use super::{EDGE_DEADLINE_S, Front};
use crate::captures::{Acquire, Capture};
use crate::unable::Result;
use tapewright_formats::Signal;
use tapewright_measure::scan::Head as ScanHead;

/// How long a capture of a live reading waits for its edge: some ten frames. Whoever adjusts sees at once
/// that there is none.
const LIVE_DEADLINE_S: f64 = 0.5;

impl Front {
    /// One capture of `scans` scans from the head-switch edge that selects `first`, with other signals beside.
    ///
    /// # Errors
    /// What the daemon says, e.g. `no-trigger` without a head switch.
    pub fn frame_beside(&self, first: ScanHead, scans: u32, beside: &[Signal]) -> Result<Capture> {
        let signals: Vec<Signal> = core::iter::once(Signal::Rf).chain(beside.iter().copied()).collect();
        self.setup_of(&signals, scans)
            .edge(Signal::HeadSwitch, self.selects(first))
            .deadline_s(LIVE_DEADLINE_S.min(EDGE_DEADLINE_S))
            .take_one()
    }

    /// Seconds that one capture of so many signals takes over the link.
    #[must_use]
    pub fn transfer_s(&self, signals: u32) -> f64 {
        f64::from(signals) * f64::from(super::POINTS.min(self.can.greatest_points)) * self.can.seconds_a_point
    }

    pub(super) fn setup_of(&self, signals: &[Signal], scans: u32) -> Acquire {
        let ask = Acquire::of(signals).span_s(super::span_s(self.lines, scans));
        let points = super::POINTS.min(self.can.greatest_points);
        match self.way {
            super::Way::Carrier { rate_hz } => ask.least_rate_hz(rate_hz),
            super::Way::Peaks => ask.peak().least_points(points),
            super::Way::Power => ask.least_points(points),
        }
    }
}
