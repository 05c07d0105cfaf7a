//! The noise floor of the RF point: taken in `stop`, or none.

use super::{Front, Way};
use crate::bench::{go, now};
use crate::captures::{Capture, Codes};
use crate::unable::{On, Result, Unable};
use tapewright_formats::{Mode, Signal, UnableCode};
use tapewright_measure::carrier::CarrierNoise;
use tapewright_measure::peaks::{PeakCorrection, PeakNoise};
use tapewright_measure::power::PowerNoise;
use tapewright_measure::{PairTrace, Trace};

/// In `stop` the point may show at most this share of the level in play. Real noise stays far below
/// wherever the level is fit to be judged; RF that does not stop does not. Common practice, no source.
const FLOOR_SHARE: f64 = 0.7;

/// The noise of the point, from a capture without RF.
pub struct Floor {
    pub(super) kind: Kind,
    seen_v: f64,
}

/// By the way that levels are taken.
pub(super) enum Kind {
    Carrier(CarrierNoise),
    Peaks(PeakNoise, Box<PeakCorrection>),
    Power(PowerNoise),
}

impl Floor {
    /// The level that the point shows without RF, in volts, nothing corrected.
    #[must_use]
    pub const fn seen_v(&self) -> f64 {
        self.seen_v
    }

    /// Refuses a floor that is not low against the level in play: then it is not noise that was seen in
    /// `stop`, or nothing but noise in play.
    ///
    /// # Errors
    /// `in-noise`.
    pub fn demand_below(&self, level_v: f64) -> Result<()> {
        if self.seen_v < FLOOR_SHARE * level_v {
            return Ok(());
        }
        Err(Unable::new(
            UnableCode::InNoise,
            format!(
                "with the tape stopped the RF point shows {:.2} mV, with the heads scanning {:.2} mV: the RF does not stand clear \
                 of the noise, or the machine did not stop; look at the probe and its earth, then at the transport",
                self.seen_v * 1e3,
                level_v * 1e3
            ),
        ))
    }
}

impl Front {
    /// Stops the machine, unless it is at rest, and takes the floor in the set-up of [`Self::frames`].
    ///
    /// # Errors
    /// What the daemon says; `too-short`, `bad-data`.
    pub fn floor_in_stop(&self, scans: u32) -> Result<Floor> {
        if now() != Mode::Stop {
            go(Mode::Stop)?;
        }
        let capture = self.setup(scans).take_one().on("noise floor")?;
        self.floor(&capture.trace(Signal::Rf)?).on("noise floor")
    }

    /// No floor: levels then hold the noise. For a first look, before the floor can be taken.
    ///
    /// # Errors
    /// Never, for a format of the table.
    pub fn no_floor(&self) -> Result<Floor> {
        self.no_floor_at(1.0 / self.lines.line_rate_hz())
    }

    /// No floor for captures like this one: see [`Self::no_floor`].
    ///
    /// # Errors
    /// `not-hooked-up` for a capture without RF.
    pub fn no_floor_for(&self, capture: &Capture) -> Result<Floor> {
        let rf = capture.info.traces.iter().find(|trace| trace.signal == Signal::Rf.as_str());
        let why = || Unable::new(UnableCode::NotHookedUp, "the capture has no trace of rf");
        self.no_floor_at(rf.ok_or_else(why)?.dt_s)
    }

    fn no_floor_at(&self, dt_s: f64) -> Result<Floor> {
        const QUIET: usize = 64;
        let kind = match self.way {
            Way::Carrier { .. } => Kind::Carrier(CarrierNoise::none()),
            Way::Peaks => {
                let quiet = PairTrace::from_volts(0.0, dt_s, vec![0.0; QUIET], vec![0.0; QUIET])?;
                let noise = PeakNoise::from_quiet(&quiet, self.carrier.white_hz)?;
                Kind::Peaks(noise, Box::new(PeakCorrection::new(noise, &self.carrier, dt_s)?))
            }
            Way::Power => Kind::Power(PowerNoise::from_quiet(&Trace::from_volts(0.0, dt_s, vec![0.0; QUIET])?)?),
        };
        Ok(Floor { kind, seen_v: 0.0 })
    }

    fn floor(&self, codes: &Codes) -> Result<Floor> {
        Ok(match self.way {
            Way::Carrier { .. } => {
                let noise = CarrierNoise::from_quiet(&codes.samples()?, &self.carrier)?;
                Floor { kind: Kind::Carrier(noise), seen_v: noise.amplitude_v() }
            }
            Way::Peaks => {
                let pairs = codes.pairs()?;
                let ranges =
                    pairs.greatest().iter().zip(pairs.least()).map(|(g, l)| 0.5 * (f64::from(*g) - f64::from(*l)));
                let seen_v = ranges.sum::<f64>() / pairs.len().max(1) as f64;
                let noise = PeakNoise::from_quiet(&pairs, codes.info.bandwidth_hz)?;
                let correction = PeakCorrection::new(noise, &self.carrier, pairs.dt_s())?;
                Floor { kind: Kind::Peaks(noise, Box::new(correction)), seen_v }
            }
            Way::Power => {
                let noise = PowerNoise::from_quiet(&codes.samples()?)?;
                Floor { kind: Kind::Power(noise), seen_v: noise.deviation_v() * core::f64::consts::SQRT_2 }
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_floor_as_high_as_the_level_is_no_floor() {
        let floor = Floor { kind: Kind::Carrier(CarrierNoise::none()), seen_v: 0.1 };
        assert!(floor.demand_below(0.2).is_ok());
        assert_eq!(floor.demand_below(0.11).unwrap_err().code, UnableCode::InNoise);
        assert_eq!(floor.demand_below(f64::NAN).unwrap_err().code, UnableCode::InNoise);
    }
}
