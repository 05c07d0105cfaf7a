//! What an instrument sees of the bench while it works: the time, the machine, and where its probes are.

use crate::beside::Beside;
use crate::deck::Deck;
use crate::source::{Bins, Point, Slope};

/// A probe: what it touches, and by how much it divides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Probe {
    /// What the tip touches.
    pub point: Point,
    /// Volts at the tip over volts at the connector.
    pub factor: f64,
    /// What stands at the tip beside a machine's signal.
    pub beside: Beside,
}

impl Default for Probe {
    fn default() -> Self {
        Self { point: Point::Open, factor: 1.0, beside: Beside::default() }
    }
}

/// Every probe of the scope.
#[derive(Debug, Clone, PartialEq)]
pub struct Probes {
    /// Of the channels, in their order.
    pub channels: Vec<Probe>,
    /// Of the trigger-only input.
    pub external: Probe,
}

/// The bench at one moment.
pub(crate) struct World<'a> {
    pub(crate) now_s: f64,
    pub(crate) deck: &'a mut dyn Deck,
    pub(crate) probes: &'a Probes,
}

/// The scope's own test output: 1 kHz, 0 V to 3 V square.
pub(crate) mod test_output {
    use super::Slope;

    pub(crate) const FREQUENCY_HZ: f64 = 1000.0;
    pub(crate) const HIGH_V: f64 = 3.0;

    /// Volts at an instant: high in the first half of each period.
    pub(crate) fn volts(at_s: f64) -> f64 {
        if (at_s * FREQUENCY_HZ).rem_euclid(1.0) < 0.5 { HIGH_V } else { 0.0 }
    }

    /// The next edge through a level strictly after `after_s`.
    pub(crate) fn next_edge(level_v: f64, slope: Slope, after_s: f64) -> Option<f64> {
        if !(0.0..HIGH_V).contains(&level_v) {
            return None;
        }
        let phase = if slope == Slope::Rising { 0.0 } else { 0.5 };
        let mut edge = ((after_s * FREQUENCY_HZ - phase).floor() + 1.0 + phase) / FREQUENCY_HZ;
        if edge <= after_s {
            edge += 1.0 / FREQUENCY_HZ;
        }
        Some(edge)
    }
}

/// What the probe's tip sees: the machine, or the scope's own test output, or nothing.
///
/// The test output and an open probe belong to the scope, so they are answered here and work whatever
/// the machine does.
pub(crate) struct Tip<'a> {
    pub(crate) deck: &'a mut dyn Deck,
    pub(crate) point: Point,
    pub(crate) beside: Beside,
}

impl<'a> Tip<'a> {
    /// Of a probe.
    pub(crate) fn of(probe: Probe, deck: &'a mut dyn Deck) -> Self {
        Self { deck, point: probe.point, beside: probe.beside }
    }

    pub(crate) fn samples(&mut self, t0_s: f64, dt_s: f64, bandwidth_hz: f64, out: &mut [f64]) {
        match self.point {
            Point::Open => out.fill(0.0),
            Point::TestOutput => {
                for (i, volts) in out.iter_mut().enumerate() {
                    *volts = test_output::volts(t0_s + i as f64 * dt_s);
                }
            }
            Point::Signal(_) => {
                self.deck.samples(self.point, t0_s, dt_s, bandwidth_hz, out);
                self.beside.add(t0_s, dt_s, out);
            }
        }
    }

    pub(crate) fn extremes(
        &mut self,
        t0_s: f64,
        dt_s: f64,
        underlying_s: f64,
        bandwidth_hz: f64,
        out: &mut [(f64, f64)],
    ) {
        match self.point {
            Point::Open => out.fill((0.0, 0.0)),
            Point::TestOutput => {
                for (i, pair) in out.iter_mut().enumerate() {
                    let from_s = t0_s + i as f64 * dt_s;
                    let last_s = from_s + dt_s - underlying_s;
                    let first = test_output::volts(from_s);
                    let edges = [Slope::Rising, Slope::Falling]
                        .into_iter()
                        .any(|slope| test_output::next_edge(1.0, slope, from_s).is_some_and(|edge| edge <= last_s));
                    *pair = if edges { (0.0, test_output::HIGH_V) } else { (first, first) };
                }
            }
            Point::Signal(_) => {
                self.deck.extremes(self.point, t0_s, dt_s, underlying_s, bandwidth_hz, out);
                self.beside.add_extremes(t0_s, dt_s, out);
            }
        }
    }

    pub(crate) fn some_extremes(&mut self, bins: &Bins, bandwidth_hz: f64, out: &mut [(f64, f64)]) -> bool {
        let can =
            matches!(self.point, Point::Signal(_)) && self.deck.some_extremes(self.point, bins, bandwidth_hz, out);
        if can {
            self.beside.add_extremes(bins.t0_s + bins.first as f64 * bins.dt_s, bins.dt_s, out);
        }
        can
    }

    pub(crate) fn next_crossing(&mut self, level_v: f64, slope: Slope, after_s: f64, until_s: f64) -> Option<f64> {
        match self.point {
            Point::Open => None,
            Point::TestOutput => test_output::next_edge(level_v, slope, after_s).filter(|edge| *edge < until_s),
            Point::Signal(_) => {
                let (deck, point) = (&mut *self.deck, self.point);
                let of_signal =
                    |level_v, slope, after_s, until_s| deck.next_crossing(point, level_v, slope, after_s, until_s);
                self.beside.crossing((level_v, slope), (after_s, until_s), of_signal)
            }
        }
    }

    pub(crate) fn next_video(
        &mut self,
        field: Option<u8>,
        line: Option<u32>,
        after_s: f64,
        until_s: f64,
    ) -> Option<f64> {
        match self.point {
            Point::Signal(_) => self.deck.next_video(self.point, field, line, after_s, until_s),
            Point::Open | Point::TestOutput => None,
        }
    }
}
