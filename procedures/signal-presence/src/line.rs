//! Composite video: rate of its lines and depth of its sync pulses, whatever the picture.

use crate::record::quantile;
use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::measure::edges::{Polarity, States, edges};
use tapewright_sdk::measure::pulses::Pulses;
use tapewright_sdk::prelude::*;

/// Widths that a line's sync pulse can have: equalising pulses are shorter, broad ones longer.
const SYNC_S: core::ops::RangeInclusive<f64> = 3.5e-6..=7.0e-6;
/// Where the front porch is looked at, before the leading edge of sync.
const PORCH_S: core::ops::Range<f64> = 0.4e-6..1.2e-6;
/// Share of the distances between syncs that must be alike.
const EVEN_SHARE: f64 = 0.7;
/// Fewer line syncs than this in a record of many lines are no video.
const LEAST_LINES: usize = 8;

/// What a record of some lines shows.
pub(crate) struct Lines {
    /// From the sync tip to blanking, in volts.
    pub(crate) sync_v: Estimate,
    /// Lines a second.
    pub(crate) rate: Estimate,
}

/// Finds line syncs in a sampled record. None: there are none.
///
/// The sync tip is the lowest level of the signal. Where white reaches up to, the sync takes its share
/// of the whole (R9: sync over sync and white); half of that share of what is seen lies within every
/// sync, be the picture black or white.
pub(crate) fn lines_in(trace: &Trace, standard: LineStandard, timebase_u: f64) -> Result<Option<Lines>> {
    let volts = trace.volts();
    let (tip_v, top_v) = (quantile(volts, 0.01), quantile(volts, 0.99));
    let slice_v = tip_v + 0.5 * standard.video().blanking_share() * (top_v - tip_v);
    let about = States { low_v: tip_v, high_v: 2.0 * slice_v - tip_v, difference_u_v: 0.0, noise_v: 0.0 };
    let Ok(found) = edges(trace, &about) else { return Ok(None) };
    let syncs: Vec<f64> = found
        .windows(2)
        .filter(|pair| pair[0].polarity == Polarity::Falling && SYNC_S.contains(&(pair[1].time_s - pair[0].time_s)))
        .map(|pair| pair[0].time_s)
        .collect();
    if syncs.len() < LEAST_LINES || !is_even(&syncs) {
        return Ok(None);
    }
    let porches: Vec<f64> = syncs.iter().filter_map(|&at| porch_v(trace, at)).map(|porch| porch - tip_v).collect();
    let Ok(sync_v) = tapewright_sdk::measure::statistics::median(&porches) else { return Ok(None) };
    let scatter = tapewright_sdk::measure::statistics::moments(&porches)?.standard_deviation;
    let conversion = trace.conversion();
    let count = porches.len() as f64;
    let shares = vec![
        Contribution::type_a("scatter over lines", 1.25 * scatter / count.sqrt(), (count - 1.0).max(1.0)),
        // The lowest hundredth lies below the tip by about two deviations of its noise.
        Contribution::rectangular("noise of the sync tip", 2.0 * scatter),
        Contribution::rectangular("conversion", conversion.step_v / core::f64::consts::SQRT_2),
        Contribution::type_b("gain of the channel", sync_v.abs() * conversion.gain_uncertainty),
    ];
    let sync_v = Estimate::combined(sync_v, shares)?;
    let observed = (trace.t0_s(), trace.t0_s() + trace.span_s());
    let pulses = Pulses {
        times_s: syncs,
        time_u_s: trace.dt_s() / 12.0_f64.sqrt(),
        within_s: 0.5 * trace.dt_s(),
        level: sync_v.clone(),
        duties: Vec::new(),
        highs_s: Vec::new(),
        observed,
    };
    Ok(pulses.rate(standard.line_rate_hz(), timebase_u).ok().map(|rate| Lines { sync_v, rate }))
}

/// Whether most syncs follow each other at one distance: in the field's blanking, or in snow, they do not.
fn is_even(syncs: &[f64]) -> bool {
    let gaps: Vec<f64> = syncs.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let Ok(usual) = tapewright_sdk::measure::statistics::median(&gaps) else { return false };
    let alike = gaps.iter().filter(|gap| (*gap / usual - 1.0).abs() < 0.02).count();
    alike as f64 >= EVEN_SHARE * gaps.len() as f64
}

/// Mean of the front porch before a sync pulse; none: it lies before the record.
fn porch_v(trace: &Trace, sync_s: f64) -> Option<f64> {
    let place = |time_s: f64| ((time_s - trace.t0_s()) / trace.dt_s()).round();
    let (from, until) = (place(sync_s - PORCH_S.end), place(sync_s - PORCH_S.start));
    if from < 0.0 {
        return None;
    }
    let porch = trace.volts().get(from as usize..=until as usize)?;
    (!porch.is_empty()).then(|| porch.iter().map(|v| f64::from(*v)).sum::<f64>() / porch.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Some lines of an even picture between sync tip and `white`, `gain` times the standard level.
    fn picture(rate_hz: f64, white: f64, gain: f64) -> Trace {
        let dt_s = 0.4e-6;
        let volts = (0..2500).map(|i| {
            let us = (f64::from(i) * dt_s * rate_hz).fract() / rate_hz * 1e6;
            let level = match us {
                us if us < 4.7 => -0.3,
                us if !(10.5..=62.4).contains(&us) => 0.0,
                _ => white,
            };
            let noise = f64::from(i * 7919 % 13) / 13.0 - 0.5;
            (gain * (level + 0.01 * noise)) as f32
        });
        Trace::from_volts(0.0, dt_s, volts.collect()).unwrap()
    }

    #[test]
    fn sync_is_found_under_any_picture() {
        for (what, white, gain) in [("black", 0.0, 1.0), ("grey", 0.35, 1.0), ("white", 0.7, 1.0), ("weak", 0.7, 0.4)] {
            let lines = lines_in(&picture(15_625.0, white, gain), LineStandard::L625, 1e-4).unwrap();
            let lines = lines.unwrap_or_else(|| panic!("{what}: no lines"));
            assert!((lines.sync_v.value - 0.3 * gain).abs() < 0.02, "{what}: {:?}", lines.sync_v);
            assert!((lines.rate.value / 15_625.0 - 1.0).abs() < 1e-3, "{what}: {:?}", lines.rate);
        }
    }

    /// Lines of which every other, or every third, lacks its sync.
    fn picture_with_holes() -> Trace {
        let whole = picture(15_625.0, 0.7, 1.0);
        let hole = |i: usize| matches!((i as f64 * 0.4 / 64.0) as usize % 5, 1 | 3 | 4);
        let volts = whole.volts().iter().enumerate().map(|(i, v)| if hole(i) { 0.35 } else { *v });
        Trace::from_volts(0.0, whole.dt_s(), volts.collect()).unwrap()
    }

    #[test]
    fn what_is_no_video_has_no_lines() {
        let noise = (0..2500).map(|i| (i * 7919 % 101) as f32 / 101.0).collect();
        for (what, trace) in [
            ("noise", Trace::from_volts(0.0, 0.4e-6, noise).unwrap()),
            ("lines with holes", picture_with_holes()),
            ("nothing", Trace::from_volts(0.0, 0.4e-6, vec![0.0; 2500]).unwrap()),
            ("nothing at all", Trace::from_volts(0.0, 0.4e-6, Vec::new()).unwrap()),
        ] {
            assert!(lines_in(&trace, LineStandard::L625, 1e-4).unwrap().is_none(), "{what}");
        }
    }
}
