//! What stands in a record of a rail beside the parts that were fitted, anywhere below the image of its rate: lines outside
//! the band looked at, lines that are aliases, lines beyond the parts and harmonics that are fitted.

use super::find::{self, STAYS, TAKEN_OFF, level, single, standing, with};
use super::{CLEAR_OF_IMAGE, MOVES, Part, Ripple};
use crate::demodulate::alias_of;
use crate::error::MeasureError;
use crate::spectrum::Peak;
use crate::trace::Trace;

/// The transform's places and its parabola show a line lower by less than this share.
const SCALLOP: f64 = 0.02;

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
            // Past its image the other record says nothing.
            let past = hz >= CLEAR_OF_IMAGE * left[1].rate_hz;
            tones.filter_map(|(a, b)| a.filter(|_| past || b.is_some())).reduce(f64::max)
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

/// What a record holds, of which `rest` is left beside the parts fitted to it.
pub(super) fn left(trace: &Trace, mut rest: Trace) -> Result<Left, MeasureError> {
    let least = find::least(trace)?;
    let mut lines: Vec<Peak> = Vec::new();
    loop {
        let spectrum = level(&rest)?;
        let resolution_hz = spectrum.resolution_hz;
        let mut tops = standing(&spectrum, &rest, least);
        let same = |peak: &Peak, line: &Peak| (peak.hz - line.hz).abs() < 0.5 * resolution_hz;
        // One that hardly became less is no sine, and would be counted over and over.
        let stays = |peak: &Peak| lines.iter().any(|line| same(peak, line) && peak.amplitude > STAYS * line.amplitude);
        let top = tops.first().copied().filter(|top| lines.len() < TAKEN_OFF && !stays(top));
        let Some(top) = top else {
            tops.retain(|peak| !stays(peak));
            lines.extend(tops);
            return Ok(Left { rate_hz: 1.0 / trace.dt_s(), resolution_hz, lines });
        };
        lines.push(top);
        rest = with(&rest, &single(&rest, &top, resolution_hz)?, -1.0)?;
    }
}
