//! What a head reads: which tracks lie under it, and how much each of them gives.
//!
//! The tape's place minus the head's position along the track tells which track lies under the
//! head's centre. So a resting tape makes a head drift sideways by exactly one pitch in a scan, and a
//! tape at `n` times its speed by `n - 1`, with no further assumption.

use super::conditions::{Conditions, Head, TapeState};
use super::losses;
use super::random::{gauss, hash};
use super::scan::Stretch;

/// Most tracks that are read at once.
pub(crate) const MOST: usize = 8;

/// What is left out, as a share of the machine's level.
const NEGLIGIBLE: f64 = 5e-4;

/// What one track gives.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Part {
    /// Number of the track; head A recorded the even ones.
    pub(crate) track: i64,
    /// Carrier amplitude in volts, as it would be at sync tip.
    pub(crate) carrier_v: f64,
    /// Amplitude of a colour-under burst in volts.
    pub(crate) colour_v: f64,
    /// Amplitude of the track's pilot tone in volts.
    pub(crate) pilot_v: f64,
}

/// Everything that is read at one instant.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Reading {
    pub(crate) parts: [Part; MOST],
    pub(crate) count: usize,
}

impl Reading {
    pub(crate) fn parts(&self) -> &[Part] {
        &self.parts[..self.count]
    }

    /// Root of the sum of the carriers' powers: the level by definition.
    pub(crate) fn level_v(&self) -> f64 {
        self.parts().iter().map(|part| part.carrier_v * part.carrier_v).sum::<f64>().sqrt()
    }

    /// The part with the greatest carrier.
    pub(crate) fn strongest(&self) -> Option<&Part> {
        self.parts().iter().max_by(|a, b| a.carrier_v.total_cmp(&b.carrier_v))
    }
}

/// Reads the tracks under a head with its centre over `kappa` at position `y`.
pub(crate) fn read_tracks(conditions: &Conditions, tape: &TapeState, head: Head, kappa: f64, y: f64) -> Reading {
    let state = &conditions.heads[head.index()];
    let mut reading = Reading::default();
    if state.level_v <= 0.0 {
        return reading;
    }
    let aside_um = state.height_um + conditions.guides.at_um(y) - tape.recorded_on.at_um(y);
    let (half_head, half_track) = (state.width_um / 2.0, tape.track_width_um / 2.0);
    let reach = (half_head + half_track) / tape.pitch_um;
    let centre = kappa + aside_um / tape.pitch_um;
    if !centre.is_finite() {
        return reading;
    }
    let (kept, kept_colour) = dip(conditions, tape, y);
    let contact = contact(conditions, y) * tape.level * conditions.lift_keeps(y);
    let mut track = (centre - reach).ceil() as i64;
    while (track as f64) < centre + reach && reading.count < MOST {
        let from_um = (centre - track as f64) * tape.pitch_um;
        let overlap = (from_um + half_head).min(half_track) - (from_um - half_head).max(-half_track);
        if overlap > 0.0 {
            let share = contact * overlap / conditions.machine_pitch_um;
            let (mut carrier, mut colour) = (share * kept * state.level_v, share * kept_colour * state.colour_v);
            let mut pilot_v = share * state.pilot_v;
            if Head::of_scan(track) != head {
                carrier *= losses::azimuth(tape.azimuth_x * overlap);
                colour *= losses::azimuth(tape.azimuth_x_colour * overlap);
                pilot_v *= losses::azimuth(tape.azimuth_x_pilot * overlap);
            }
            if carrier.max(colour).max(pilot_v) > NEGLIGIBLE * state.level_v {
                let colour_v = if tape.colour { colour } else { 0.0 };
                reading.parts[reading.count] = Part { track, carrier_v: carrier, colour_v, pilot_v };
                reading.count += 1;
            }
        }
        track += 1;
    }
    reading
}

/// Contact of head and tape, 0 to 1: it builds up over a line and a half where the tape meets the drum.
fn contact(conditions: &Conditions, y: f64) -> f64 {
    let lines = conditions.format.lines.lines_a_scan();
    let overlap = conditions.config.rf.overlap_lines;
    let inside_lines = (y.min(1.0 - y)) * lines + overlap;
    (inside_lines / 1.5).clamp(0.0, 1.0)
}

/// Where dirt on the drum lifts the tape, and how far along the scan that reaches (common practice, no source).
const DIP_AT: f64 = 0.85;
const DIP_WIDTH: f64 = 0.07;

/// What dirt on the drum keeps of the carrier and of the colour-under signal: a spacing loss, whose decibels
/// go with the frequency.
pub(crate) fn dip(conditions: &Conditions, tape: &TapeState, y: f64) -> (f64, f64) {
    let depth = conditions.faults.contact_dip;
    if depth == 0.0 {
        return (1.0, 1.0);
    }
    let near = (-((y - DIP_AT) / DIP_WIDTH).powi(2) / 2.0).exp();
    let exponent = tape.format.colour_under_hz.value / tape.format.fm_sync_hz.value;
    let kept = 1.0 - depth * near;
    (kept, kept.powf(exponent))
}

impl Stretch {
    /// The head that is switched through, with its position `x` (beyond 0 to 1 when it is not its turn).
    ///
    /// A dead head switch stands in its low state and leaves the other head's scans without signal.
    pub(crate) fn selected(&self) -> Option<Head> {
        let head = self.head()?;
        if !self.conditions.faults.head_switch_dead {
            return Some(head);
        }
        let low_is = if self.conditions.config.head_switch.high_is_a { Head::B } else { Head::A };
        (head == low_is).then_some(head)
    }

    /// What is read at an instant of the stretch.
    pub(crate) fn read(&self, t_s: f64) -> Reading {
        let (Some(head), Some(tape), true) = (self.selected(), self.conditions.tracks(), self.contact) else {
            return Reading::default();
        };
        let mut reading = read_tracks(&self.conditions, tape, head, self.kappa(t_s), self.y(t_s));
        let scatter = self.conditions.faults.brush_noise;
        if scatter > 0.0 {
            let keeps = (1.0 + scatter * gauss(hash(tape.seed ^ 0xB7, self.scan.unwrap_or(0)))).clamp(0.0, 2.0);
            for part in &mut reading.parts[..reading.count] {
                (part.carrier_v, part.colour_v) = (part.carrier_v * keeps, part.colour_v * keeps);
            }
        }
        reading
    }
}
