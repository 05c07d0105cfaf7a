//! The exact truth about the video output: where heads are switched against its vertical sync.

use super::Machine;
use super::conditions::Head;
use super::pulses::Train;
use tapewright_formats::definitions::LATE_LINES;

impl Machine {
    /// The point of each switching edge that selects a head within a span, in seconds to the start of vertical sync
    /// that follows (by the definition: negative for one that comes late).
    #[must_use]
    pub fn switch_points_s(&self, head: Head, from_s: f64, to_s: f64) -> Vec<f64> {
        let selects = (head == Head::A) == self.config.head_switch.high_is_a;
        let late_s = LATE_LINES / self.format.lines.line_rate_hz();
        let field_s = 1.0 / self.format.lines.field_rate_hz();
        let next = |from_s: f64| self.next_video_start(Some(0), None, from_s, from_s + 1.2 * field_s);
        self.edges(Train::HeadSwitch, from_s, to_s)
            .into_iter()
            .filter(|edge| edge.rising == selects)
            .filter_map(|edge| {
                let before = next(edge.at_s - late_s).filter(|at_s| *at_s < edge.at_s);
                let after = next(edge.at_s).filter(|at_s| *at_s - edge.at_s < field_s - late_s);
                after.or(before).map(|at_s| at_s - edge.at_s)
            })
            .collect()
    }
}
