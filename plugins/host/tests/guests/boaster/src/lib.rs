//! A component whose description is wrong in several places.

use tapewright_sdk::prelude::*;

struct Boaster;

const TWICE: Parameter = Parameter::Number(Number {
    name: "share",
    meaning: "A default beyond its range, without a source.",
    unit: Unit::One,
    default: 2.0,
    least: 0.0,
    greatest: 1.0,
    source: "",
});

impl Procedure for Boaster {
    fn describe() -> Description {
        Description {
            name: "The Best",
            version: "9.9.9",
            purpose: "",
            needs: &[],
            uses: &[],
            modes: &[],
            parameters: &[TWICE, TWICE],
            cautions: &[],
            cover_off: false,
            tells: "Everything.",
            when_it_fails: "It never does.",
            duration_s: f64::NAN,
        }
    }

    fn run(_settings: &Settings, _report: &mut Report) -> Result<()> {
        Ok(())
    }
}

tapewright_sdk::export!(Boaster);
