//! The texts of the cautions.

use crate::words::Caution;

impl Caution {
    /// The usual caution. It defers to local codes and licensed practice (common practice, no source).
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Mains => {
                "Cover off, mains inside: unplug before touching anything; capacitors keep their charge after that, so discharge and measure before trusting it. A picture tube (combined sets, viewfinders) keeps kilovolts: leave it to people trained for it. Follow your local electrical code; work on mains parts belongs to people licensed for it."
            }
            Self::LiveChassis => {
                "A chassis may be tied to the mains. The earth clip of a bench scope is true earth: put the machine (never the scope) on an isolating transformer, one machine to a transformer, or use a rated differential probe. Never lift the scope's earth."
            }
            Self::Capacitors => {
                "Primary capacitors keep some 325 V after switch-off (230 V mains): discharge through a resistor and measure below 30 V before reaching in."
            }
            Self::PictureTube => {
                "A picture tube and its high tension keep kilovolts when off, and the glass can implode: leave it to people trained for it."
            }
            Self::MovingDrum => {
                "The drum turns and the loading arms start by themselves: fingers, sleeves, hair and probe leads away, and never touch the head tips."
            }
            Self::Solvents => {
                "Cleaning fluid: small amounts, cold machine, open window, no flame; strong solvents attack plastics and people."
            }
            Self::Batteries => {
                "Battery packs: no short circuit, no puncture, no charging below 0 degrees Celsius; stop if one is swollen or hot."
            }
            Self::PreciousTape => {
                "An alignment tape cannot be bought again: let a scrap tape run first, remove the record tab, and keep the still short."
            }
        }
    }
}
