//! What stands in a record of a rail beside the parts that were fitted, anywhere below the image of its rate: lines outside
//! the band looked at, lines that are aliases, lines beyond the parts and harmonics that are fitted.

use super::{CLEAR, CLEAR_OF_IMAGE, OF_A_STEP, Part, Ripple, SKIRT, below, without};
use crate::demodulate::alias_of;
use crate::error::MeasureError;
use crate::sine::{ToneFit, fit_near, fit_tones};
use crate::spectrum::{Peak, Spectrum};
use crate::trace::Trace;

/// Lines that are taken off one by one, so that their skirts are not counted.
const TAKEN_OFF: usize = 12;

/// Lines that are counted beyond those.
const COUNTED: usize = 24;

/// Widths of a line on either side of one that its floor is told by.
const BESIDE: f64 = 10.0;

/// The transform's places and its parabola show a line lower by less than this share.
const SCALLOP: f64 = 0.02;

/// How much a converter's frequency moves from record to record, as a share: it runs free.
const MOVES: f64 = 1e-3;

/// An alias of less than this share of a part's fundamental leaves the part what it is.
const LITTLE: f64 = 0.1;

/// Lines of one record beside the parts.
#[derive(Debug, Clone)]
pub struct Left {
    rate_hz: f64,
    resolution_hz: f64,
    lines: Vec<Peak>,
}

/// A tone of a known part as a record shows it.
struct Shown {
    hz: f64,
    within_hz: f64,
    amplitude: f64,
}

impl Left {
    /// Fundamental and harmonics of a part as this record shows them, each to within its error and `moves` of it.
    fn shown<'a>(&'a self, part: &'a Part, moves: f64) -> impl Iterator<Item = Shown> + 'a {
        let share = 4.0 * part.hz.standard_uncertainty / part.hz.value + moves;
        part.tones.iter().map(move |tone| Shown {
            hz: alias_of(tone.hz, self.rate_hz).0,
            within_hz: 0.5 * self.resolution_hz + share * tone.hz,
            amplitude: 1.05 * tone.amplitude() + 3.0 * tone.error,
        })
    }

    /// Peak to peak of the lines from a frequency on, less what parts of other records and own harmonics past the image show here.
    fn beside_v(&self, own: &[Part], others: &[Part], from_hz: f64) -> f64 {
        let past = |part: &Part, shown: usize| part.tones[shown].hz >= CLEAR_OF_IMAGE * self.rate_hz;
        let own = own.iter().flat_map(|part| {
            self.shown(part, 0.0).enumerate().filter(move |(k, _)| past(part, *k)).map(|(_, shown)| shown)
        });
        let mut known: Vec<Shown> = others.iter().flat_map(|part| self.shown(part, MOVES)).chain(own).collect();
        self.lines
            .iter()
            .filter(|line| line.hz >= from_hz)
            .map(|line| {
                let mut rest = line.amplitude;
                for shown in known.iter_mut().filter(|shown| (shown.hz - line.hz).abs() < shown.within_hz) {
                    // What a tone explains it explains once.
                    let taken = rest.min(shown.amplitude);
                    rest -= taken;
                    shown.amplitude -= taken;
                }
                2.0 * (1.0 + SCALLOP) * rest
            })
            .sum::<f64>()
            + 0.0
    }
}

impl Ripple {
    /// Peak to peak in volts of what stands in either record from a frequency on, beside the parts and beside what the parts
    /// that `others` have found show here. Both records show the same lines: the one that shows more counts.
    #[must_use]
    pub fn beside_v(&self, others: &[Part], from_hz: f64) -> f64 {
        self.left.iter().map(|left| left.beside_v(&self.parts, others, from_hz)).fold(0.0, f64::max)
    }

    /// Takes out the parts of which a tone stands where tones of faster records have their aliases, at both rates. A fundamental
    /// that is no greater than the alias is it. Else both are together there, be it in a harmonic: a part that the alias makes
    /// much of goes, a greater one stays. What that leaves unknown: peak to peak of the most that may be, in volts, all together.
    pub fn without_aliases(&mut self, of: &[Part]) -> f64 {
        let left = &self.left;
        let alias_at = |hz: f64| {
            let near = |left: &Left, fast: &Part| -> Vec<Option<f64>> {
                let within_hz = 0.5 * left.resolution_hz;
                let near =
                    |shown: Shown| ((shown.hz - hz).abs() < shown.within_hz + within_hz).then_some(shown.amplitude);
                left.shown(fast, 0.0).map(near).collect()
            };
            let tones = of.iter().flat_map(|fast| near(&left[0], fast).into_iter().zip(near(&left[1], fast)));
            tones.filter_map(|(a, b)| a.and(b)).reduce(f64::max)
        };
        let alias =
            |part: &Part| part.tones.iter().enumerate().find_map(|(n, tone)| alias_at(tone.hz).map(|most| (n, most)));
        let aliases: Vec<Option<(usize, f64)>> = self.parts.iter().map(alias).collect();
        let mut hidden_v = 0.0;
        let mut place = aliases.into_iter();
        self.parts.retain(|part| {
            let Some((harmonic, most)) = place.next().flatten() else { return true };
            let own = part.tones[0].amplitude();
            let is_alias = harmonic == 0 && own < most;
            let stays = most < LITTLE * own;
            if !is_alias {
                hidden_v += 2.0 * most + if stays { 0.0 } else { part.peak_to_peak_v.value };
            }
            stays
        });
        hidden_v
    }
}

/// What a record holds beside parts fitted to it.
pub(super) fn left(trace: &Trace, fits: &[ToneFit]) -> Result<Left, MeasureError> {
    let step_v = trace.conversion().step_v;
    let tones = fits.iter().flat_map(|fit| &fit.tones).map(|tone| tone.hz);
    let mut rest = match fit_tones(trace, &below(tones, trace.dt_s()), true) {
        Ok(all) => without(trace, &all)?,
        // Harmonics of unlike parts that meet: one after the other.
        Err(_) => fits.iter().try_fold(trace.clone(), |rest, fit| without(&rest, fit))?,
    };
    let to_hz = CLEAR_OF_IMAGE / trace.dt_s();
    let strongest = level(trace)?.peaks(0.0, to_hz, 1).first().map_or(0.0, |peak| peak.amplitude);
    let mut lines: Vec<Peak> = Vec::new();
    loop {
        let spectrum = level(&rest)?;
        let resolution_hz = spectrum.resolution_hz;
        let floor = spectrum.floor(0.0, to_hz);
        let stands = |peak: &Peak| {
            let beside_hz = BESIDE * resolution_hz;
            let near = spectrum.floor((peak.hz - beside_hz).max(0.0), (peak.hz + beside_hz).min(to_hz));
            peak.amplitude > (CLEAR * floor.max(near)).max(OF_A_STEP * step_v).max(SKIRT * strongest)
        };
        // Slower than one cycle of the record is drift.
        let mut tops: Vec<Peak> = spectrum.peaks(0.5 * resolution_hz, to_hz, COUNTED);
        tops.retain(stands);
        let same = |peak: &Peak, line: &Peak| (peak.hz - line.hz).abs() < 0.5 * resolution_hz;
        // One that hardly became less is no sine, and would be counted over and over.
        let stays = |peak: &Peak| lines.iter().any(|line| same(peak, line) && peak.amplitude > 0.7 * line.amplitude);
        let top = tops.first().copied().filter(|top| lines.len() < TAKEN_OFF && !stays(top));
        let Some(top) = top else {
            tops.retain(|peak| !stays(peak));
            lines.extend(tops);
            return Ok(Left { rate_hz: 1.0 / trace.dt_s(), resolution_hz, lines });
        };
        lines.push(top);
        // Of few cycles a fit of the frequency runs away.
        let near = |fit: &ToneFit| {
            let tone = &fit.tones[0];
            (tone.hz - top.hz).abs() < 0.5 * resolution_hz && tone.amplitude() < 1.5 * top.amplitude
        };
        let fit = match fit_near(&rest, top.hz) {
            Ok((fit, _)) if near(&fit) => fit,
            _ => fit_tones(&rest, &[top.hz], true)?,
        };
        rest = without(&rest, &fit)?;
    }
}

/// The spectrum of a record less constant and drift.
fn level(trace: &Trace) -> Result<Spectrum, MeasureError> {
    let volts = trace.volts();
    let n = volts.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let slope: f64 = volts.iter().enumerate().map(|(i, v)| (i as f64 - middle) * f64::from(*v)).sum::<f64>()
        / (n * (n * n - 1.0) / 12.0);
    let values: Vec<f64> = volts.iter().enumerate().map(|(i, v)| f64::from(*v) - slope * (i as f64 - middle)).collect();
    Spectrum::of(&values, trace.dt_s())
}
