//! The exact truth of what the procedures of alignment measure.

use crate::truth::Window;
use sim_instrument::machine::{Head, Machine};
use std::collections::BTreeMap;
use tapewright_formats::relations::degrees_a_line;

/// Adds what there is to say about these windows.
pub(crate) fn add(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    head_switch_point(machine, windows, all);
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Over the edges that were captured; the jitter that the machine is set to.
fn head_switch_point(machine: &Machine, windows: &[Window], all: &mut BTreeMap<String, f64>) {
    let own: Vec<&Window> = windows.iter().filter(|w| w.procedure == "head-switch-point" && w.triggered).collect();
    let (Some(first), Some(last)) = (own.first(), own.last()) else { return };
    let lines = machine.format().lines;
    let line_hz = lines.line_rate_hz();
    let mut points = Vec::new();
    for (name, head) in [("head-a", Head::A), ("head-b", Head::B)] {
        // The mean that the machine keeps to, over all edges of the whole look.
        let at_s = mean(&machine.switch_points_s(head, first.from_s, last.to_s));
        all.insert(format!("head-switch-point/{name}.point"), at_s * line_hz);
        all.insert(format!("head-switch-point/{name}.point-time"), at_s * 1e6);
        all.insert(format!("head-switch-point/{name}.point-angle"), at_s * line_hz * degrees_a_line(lines));
        all.insert(format!("head-switch-point/{name}.jitter"), machine.config().head_switch.jitter_s * line_hz);
        points.push(at_s * line_hz);
    }
    all.insert("head-switch-point/difference".to_owned(), points[1] - points[0]);
}
