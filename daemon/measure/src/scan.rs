//! Scans: where they begin and end, and where their segments lie.

use crate::edges::{Edge, Polarity};
use crate::error::{MeasureError, positive};
use tapewright_formats::LineStandard;
use tapewright_formats::definitions::{GUARD_LINES, SEGMENTS, segment_start};

/// Which head scans.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Head {
    /// The head whose track the control pulse belongs to.
    A,
    /// The other one.
    B,
}

impl Head {
    /// The head that scans next.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }
}

/// One pass of one head, by its place in a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scan {
    /// Which head.
    pub head: Head,
    /// Entrance, in seconds from the trigger.
    pub start_s: f64,
    /// Exit.
    pub end_s: f64,
    /// Lines in a scan.
    pub lines: f64,
}

impl Scan {
    /// Guard at each end, as a share of the scan.
    #[must_use]
    pub fn guard(&self) -> f64 {
        GUARD_LINES / self.lines
    }

    /// Time of a line.
    #[must_use]
    pub fn line_s(&self) -> f64 {
        (self.end_s - self.start_s) / self.lines
    }

    /// Start of segment `k`; of [`SEGMENTS`]: the end of the last.
    #[must_use]
    pub fn segment_start_s(&self, k: usize) -> f64 {
        self.start_s + segment_start(k, self.guard()) * (self.end_s - self.start_s)
    }

    /// The segment that holds a time; none in the guards and outside.
    #[must_use]
    pub fn segment_at(&self, time_s: f64) -> Option<usize> {
        let x = (time_s - self.start_s) / (self.end_s - self.start_s);
        let k = (x - self.guard()) / (1.0 - 2.0 * self.guard()) * SEGMENTS as f64;
        (k >= 0.0 && k < SEGMENTS as f64).then_some(k as usize)
    }

    /// Moves means of segments from where they were seen to the middles of their segments, along the slope
    /// to the neighbours: lines lie anywhere against a segment's borders.
    pub(crate) fn at_middles(&self, means: &[f64; SEGMENTS], seen_at_s: &[f64; SEGMENTS]) -> [f64; SEGMENTS] {
        core::array::from_fn(|k| {
            let (a, b) = (k.saturating_sub(1), (k + 1).min(SEGMENTS - 1));
            let apart = seen_at_s[b] - seen_at_s[a];
            let slope = if apart > 0.0 { (means[b] - means[a]) / apart } else { 0.0 };
            means[k] + slope * (0.5 * (self.segment_start_s(k) + self.segment_start_s(k + 1)) - seen_at_s[k])
        })
    }

    /// Refuses a scan that makes no sense or that a record from `from_s` to `until_s` does not hold
    /// between its guards.
    pub(crate) fn demand_inside(&self, from_s: f64, until_s: f64) -> Result<(), MeasureError> {
        positive("lines of a scan less its guards", self.lines - 2.0 * GUARD_LINES)?;
        positive("length of a scan", self.end_s - self.start_s)?;
        let (need_from, need_until) = (self.segment_start_s(0), self.segment_start_s(SEGMENTS));
        if !(from_s <= need_from && until_s >= need_until) {
            return Err(MeasureError::TooShort {
                what: "seconds of record over the scan between its guards",
                given: (until_s.min(need_until) - from_s.max(need_from)).max(0.0),
                needed: need_until - need_from,
            });
        }
        Ok(())
    }
}

/// The complete scans of a record that was triggered, at time 0, by the head-switch edge that selects
/// `first`. Scans have the nominal length: a drum that is off by 0.1 % shifts the far end by a quarter
/// of a line. A scan counts as complete when the record holds it between its guards.
#[must_use]
pub fn scans_from_trigger(lines: LineStandard, first: Head, from_s: f64, until_s: f64) -> Vec<Scan> {
    let length = 1.0 / lines.field_rate_hz();
    if !(from_s.abs() < 1e9 && until_s.abs() < 1e9) || until_s - from_s > 1e6 * length {
        return Vec::new();
    }
    let n0 = (from_s / length).floor() as i64 - 1;
    let n1 = (until_s / length).ceil() as i64 + 1;
    (n0..n1)
        .map(|n| Scan {
            head: if n.rem_euclid(2) == 0 { first } else { first.other() },
            start_s: n as f64 * length,
            end_s: (n + 1) as f64 * length,
            lines: lines.lines_a_scan(),
        })
        .filter(|s| s.demand_inside(from_s, until_s).is_ok())
        .collect()
}

/// Cuts at the edges of a sampled head switch. Where `high_is_a`, the rising edge selects head A.
/// Intervals that differ from a scan's nominal length by more than a tenth are left out: an edge is
/// missing there, or the drum is not at its speed.
#[must_use]
pub fn cut_at_head_switch(edges: &[Edge], high_is_a: bool, lines: LineStandard) -> Vec<Scan> {
    let nominal = 1.0 / lines.field_rate_hz();
    edges
        .windows(2)
        .filter(|w| w[0].polarity != w[1].polarity && ((w[1].time_s - w[0].time_s) / nominal - 1.0).abs() < 0.1)
        .map(|w| Scan {
            head: if (w[0].polarity == Polarity::Rising) == high_is_a { Head::A } else { Head::B },
            start_s: w[0].time_s,
            end_s: w[1].time_s,
            lines: lines.lines_a_scan(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scans_follow_the_trigger_and_alternate() {
        let t = 1.0 / 25.0 / 2.0;
        let scans = scans_from_trigger(LineStandard::L625, Head::A, -0.001, 4.0 * t);
        let heads: Vec<_> = scans.iter().map(|s| s.head).collect();
        assert_eq!(heads, [Head::A, Head::B, Head::A, Head::B]);
        assert!((scans[1].start_s - t).abs() < 1e-12);
        assert_eq!(scans[0].segment_at(scans[0].start_s + t / 2.0), Some(10));
        assert_eq!(scans[0].segment_at(1e-6), None);
        assert_eq!(scans[0].segment_at(f64::NAN), None);
        assert!(scans_from_trigger(LineStandard::L625, Head::A, f64::NAN, 1.0).is_empty());
    }

    #[test]
    fn edges_cut_and_a_missing_edge_leaves_a_gap() {
        let edge = |n: u8, polarity| Edge { time_s: f64::from(n) * 0.02, polarity, half_width_s: 0.0 };
        let edges = [
            edge(0, Polarity::Rising),
            edge(1, Polarity::Falling),
            edge(3, Polarity::Falling),
            edge(4, Polarity::Rising),
        ];
        let scans = cut_at_head_switch(&edges, false, LineStandard::L625);
        assert_eq!(scans.iter().map(|s| s.head).collect::<Vec<_>>(), [Head::B, Head::A]);
    }
}
