//! Composite video of one frame as a table of segments, each a straight line in time.
//!
//! A segment carries brightness (volts from blanking) and colour (amplitude and phase). Because
//! brightness is piecewise linear, so is the FM carrier's frequency, and its phase is piecewise
//! quadratic: the table holds the phase at each segment's start, so that any instant can be asked.
//! Pre-emphasis is left out. Timing and levels come from the formats crate.

use super::config::Picture;
use super::picture::line_patches;
use tapewright_formats::video::VideoTiming;
use tapewright_formats::{Format, LineStandard};

/// A stretch of straight brightness and constant colour.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Segment {
    /// Start, in seconds of table time.
    pub(crate) start_s: f64,
    /// Phase of the FM carrier at the start, in cycles.
    pub(crate) phase: f64,
    /// Frequency at the start, above sync tip.
    pub(crate) above_hz: f64,
    /// Change of frequency.
    pub(crate) sweep_hz_s: f64,
    /// Brightness at the start, volts from blanking.
    pub(crate) luma_v: f64,
    /// Change of brightness.
    pub(crate) luma_v_s: f64,
    /// Peak amplitude of colour, in bursts (1.0 is a burst's amplitude).
    pub(crate) colour: f64,
    /// Phase of colour, in cycles.
    pub(crate) hue: f64,
    /// Whether it is picture, not blanking.
    pub(crate) picture: bool,
    /// Line, counted from the start of the table; colour-under turns by a quarter from line to line.
    pub(crate) line: u32,
}

/// One frame. Table time runs from a quarter line before the first broad pulse of field 1.
#[derive(Debug)]
pub(crate) struct FrameTable {
    segments: Vec<Segment>,
    /// First segment that reaches into each half line.
    index: Vec<u32>,
    /// Table time of the first broad pulse of field 1.
    pub(crate) origin_s: f64,
    /// Length of the frame.
    pub(crate) frame_s: f64,
    /// Line period.
    pub(crate) line_s: f64,
    /// Carrier cycles in the frame.
    pub(crate) cycles: f64,
    /// Carrier at sync tip.
    pub(crate) sync_hz: f64,
    /// Colour-under carrier.
    pub(crate) under_hz: f64,
    /// Volts of burst amplitude (peak).
    pub(crate) burst_v: f64,
    /// Subcarrier of the video output.
    pub(crate) subcarrier_hz: f64,
    /// Standard.
    pub(crate) lines: LineStandard,
}

/// A change of the signal: from `at_s` (half of the edge) on it has this level and colour.
#[derive(Clone, Copy)]
pub(crate) struct Step {
    pub(crate) at_s: f64,
    pub(crate) luma_v: f64,
    pub(crate) colour: f64,
    pub(crate) hue: f64,
    pub(crate) picture: bool,
}

impl FrameTable {
    /// The frame of a picture, recorded in a format.
    pub(crate) fn new(format: &Format, picture: Picture, colour: bool, seed: u64) -> Self {
        let lines = format.lines;
        let timing = lines.video();
        let line_s = 1.0 / lines.line_rate_hz();
        let origin_s = line_s / 4.0;
        let frame_s = 2.0 * lines.lines_a_scan() * line_s;
        let steps = frame_steps(lines, timing, picture, colour, seed);
        let mut table = Self {
            segments: Vec::with_capacity(2 * steps.len() + 1),
            index: Vec::new(),
            origin_s,
            frame_s,
            line_s,
            cycles: 0.0,
            sync_hz: format.fm_sync_hz.value,
            under_hz: format.colour_under_hz.value,
            burst_v: timing.burst_pp_mv.value / 2000.0,
            subcarrier_hz: timing.subcarrier_hz.value,
            lines,
        };
        let hz_a_volt = (format.fm_white_hz.value - format.fm_sync_hz.value)
            / ((timing.white_mv.value - timing.sync_tip_mv.value) * 1e-3);
        let tip_v = timing.sync_tip_mv.value * 1e-3;
        table.fill(&steps, timing.sync_edge_us.value * 1e-6 / 0.8, tip_v, hz_a_volt);
        table
    }

    fn fill(&mut self, steps: &[Step], edge_s: f64, tip_v: f64, hz_a_volt: f64) {
        let mut now = Step { at_s: 0.0, luma_v: 0.0, colour: 0.0, hue: 0.0, picture: false };
        let push = |start_s: f64, from: &Step, slope: f64, out: &mut Vec<Segment>| {
            let line = ((start_s - self.origin_s + 1e-9) / self.line_s).max(0.0) as u32;
            let (above_hz, sweep_hz_s) = ((from.luma_v - tip_v) * hz_a_volt, slope * hz_a_volt);
            out.push(Segment {
                start_s,
                phase: 0.0,
                above_hz,
                sweep_hz_s,
                luma_v: from.luma_v,
                luma_v_s: slope,
                colour: from.colour,
                hue: from.hue,
                picture: from.picture,
                line,
            });
        };
        let mut out = core::mem::take(&mut self.segments);
        push(0.0, &now, 0.0, &mut out);
        for &step in steps {
            let at_s = self.origin_s + step.at_s;
            if step.luma_v == now.luma_v {
                push(at_s, &step, 0.0, &mut out);
            } else {
                push(at_s - edge_s / 2.0, &now, (step.luma_v - now.luma_v) / edge_s, &mut out);
                push(at_s + edge_s / 2.0, &step, 0.0, &mut out);
            }
            now = step;
        }
        let mut phase = 0.0;
        for i in 0..out.len() {
            let end_s = out.get(i + 1).map_or(self.frame_s, |next| next.start_s);
            let segment = &mut out[i];
            segment.phase = phase;
            let d = end_s - segment.start_s;
            phase += d * (self.sync_hz + segment.above_hz + 0.5 * segment.sweep_hz_s * d);
        }
        self.cycles = phase;
        let halves = (2.0 * self.frame_s / self.line_s).round() as usize;
        let mut place = 0;
        self.index = (0..=halves)
            .map(|half| {
                let from_s = half as f64 * self.line_s / 2.0;
                while place + 1 < out.len() && out[place + 1].start_s <= from_s {
                    place += 1;
                }
                place as u32
            })
            .collect();
        self.segments = out;
    }

    /// All segments.
    pub(crate) fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// End of a segment in table time.
    pub(crate) fn end_s(&self, place: usize) -> f64 {
        self.segments.get(place + 1).map_or(self.frame_s, |next| next.start_s)
    }

    /// The segment at a table time within the frame.
    pub(crate) fn place(&self, table_s: f64) -> usize {
        let half = ((2.0 * table_s / self.line_s) as usize).min(self.index.len() - 1);
        let mut place = self.index[half] as usize;
        while place + 1 < self.segments.len() && self.segments[place + 1].start_s <= table_s {
            place += 1;
        }
        place
    }

    /// Splits any table time into whole frames and the rest.
    pub(crate) fn split(&self, table_s: f64) -> (f64, f64) {
        let frames = (table_s / self.frame_s).floor();
        (frames, (table_s - frames * self.frame_s).clamp(0.0, self.frame_s * (1.0 - 1e-15)))
    }

    /// Table time at which a field (1 or 2) starts with its first broad pulse.
    pub(crate) fn field_start_s(&self, field: u8) -> f64 {
        self.origin_s + if field == 2 { self.frame_s / 2.0 } else { 0.0 }
    }

    /// Table time at which a line (by its number in the standard) starts; none: no such line.
    pub(crate) fn line_start_s(&self, line: u32) -> Option<f64> {
        let (count, first) = match self.lines {
            // Line 4 starts with the first broad pulse; of 625 it is line 1.
            LineStandard::L525 => (525, 4),
            LineStandard::L625 => (625, 1),
        };
        (1..=count).contains(&line).then(|| self.origin_s + f64::from((line + count - first) % count) * self.line_s)
    }

    /// Volts of brightness and of colour on the subcarrier at a table time, and whether they are picture.
    pub(crate) fn parts_v(&self, table_s: f64) -> (f64, f64, bool) {
        let (frames, rest) = self.split(table_s);
        let place = self.place(rest);
        let segment = &self.segments[place];
        let luma = segment.luma_v + segment.luma_v_s * (rest - segment.start_s);
        if segment.colour == 0.0 {
            return (luma, 0.0, segment.picture);
        }
        let turns = self.subcarrier_hz * (frames * self.frame_s + rest - self.origin_s) + segment.hue;
        (luma, self.burst_v * segment.colour * super::random::cos_cycles(turns), segment.picture)
    }
}

/// Every step of a frame, in order, in seconds from the first broad pulse of field 1.
fn frame_steps(lines: LineStandard, timing: &VideoTiming, picture: Picture, colour: bool, seed: u64) -> Vec<Step> {
    let line_s = 1.0 / lines.line_rate_hz();
    let halves = (4.0 * lines.lines_a_scan()).round() as usize;
    let a_field = halves / 2;
    let (equal, broad) = (timing.equalising_pulses as usize, timing.broad_pulses as usize);
    let tip = timing.sync_tip_mv.value * 1e-3;
    // Full lines from the first broad pulse to the first line with a picture: from memory, 18 and 22.
    let first_picture = if lines == LineStandard::L525 { 18.0 } else { 22.0 };
    let us = 1e-6;
    let mut steps = Vec::new();
    let mut put = |at_s, luma_v, colour, hue, picture| steps.push(Step { at_s, luma_v, colour, hue, picture });
    for half in 0..halves {
        let in_field = half % a_field;
        let start = half as f64 * line_s / 2.0;
        let pulse = if in_field < broad {
            Some(timing.broad_us.value)
        } else if in_field < broad + equal || in_field >= a_field - equal {
            Some(timing.equalising_us.value)
        } else {
            None
        };
        if let Some(width) = pulse {
            put(start, tip, 0.0, 0.0, false);
            put(start + width * us, 0.0, 0.0, 0.0, false);
            continue;
        }
        if half % 2 == 1 {
            continue;
        }
        put(start, tip, 0.0, 0.0, false);
        put(start + timing.h_sync_us.value * us, 0.0, 0.0, 0.0, false);
        if colour {
            // 525 lines: burst at 180 degrees. 625: 135 or 225, changing from line to line.
            let hue = match (lines, (half / 2) % 2) {
                (LineStandard::L525, _) => 0.5,
                (LineStandard::L625, 0) => 0.375,
                (LineStandard::L625, _) => 0.625,
            };
            put(start + timing.burst_start_us.value * us, 0.0, 1.0, hue, false);
            put(start + (timing.burst_start_us.value + timing.burst_us()) * us, 0.0, 0.0, 0.0, false);
        }
        let line = in_field as f64 / 2.0;
        if line < first_picture {
            continue;
        }
        // A line that a field's equalising pulses cut in two has half a picture.
        let cut = in_field + 1 >= a_field - equal;
        let from = start + (timing.h_blanking_us.value - timing.front_porch_us.value) * us;
        let to = start + line_s * if cut { 0.5 } else { 1.0 } - timing.front_porch_us.value * us;
        let whole = line_s - timing.h_blanking_us.value * us;
        let height = (line - first_picture) / (lines.lines_a_scan() - first_picture);
        for patch in line_patches(picture, timing, height, half as u64, seed) {
            let at = from + patch.from * whole;
            if at < to - 0.5 * us {
                let flip = if lines == LineStandard::L625 && (half / 2) % 2 == 1 { -1.0 } else { 1.0 };
                put(at, patch.luma_v, if colour { patch.colour } else { 0.0 }, flip * patch.hue, true);
            }
        }
        put(to, 0.0, 0.0, 0.0, false);
    }
    steps
}
