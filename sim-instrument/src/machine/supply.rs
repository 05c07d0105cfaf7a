//! The supply rail: direct voltage, the ripple of its rectifier, and what its switching converter leaves.

use super::Machine;
use super::MachineError;
use super::check::number;
use super::random::cos_cycles;
use serde::{Deserialize, Serialize};

/// Supply test point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SupplyConfig {
    /// Voltage of the rail.
    pub rail_v: f64,
    /// Ripple of the rectifier, about peak to peak.
    pub ripple_v: f64,
    /// Frequency of that: twice the mains behind a bridge, the mains itself where half of it is gone.
    pub ripple_hz: f64,
    /// Ripple of a switching converter, about peak to peak; 0: a linear regulator.
    pub switching_v: f64,
    /// Frequency of that.
    pub switching_hz: f64,
    /// Noise, RMS.
    pub noise_v: f64,
}

impl Default for SupplyConfig {
    fn default() -> Self {
        Self { rail_v: 12.0, ripple_v: 0.005, ripple_hz: 120.0, switching_v: 0.0, switching_hz: 72e3, noise_v: 1e-3 }
    }
}

/// The rail's truth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SupplyTruth {
    /// Direct voltage.
    pub mean_v: f64,
    /// Peak to peak of the periodic parts, summed.
    pub peak_to_peak_v: f64,
    /// Root mean square of the periodic parts.
    pub rms_v: f64,
    /// Frequency of the larger part.
    pub hz: f64,
}

pub(crate) fn check(supply: &SupplyConfig) -> Result<(), MachineError> {
    let not_negative = "give 0 or a positive number";
    number("rail_v", supply.rail_v, -1000.0, 1000.0, "give -1000 to 1000 V")?;
    number("ripple_v", supply.ripple_v, 0.0, 1000.0, not_negative)?;
    number("ripple_hz", supply.ripple_hz, 1.0, 1e6, "give 1 Hz to 1 MHz")?;
    number("switching_v", supply.switching_v, 0.0, 1000.0, not_negative)?;
    number("switching_hz", supply.switching_hz, 1e3, 5e6, "give 1 kHz to 5 MHz")?;
    number("supply noise_v", supply.noise_v, 0.0, 10.0, not_negative)
}

/// The ripple of a rectifier: a sawtooth, rounded by its first two harmonics.
fn rectified(cycles: f64) -> f64 {
    (cos_cycles(cycles) + 0.3 * cos_cycles(2.0 * cycles + 0.2)) / 2.4
}

/// The ripple of a switching converter: a triangle, rounded by its first two odd harmonics.
fn switched(cycles: f64) -> f64 {
    (cos_cycles(cycles) + cos_cycles(3.0 * cycles) / 9.0) / 2.2
}

/// One cycle of a ripple, about 1 from peak to peak.
type Shape = fn(f64) -> f64;

/// Peak to peak and mean square of a shape over one cycle.
fn of_shape(shape: Shape) -> (f64, f64) {
    const STEPS: u32 = 20_000;
    let (mut low, mut high, mut sum) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);
    for k in 0..STEPS {
        let v = shape(f64::from(k) / f64::from(STEPS));
        (low, high, sum) = (f64::min(low, v), f64::max(high, v), sum + v * v);
    }
    (high - low, sum / f64::from(STEPS))
}

impl Machine {
    /// Size and frequency of the two ripples at an instant.
    fn ripples(&self, t_s: f64) -> [(f64, f64, Shape); 2] {
        let (supply, faults) = (&self.config.supply, &self.timeline.at(t_s).conditions.faults);
        [
            (faults.ripple_v.unwrap_or(supply.ripple_v), faults.ripple_hz.unwrap_or(supply.ripple_hz), rectified),
            (faults.switching_v.unwrap_or(supply.switching_v), supply.switching_hz, switched),
        ]
    }

    /// Volts of the supply rail without noise.
    pub(crate) fn supply_v(&self, t_s: f64) -> f64 {
        let rail = self.timeline.at(t_s).conditions.faults.supply_v.unwrap_or(self.config.supply.rail_v);
        self.ripples(t_s)
            .iter()
            .filter(|(size, ..)| *size > 0.0)
            .fold(rail, |v, (size, hz, shape)| v + size * shape(hz * t_s))
    }

    /// The truth about the rail at an instant.
    #[must_use]
    pub fn supply_truth(&self, at_s: f64) -> SupplyTruth {
        let rail = self.timeline.at(at_s).conditions.faults.supply_v.unwrap_or(self.config.supply.rail_v);
        let parts = self.ripples(at_s).map(|(size, hz, shape)| {
            let (peak_to_peak, square) = of_shape(shape);
            (size * peak_to_peak, size * size * square, hz)
        });
        let larger = if parts[1].0 > parts[0].0 { parts[1] } else { parts[0] };
        SupplyTruth {
            mean_v: rail,
            peak_to_peak_v: parts[0].0 + parts[1].0,
            rms_v: (parts[0].1 + parts[1].1).sqrt(),
            hz: larger.2,
        }
    }
}
