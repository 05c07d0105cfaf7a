//! Values as one family says them: its words for couplings and slopes, and what follows from other values.

use super::fields::Fields;
use super::{Dialect, OffsetIs, Slot, Values};
use crate::scpi::{answer, is_word};

/// Words of one family for values that are words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// For coupling through a capacitor, and directly.
    pub couplings: [String; 2],
    /// For a rising and a falling edge.
    pub slopes: [String; 2],
}

impl Words {
    /// Reads the table; without it the standard's words are meant.
    pub(super) fn read(fields: &mut Fields<'_>) -> Self {
        Self {
            couplings: [pick(fields, "coupling-ac", "AC"), pick(fields, "coupling-dc", "DC")],
            slopes: [pick(fields, "slope-rising", "POSitive"), pick(fields, "slope-falling", "NEGative")],
        }
    }
}

impl Default for Words {
    fn default() -> Self {
        Self { couplings: ["AC", "DC"].map(str::to_owned), slopes: ["POSitive", "NEGative"].map(str::to_owned) }
    }
}

fn pick(fields: &mut Fields<'_>, key: &'static str, usual: &str) -> String {
    let word = fields.maybe_text(key).unwrap_or_else(|| usual.to_owned());
    if !is_word(&word) {
        fields.fault(key, format!("`{}` is not a word of letters, digits and `_`", word.escape_default()));
    }
    word
}

impl Dialect {
    /// Values as the instrument is told them: the standard's words in its own, and the places that follow from
    /// others.
    #[must_use]
    pub fn told(&self, values: &Values) -> Values {
        let mut told = values.clone();
        let own = |word: &str, standard: [&str; 2], words: &[String; 2]| {
            let place = standard.iter().position(|known| *known == word)?;
            words.get(place).cloned()
        };
        for (slot, standard, words) in [
            (Slot::Coupling, ["AC", "DC"], &self.words.couplings),
            (Slot::Slope, ["POSitive", "NEGative"], &self.words.slopes),
        ] {
            if let Some(word) = values.get(slot).and_then(|word| own(word, standard, words)) {
                told = told.word(slot, &word);
            }
        }
        let number = |slot| values.get(slot).and_then(|text| answer::value(text).ok());
        if let Some(centre_v) = number(Slot::Centre) {
            // Not "-0": some sets take the sign for a syntax error.
            told = told.number(Slot::MinusCentre, 0.0 - centre_v);
            if let Some(division_v) = number(Slot::VoltsADivision) {
                told = told.number(Slot::Position, 0.0 - centre_v / division_v);
            }
        }
        if let Some(first) = number(Slot::First) {
            told = told.number(Slot::FirstFromZero, first - 1.0);
        }
        told
    }

    /// Volts at the middle of the range that a read-back of the offset means, given volts a division; both as
    /// the instrument means volts.
    #[must_use]
    pub fn centre_of(&self, told: f64, volts_a_division: f64) -> f64 {
        match self.offset_is {
            OffsetIs::Centre => told,
            OffsetIs::MinusCentre => -told,
            OffsetIs::Position => -told * volts_a_division,
        }
    }
}
