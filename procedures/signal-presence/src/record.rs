//! One record of one signal, sampled or in pairs, and what it spans.

use tapewright_sdk::formats::SignalForm;
use tapewright_sdk::measure::pulses::{Pulses, pulses_in, pulses_in_pairs, unseen_spikes};
use tapewright_sdk::prelude::*;

/// A record that has less than this share of the time asked for is short.
const WHOLE: f64 = 0.95;

/// What a capture holds of one signal.
pub(crate) enum Record {
    /// Samples.
    Samples(Trace),
    /// Pairs of least and greatest.
    Pairs(PairTrace),
}

impl Record {
    /// Reads a trace of a capture that should span so long.
    ///
    /// # Errors
    /// `clipped`, or `bad-data` for a short one.
    pub(crate) fn of(capture: &Capture, signal: Signal, span_s: f64) -> Result<Self> {
        let codes = capture.trace(signal)?;
        let record = if codes.info.pairs { Self::Pairs(codes.pairs()?) } else { Self::Samples(codes.samples()?) };
        let (conversion, got_s) = match &record {
            Self::Samples(trace) => (trace.conversion(), trace.span_s()),
            Self::Pairs(pairs) => (pairs.conversion(), pairs.len() as f64 * pairs.dt_s()),
        };
        conversion.demand_unclipped("the capture")?;
        if got_s < WHOLE * span_s {
            let why = format!("the record of {signal} holds {got_s:.4} s of {span_s:.4} s asked for: take it again");
            return Err(Unable::new(UnableCode::BadData, why));
        }
        Ok(record)
    }

    /// Volts a step of the converter.
    pub(crate) fn step_v(&self) -> f64 {
        match self {
            Self::Samples(trace) => trace.conversion().step_v,
            Self::Pairs(pairs) => pairs.conversion().step_v,
        }
    }

    /// Pulses in it.
    pub(crate) fn pulses(&self, form: SignalForm) -> core::result::Result<Pulses, MeasureError> {
        match self {
            Self::Samples(trace) => pulses_in(trace, form),
            Self::Pairs(pairs) => pulses_in_pairs(pairs, form),
        }
    }

    /// What spikes may have that do not show.
    pub(crate) fn unseen_spikes_v(&self) -> Result<Estimate> {
        match self {
            Self::Samples(trace) => Ok(unseen_spikes(trace)?),
            Self::Pairs(_) => self.swing_v(),
        }
    }

    /// Volts peak to peak. Of pairs: what nine tenths of the bins stay under, so that single disturbances (the
    /// heads' switching) do not count. Of samples: between the outer hundredths.
    pub(crate) fn span_v(&self) -> Result<Estimate> {
        let (value, conversion) = match self {
            Self::Samples(trace) => (quantile(trace.volts(), 0.99) - quantile(trace.volts(), 0.01), trace.conversion()),
            Self::Pairs(pairs) => {
                let spans: Vec<f32> =
                    pairs.greatest().iter().zip(pairs.least()).map(|(high, low)| high - low).collect();
                (quantile(&spans, 0.90), pairs.conversion())
            }
        };
        let shares = vec![
            Contribution::rectangular("conversion", conversion.step_v / core::f64::consts::SQRT_2),
            Contribution::type_b("gain of the channel", value * conversion.gain_uncertainty),
        ];
        Ok(Estimate::combined(value, shares)?.within(0.0, f64::MAX))
    }

    /// Volts between the extremes of slow signals: what whole record spans, bin to bin.
    pub(crate) fn swing_v(&self) -> Result<Estimate> {
        match self {
            Self::Samples(_) => self.span_v(),
            Self::Pairs(pairs) => {
                let value = quantile(pairs.greatest(), 0.95) - quantile(pairs.least(), 0.05);
                let conversion = pairs.conversion();
                let shares = vec![
                    Contribution::rectangular("conversion", conversion.step_v / core::f64::consts::SQRT_2),
                    Contribution::type_b("gain of the channel", value.abs() * conversion.gain_uncertainty),
                ];
                Ok(Estimate::combined(value.max(0.0), shares)?.within(0.0, f64::MAX))
            }
        }
    }

    /// Volts against zero: the median (of a rail), or what nine tenths stay under (of a detected envelope).
    pub(crate) fn level_v(&self, share: f64) -> Result<Estimate> {
        let (value, conversion) = match self {
            Self::Samples(trace) => (quantile(trace.volts(), share), trace.conversion()),
            Self::Pairs(pairs) => {
                let middles: Vec<f32> =
                    pairs.greatest().iter().zip(pairs.least()).map(|(high, low)| 0.5 * (high + low)).collect();
                (quantile(&middles, share), pairs.conversion())
            }
        };
        let shares = vec![
            Contribution::rectangular("conversion", 0.5 * conversion.step_v),
            Contribution::type_b("gain of the channel", value.abs() * conversion.gain_uncertainty),
            Contribution::type_b("offset of the channel", conversion.offset_uncertainty_v),
        ];
        Ok(Estimate::combined(value, shares)?)
    }
}

/// The value that a share of all stays under. The door of the traces refused what is not finite.
pub(crate) fn quantile(volts: &[f32], share: f64) -> f64 {
    let mut sorted = volts.to_vec();
    sorted.sort_unstable_by(f32::total_cmp);
    let place = (share * sorted.len().saturating_sub(1) as f64).round() as usize;
    sorted.get(place).copied().map_or(0.0, f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_few_disturbances_are_not_a_level() {
        let greatest: Vec<f32> = (0..100).map(|i| if i % 20 == 0 { 1.0 } else { 0.01 }).collect();
        let least: Vec<f32> = greatest.iter().map(|v| -v).collect();
        let record = Record::Pairs(PairTrace::from_volts(0.0, 1e-3, least, greatest).unwrap());
        assert!((record.span_v().unwrap().value - 0.02).abs() < 1e-6);
    }

    #[test]
    fn quantiles_are_values_of_the_list() {
        for (volts, share, expected) in
            [(vec![3.0, 1.0, 2.0], 0.5, 2.0), (vec![3.0, 1.0, 2.0], 1.0, 3.0), (vec![], 0.5, 0.0)]
        {
            assert!((quantile(&volts, share) - expected).abs() < 1e-9, "{volts:?} {share}");
        }
    }
}
