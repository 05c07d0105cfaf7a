//! Dropouts as a head meets them: which one lies under it at an instant, and how many a span holds.

use super::Machine;
use super::conditions::{Conditions, Head, TapeState};
use super::dropouts::DropoutConfig;
use super::reading::Reading;
use super::scan::Stretch;
use serde::Serialize;
use tapewright_formats::definitions::sound::{DROPOUT_DB, DROPOUT_US};

/// The truth about dropouts over a span.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DropoutTruth {
    /// Dropouts a minute that the tape is set to.
    pub per_minute: f64,
    /// Those that the heads met in the span and that count by the definition: when each began.
    pub met_s: Vec<f64>,
    /// Their lengths, microseconds.
    pub lengths_us: Vec<f64>,
    /// Their depths, dB.
    pub depths_db: Vec<f64>,
}

impl Reading {
    /// Takes from what one track gives.
    pub(crate) fn weaken(&mut self, track: i64, keeps: f64) {
        for part in self.parts[..self.count].iter_mut().filter(|part| part.track == track) {
            part.carrier_v *= keeps;
            part.colour_v *= keeps;
            part.pilot_v *= keeps;
        }
    }
}

impl Conditions {
    /// Dropouts of the tape, or of the fault that stands for one.
    fn dropouts(&self, tape: &TapeState) -> DropoutConfig {
        let per_minute = self.faults.dropouts_a_minute.unwrap_or(tape.dropouts.per_minute);
        DropoutConfig { per_minute, ..tape.dropouts }
    }
}

impl Stretch {
    /// Track under the head's centre that is its own: of its azimuth.
    fn own_track(&self, t_s: f64) -> Option<i64> {
        let head = self.selected()?;
        let kappa = self.kappa(t_s);
        let parity = if head == Head::A { 0.0 } else { 1.0 };
        Some((2.0 * ((kappa - parity) / 2.0).round() + parity) as i64)
    }

    /// What lies under the head at an instant: the track that is weakened and what it keeps, and from when to when it stays so.
    pub(crate) fn dropout_at(&self, t_s: f64) -> (Option<(i64, f64)>, f64, f64) {
        let (mut from_s, mut to_s) = (f64::NEG_INFINITY, f64::INFINITY);
        let Some(tape) = self.conditions.tracks() else { return (None, from_s, to_s) };
        let config = self.conditions.dropouts(tape);
        if config.per_minute <= 0.0 {
            return (None, from_s, to_s);
        }
        let Some(track) = self.own_track(t_s) else { return (None, from_s, to_s) };
        let field_hz = self.conditions.format.lines.field_rate_hz();
        let (all, count) = config.of_track(tape.seed, track, field_hz);
        let shift = self.conditions.switch_shift();
        let when = |along_s: f64| self.edge_s + (along_s * field_hz - shift) / self.rate_hz;
        for dropout in &all[..count] {
            let (begins, ends) = (when(dropout.from_s), when(dropout.to_s));
            if (begins..ends).contains(&t_s) {
                return (Some((track, dropout.keeps)), begins, ends);
            }
            if begins > t_s {
                to_s = to_s.min(begins);
            } else {
                from_s = from_s.max(ends);
            }
        }
        (None, from_s, to_s)
    }
}

impl Machine {
    /// The truth about dropouts over a span of play: those that fall wholly in it.
    #[must_use]
    pub fn dropout_truth(&self, from_s: f64, to_s: f64) -> DropoutTruth {
        let mut truth =
            DropoutTruth { per_minute: 0.0, met_s: Vec::new(), lengths_us: Vec::new(), depths_db: Vec::new() };
        let mut t = from_s;
        while t < to_s {
            let stretch = self.timeline.stretch(t, self.seed);
            let until_s = if stretch.end_s > t { stretch.end_s.min(to_s) } else { t + 1e-9 };
            if let (Some(tape), true) = (stretch.conditions.tracks(), stretch.contact && stretch.rate_hz > 0.0) {
                truth.per_minute = stretch.conditions.dropouts(tape).per_minute;
                while t < until_s {
                    let (under, begins, ends) = stretch.dropout_at(t);
                    if let Some((_, keeps)) = under {
                        let (length_us, depth_db) = (1e6 * (ends - begins), -20.0 * keeps.log10());
                        if begins >= from_s && ends <= to_s && length_us >= DROPOUT_US && depth_db >= DROPOUT_DB {
                            truth.met_s.push(begins);
                            truth.lengths_us.push(length_us);
                            truth.depths_db.push(depth_db);
                        }
                    }
                    t = if ends > t { ends.min(until_s) } else { t + 1e-9 };
                }
            }
            t = t.max(until_s);
        }
        truth
    }
}
