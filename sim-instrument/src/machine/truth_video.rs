//! The exact truth about the video output: levels, lines, where heads are switched against its vertical sync.

use super::Machine;
use super::conditions::Head;
use super::pulses::Train;
use super::replay::Picture;
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

    /// Leading edges of the sync of whole lines of the video off the tape within a span, in seconds, each with whether it is a
    /// line of the field sync's pattern, whose pulses have other widths.
    #[must_use]
    pub fn line_leads_s(&self, from_s: f64, to_s: f64) -> Vec<(f64, bool)> {
        let timing = self.format.lines.video();
        let pattern = i64::from(timing.broad_pulses + timing.equalising_pulses);
        let a_field = (2.0 * self.format.lines.lines_a_scan()).round() as i64;
        let mut leads = Vec::new();
        let mut t = from_s;
        while t < to_s {
            let stretch = self.timeline.stretch(t, self.seed);
            let (picture, end_s) = self.picture(&stretch, t);
            let end_s = end_s.min(to_s);
            if let Picture::Tape { table, clock, .. } = picture {
                let line = |at_s: f64| (clock.at(at_s) - table.origin_s) / table.line_s;
                for number in line(t).ceil() as i64..=line(end_s).floor() as i64 {
                    let table_s = table.origin_s + number as f64 * table.line_s;
                    let bare_s = clock.when(table_s);
                    if bare_s < t || bare_s >= end_s {
                        continue;
                    }
                    let late_s = self.late_s(&stretch.conditions.video, &table, table_s + 1e-9, bare_s);
                    let half = (2 * number).rem_euclid(a_field);
                    let in_pattern = half < pattern || half >= a_field - i64::from(timing.equalising_pulses);
                    leads.push((bare_s + late_s / clock.rate, in_pattern));
                }
            }
            t = if end_s > t { end_s } else { t + 1e-9 };
        }
        leads
    }

    /// Levels of the video output by its settings: sync and burst (peak to peak), in volts.
    #[must_use]
    pub fn video_levels_v(&self, t_s: f64) -> (f64, f64) {
        let (timing, out) = (self.format.lines.video(), &self.timeline.at(t_s).conditions.video);
        let sync_v = -timing.sync_tip_mv.value * 1e-3 * out.gain * out.sync_ratio;
        (sync_v, timing.burst_pp_mv.value * 1e-3 * out.gain * out.burst_ratio)
    }
}
