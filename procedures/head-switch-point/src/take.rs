//! Captures of video from switching edges on, and the start of vertical sync in them.

use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::formats::definitions::LATE_LINES;
use tapewright_sdk::measure::field::field_syncs;
use tapewright_sdk::measure::switching::{SwitchPoint, point_of_edge, switch_point};
use tapewright_sdk::measure::sync::separate;
use tapewright_sdk::prelude::*;

/// How long the head switch has to trigger: dozens of frames.
const TRIGGER_S: f64 = 2.0;
/// Points of a capture: two thirds of a microsecond apart, four in an equalising pulse.
const POINTS: u32 = 2_500;
/// Lines before and after the edge: a switching up to 16 lines before vertical sync, and the whole of its pattern.
const AHEAD: (f64, f64) = (2.0, 22.0);
/// For a switching that comes late: the sync just before it.
const BEHIND: (f64, f64) = (20.5, 3.5);

/// How edges are captured.
pub(crate) struct Taker {
    pub(crate) lines: LineStandard,
    pub(crate) points: u32,
}

/// What one head's edges show.
pub(crate) struct Edges {
    pub(crate) points_s: Vec<f64>,
    lead_u_s: f64,
    trigger_half_s: f64,
    timebase_u: f64,
    /// Captures in which no vertical sync was told.
    pub(crate) without: usize,
    /// Why, in the last of them.
    pub(crate) why: Option<Unable>,
    /// Fields that began with these edges: of either kind.
    pub(crate) fields: [usize; 2],
}

impl Taker {
    pub(crate) fn new(lines: LineStandard) -> Self {
        Self { lines, points: POINTS.min(abilities().greatest_points) }
    }

    fn captures(&self, slope: Slope, (before, after): (f64, f64), count: u32) -> Result<Vec<Capture>> {
        let line_s = 1.0 / self.lines.line_rate_hz();
        Acquire::of(&[Signal::Video])
            .span_s((before + after) * line_s)
            .before_s(before * line_s)
            .least_points(self.points)
            .edge(Signal::HeadSwitch, slope)
            .deadline_s(TRIGGER_S)
            .count(count)
            .take()
    }

    /// Edges of one kind. The first tells whether vertical sync is ahead of it or just behind.
    pub(crate) fn edges(&self, slope: Slope, count: u32) -> Result<Edges> {
        let mut edges = Edges {
            points_s: Vec::new(),
            lead_u_s: 0.0,
            trigger_half_s: 0.0,
            timebase_u: 0.0,
            without: 0,
            why: None,
            fields: [0; 2],
        };
        for window in [AHEAD, BEHIND] {
            for capture in self.captures(slope, window, 2)? {
                self.look(&capture, &mut edges)?;
            }
            if !edges.points_s.is_empty() {
                edges.without = 0;
                for capture in self.captures(slope, window, count.saturating_sub(2))? {
                    self.look(&capture, &mut edges)?;
                }
                break;
            }
        }
        Ok(edges)
    }

    fn look(&self, capture: &Capture, edges: &mut Edges) -> Result<()> {
        if !capture.info.triggered {
            return Err(Unable::new(UnableCode::NoTrigger, "a capture came without its head-switch edge"));
        }
        let trace = capture.trace(Signal::Video)?.samples()?;
        let syncs = match separate(&trace, self.lines) {
            Ok(syncs) => syncs,
            // Noise in one capture is no reason to give up the others; what cannot be sampled is.
            Err(error @ MeasureError::InNoise { .. }) => {
                edges.without += 1;
                edges.why = Some(error.into());
                return Ok(());
            }
            Err(error) => return Err(error.into()),
        };
        let starts = field_syncs(&syncs, self.lines);
        match point_of_edge(&starts, LATE_LINES / self.lines.line_rate_hz()) {
            Some((point_s, u_s)) => {
                edges.points_s.push(point_s);
                edges.lead_u_s = edges.lead_u_s.max(u_s);
                edges.trigger_half_s = edges.trigger_half_s.max(0.5 * trace.dt_s());
                edges.timebase_u = edges.timebase_u.max(capture.info.timebase_uncertainty);
                let begun = starts.iter().find(|start| start.at_s == point_s).and_then(|start| start.field);
                if let Some(field) = begun {
                    edges.fields[usize::from(field.clamp(1, 2)) - 1] += 1;
                }
            }
            None => edges.without += 1,
        }
        Ok(())
    }
}

impl Edges {
    /// `beside_half_s`: by how much either way tracking may move the point.
    pub(crate) fn point(&self, beside_half_s: f64) -> Result<SwitchPoint> {
        Ok(switch_point(&self.points_s, self.lead_u_s, self.trigger_half_s, beside_half_s, self.timebase_u)?)
    }
}
