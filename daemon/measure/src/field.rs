//! Field sync: where the first broad pulse leads, which field it begins, what it is made of.
//!
//! The pattern is known: equalising pulses, broad pulses, equalising pulses, half a line apart. Each broad pulse
//! that was found could be the first, the second...; the place of the whole pattern that explains most of what was found
//! (and contradicts least) is taken, so that a missing pulse does not move it.

use crate::statistics::median_in_place;
use crate::sync::{PulseKind, SyncPulse, Syncs};
use tapewright_formats::LineStandard;

/// A start of vertical sync.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldSync {
    /// Leading edge of the first broad pulse, in seconds from the trigger.
    pub at_s: f64,
    /// Standard uncertainty of it.
    pub at_u_s: f64,
    /// Field that it begins: 1 where whole lines lie before it, 2 where half a line does; none: too little was seen before it.
    pub field: Option<u8>,
    /// Broad pulses found, of those the standard has.
    pub broad: u32,
    /// Equalising pulses found before and after.
    pub equalising: (u32, u32),
    /// Whether the whole pattern, with the slots before and after it, lies in the record.
    pub whole: bool,
}

/// A pulse belongs to a slot if it lies within this share of a line of it.
const NEAR_LINES: f64 = 0.04;

/// What a slot of the pattern was found to hold.
fn in_slot(pulses: &[SyncPulse], at_s: f64, near_s: f64) -> Option<&SyncPulse> {
    let from = pulses.partition_point(|p| p.lead_s < at_s - near_s);
    pulses[from..]
        .iter()
        .take_while(|p| p.lead_s <= at_s + near_s)
        .min_by(|a, b| (a.lead_s - at_s).abs().total_cmp(&(b.lead_s - at_s).abs()))
}

/// Every start of vertical sync in a record.
#[must_use]
pub fn field_syncs(syncs: &Syncs, lines: LineStandard) -> Vec<FieldSync> {
    let timing = lines.video();
    let (broad_n, equal_n) = (i64::from(timing.broad_pulses), i64::from(timing.equalising_pulses));
    let broads: Vec<&SyncPulse> = syncs.pulses.iter().filter(|p| p.kind == PulseKind::Broad).collect();
    let mut out = Vec::new();
    let mut from = 0;
    while from < broads.len() {
        let mut until = from + 1;
        // One group: no gap as long as the whole of it.
        while until < broads.len() && broads[until].lead_s - broads[until - 1].lead_s < 2.6 * syncs.line_s {
            until += 1;
        }
        let group = &broads[from..until];
        from = until;
        let mut gaps: Vec<f64> = group.windows(2).map(|w| w[1].lead_s - w[0].lead_s).collect();
        gaps.retain(|gap| (gap / (0.5 * syncs.line_s) - 1.0).abs() < 0.08);
        let half_s = if gaps.is_empty() { 0.5 * syncs.line_s } else { median_in_place(&mut gaps) };
        let near_s = NEAR_LINES * syncs.line_s;
        let score = |start_s: f64| -> i64 {
            (-equal_n - 2..broad_n + equal_n + 2)
                .map(|slot| {
                    let found = in_slot(&syncs.pulses, start_s + slot as f64 * half_s, near_s).map(|p| p.kind);
                    let broad = (0..broad_n).contains(&slot);
                    match found {
                        Some(PulseKind::Broad) => {
                            if broad {
                                2
                            } else {
                                -2
                            }
                        }
                        Some(PulseKind::Equalising) => {
                            if broad {
                                -2
                            } else {
                                i64::from((-equal_n..broad_n + equal_n).contains(&slot))
                            }
                        }
                        Some(PulseKind::Line) => {
                            if broad {
                                -2
                            } else {
                                0
                            }
                        }
                        Some(PulseKind::Other) | None => 0,
                    }
                })
                .sum()
        };
        let mut ranked: Vec<(i64, f64)> = group
            .iter()
            .flat_map(|pulse| (0..broad_n).map(move |slot| pulse.lead_s - slot as f64 * half_s))
            .map(|start_s| (score(start_s), start_s))
            .collect();
        ranked.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
        let Some(&(best, start_s)) = ranked.first() else { continue };
        // Another place that is as good leaves it open where the pattern lies.
        let open = ranked.iter().any(|(s, at_s)| *s == best && (at_s - start_s).abs() > 0.5 * half_s);
        if !open && best > 0 {
            out.push(look(syncs, start_s, half_s, (broad_n, equal_n)));
        }
    }
    out
}

fn look(syncs: &Syncs, start_s: f64, half_s: f64, (broad_n, equal_n): (i64, i64)) -> FieldSync {
    let near_s = NEAR_LINES * syncs.line_s;
    let slot = |n: i64| in_slot(&syncs.pulses, start_s + n as f64 * half_s, near_s);
    let count = |from: i64, until: i64, kind: PulseKind| {
        (from..until).filter(|n| slot(*n).is_some_and(|p| p.kind == kind)).count() as u32
    };
    let (at_s, at_u_s) = match slot(0).filter(|pulse| pulse.kind == PulseKind::Broad) {
        Some(pulse) => (pulse.lead_s, syncs.lead_u_s),
        None => {
            // The first is missing: the others say where it would be, as far as half lines are even.
            let others: Vec<f64> = (1..broad_n).filter_map(|n| slot(n).map(|p| p.lead_s - n as f64 * half_s)).collect();
            let mean = others.iter().sum::<f64>() / others.len().max(1) as f64;
            (if others.is_empty() { start_s } else { mean }, syncs.lead_u_s.hypot(0.2e-6))
        }
    };
    // The last line's sync before the pattern: whole lines away, or half a line more.
    let before = syncs.pulses.iter().rev().find(|p| {
        p.kind == PulseKind::Line
            && p.lead_s < at_s - (equal_n as f64 + 0.5) * half_s
            && p.lead_s > at_s - 12.0 * 2.0 * half_s
    });
    let field = before.and_then(|pulse| {
        let halves = (at_s - pulse.lead_s) / half_s;
        ((halves - halves.round()).abs() < 0.2).then(|| if (halves.round() as i64) % 2 == 0 { 1 } else { 2 })
    });
    let (from_s, until_s) = syncs.observed;
    FieldSync {
        at_s,
        at_u_s,
        field,
        broad: count(0, broad_n, PulseKind::Broad),
        equalising: (
            count(-equal_n, 0, PulseKind::Equalising),
            count(broad_n, broad_n + equal_n, PulseKind::Equalising),
        ),
        whole: at_s - (equal_n + 2) as f64 * half_s > from_s
            && at_s + (broad_n + equal_n + 1) as f64 * half_s < until_s,
    }
}
