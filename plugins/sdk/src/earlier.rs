//! What an earlier run measured, which this run is held against. (Permission `earlier`.)

use crate::bindings::tapewright::procedure::earlier as host;
use tapewright_formats::Unit;

pub use host::{Measurement, Run};

/// The earlier run that was named; none: none was.
#[must_use]
pub fn look() -> Option<Run> {
    host::look()
}

impl Measurement {
    /// Its standard uncertainty: half of the interval that covers 95 in 100 is two of them.
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        0.25 * (self.high - self.low)
    }
}

impl Run {
    /// A number that a procedure of that run measured, if it is in this unit. Levels in volts with an alignment tape are a reference:
    /// the daemon hands over those of procedures that passed or were marginal.
    #[must_use]
    pub fn measured(&self, procedures: &[&str], name: &str, unit: Unit) -> Option<&Measurement> {
        let fits =
            |m: &&Measurement| procedures.contains(&m.procedure.as_str()) && m.name == name && m.unit == unit.as_str();
        self.measurements.iter().find(fits)
    }

    /// The run in a few words.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{} ({} on bench {}, tape {} `{}`)", self.id, self.machine, self.bench, self.tape, self.tape_name)
    }
}
