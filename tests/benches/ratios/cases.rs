//! The computations, and the files of samples that the outside library reads.

mod levels;
mod sound;
mod tracking;
mod trains;
mod video;

use crate::Case;
use std::path::Path;
use tapewright_measure::{Converter, Trace};

/// Converter of [`crate::signals::rf`].
pub(crate) const CONVERTER: Converter = Converter {
    gain_v: 0.004,
    offset_v: 0.0,
    code_low: -128,
    code_high: 127,
    gain_uncertainty: 0.0,
    offset_uncertainty_v: 0.0,
};

/// Writes samples for the outside library, as 64-bit floats.
fn keep(folder: &Path, name: &str, dt_s: f64, values: impl Iterator<Item = f64>) {
    let bytes: Vec<u8> = core::iter::once(dt_s).chain(values).flat_map(f64::to_le_bytes).collect();
    std::fs::write(folder.join(format!("{name}.f64")), bytes).expect("the samples are written");
}

fn volts(trace: &Trace) -> impl Iterator<Item = f64> {
    trace.volts().iter().map(|v| f64::from(*v))
}

/// Volts of several captures, one after the other.
fn volts_of(traces: &[Trace]) -> impl Iterator<Item = f64> {
    traces.iter().flat_map(volts)
}

fn samples_of(traces: &[Trace]) -> usize {
    traces.iter().map(|trace| trace.volts().len()).sum()
}

/// What a scope of 8 bits makes of volts between two bounds.
fn digitised((t0_s, dt_s): (f64, f64), (low_v, high_v): (f64, f64), volts: &[f64]) -> Trace {
    let converter = Converter { gain_v: (high_v - low_v) / 255.0, offset_v: 0.5 * (low_v + high_v), ..CONVERTER };
    let code = |v: &f64| ((v - converter.offset_v) / converter.gain_v).round().clamp(-128.0, 127.0) as i16;
    Trace::from_codes(t0_s, dt_s, &volts.iter().map(code).collect::<Vec<_>>(), &converter).expect("a trace")
}

/// Every case; its samples lie in the folder.
pub(crate) fn all(folder: &Path) -> Vec<Case> {
    [levels::all(folder), tracking::all(folder), trains::all(folder), video::all(folder), sound::all(folder)]
        .into_iter()
        .flatten()
        .collect()
}
