//! Captures of lines, of field syncs, and of as many lines as the scope holds.

use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::measure::field::{FieldSync, field_syncs};
use tapewright_sdk::measure::sync::{Syncs, separate};
use tapewright_sdk::measure::time_base::{TimeBase, line_periods, time_base_errors};
use tapewright_sdk::measure::video::{LineLevels, line_levels};
use tapewright_sdk::prelude::*;

/// Points of a capture of two lines: four a cycle of the subcarrier.
const POINTS: u32 = 2_500;
/// Lines of a capture of two whole ones, wherever it begins.
const LINES_SPAN: f64 = 2.3;
/// Lines before and after the start of vertical sync in a capture of it.
const FIELD_SPAN: (f64, f64) = (12.0, 14.0);
/// Captures of field syncs, of each kind.
const FIELDS: u32 = 4;
/// Samples of the long record lie so far apart at most, and at least.
const LONG_DT_S: (f64, f64) = (0.05e-6, 0.5e-6);
/// How long a trigger may take.
const TRIGGER_S: f64 = 2.0;

pub(crate) struct Taker {
    pub(crate) lines: LineStandard,
}

/// What single lines show, over all captures.
#[derive(Default)]
pub(crate) struct Lines {
    pub(crate) levels: Vec<LineLevels>,
    pub(crate) periods_s: Vec<f64>,
    pub(crate) lead_u_s: f64,
    pub(crate) timebase_u: f64,
    pub(crate) step_v: f64,
    pub(crate) gain_u: f64,
    /// All captures.
    pub(crate) captures: usize,
    /// Those without sync, and why the last.
    pub(crate) without: (usize, Option<Unable>),
}

/// The long record.
pub(crate) struct Long {
    pub(crate) times: TimeBase,
    /// Lines from one start of vertical sync to the next, where the record holds two.
    pub(crate) field_lines: Option<f64>,
    pub(crate) observed_s: f64,
}

impl Taker {
    fn line_s(&self) -> f64 {
        1.0 / self.lines.line_rate_hz()
    }

    /// Sync pulses; none: none stand out, and that is remembered.
    fn syncs(&self, trace: &Trace, without: &mut (usize, Option<Unable>)) -> Result<Option<Syncs>> {
        match separate(trace, self.lines) {
            Ok(syncs) => Ok(Some(syncs)),
            Err(error @ MeasureError::InNoise { .. }) => {
                *without = (without.0 + 1, Some(error.into()));
                Ok(None)
            }
            Err(error) => Err(error.into()),
        }
    }

    pub(crate) fn lines(&self, count: u32) -> Result<Lines> {
        let mut found = Lines::default();
        let ask = Acquire::of(&[Signal::Video])
            .span_s(LINES_SPAN * self.line_s())
            .least_points(POINTS.min(abilities().greatest_points));
        // A wobble of the lines may keep step with the captures of one request.
        let captures = ask.take_unevenly(count)?;
        found.captures = captures.len();
        for capture in &captures {
            let trace = capture.trace(Signal::Video)?.samples()?;
            found.timebase_u = found.timebase_u.max(capture.info.timebase_uncertainty);
            found.step_v = found.step_v.max(trace.conversion().step_v);
            found.gain_u = found.gain_u.max(trace.conversion().gain_uncertainty);
            let Some(syncs) = self.syncs(&trace, &mut found.without)? else { continue };
            found.levels.extend(line_levels(&trace, &syncs, self.lines));
            // One period of a capture: neighbours share an edge.
            found.periods_s.extend(line_periods(&syncs).first());
            found.lead_u_s = found.lead_u_s.max(syncs.lead_u_s);
        }
        Ok(found)
    }

    /// Starts of vertical sync of both kinds, by the scope's own trigger on fields, or by the head switch.
    pub(crate) fn fields(&self, switch: bool) -> Result<Option<Vec<FieldSync>>> {
        let by_video = abilities().video_trigger;
        if !by_video && !switch {
            return Ok(None);
        }
        // The head switch comes 5 to 8 lines before vertical sync.
        let ahead = if by_video { FIELD_SPAN.0 } else { FIELD_SPAN.0 - 6.0 };
        let span = FIELD_SPAN.0 + FIELD_SPAN.1;
        let mut starts = Vec::new();
        for kind in [1, 2] {
            let ask = Acquire::of(&[Signal::Video])
                .span_s(span * self.line_s())
                .before_s(ahead * self.line_s())
                .least_points(POINTS.min(abilities().greatest_points))
                .deadline_s(TRIGGER_S)
                .count(FIELDS);
            let slope = if kind == 1 { Slope::Rising } else { Slope::Falling };
            let ask = if by_video { ask.field(kind) } else { ask.edge(Signal::HeadSwitch, slope) };
            for capture in ask.take()? {
                let trace = capture.trace(Signal::Video)?.samples()?;
                if let Some(syncs) = self.syncs(&trace, &mut (0, None))? {
                    starts.extend(field_syncs(&syncs, self.lines).into_iter().filter(|start| start.whole));
                }
            }
        }
        Ok(Some(starts))
    }

    /// As many lines as the points allow, up to two fields and a bit.
    pub(crate) fn long(&self) -> Result<Long> {
        let points = f64::from(abilities().greatest_points.min(200_000));
        let two_fields_s = 2.15 / self.lines.field_rate_hz();
        let span_s = (points * LONG_DT_S.1).min(two_fields_s);
        let wanted = (span_s / LONG_DT_S.0).min(points) as u32;
        let capture = Acquire::of(&[Signal::Video]).span_s(span_s).least_points(wanted).take_one()?;
        let trace = capture.trace(Signal::Video)?.samples()?;
        let syncs = separate(&trace, self.lines)?;
        let starts = field_syncs(&syncs, self.lines);
        let field_lines = starts.windows(2).next().map(|w| (w[1].at_s - w[0].at_s) / self.line_s());
        let observed_s = trace.span_s();
        Ok(Long { times: time_base_errors(&syncs), field_lines, observed_s })
    }
}
