//! A component that looks around while it describes itself.

use tapewright_sdk::prelude::*;

struct Nosy;

impl Procedure for Nosy {
    fn describe() -> Description {
        // Nothing answers here, so that this never comes back.
        let there = hookup().map_or(0, |points| points.len());
        Description {
            name: "nosy",
            version: if there > 0 { "1.0.0" } else { "0.1.0" },
            purpose: "Looks around too early.",
            needs: &[],
            uses: &[],
            modes: &[],
            parameters: &[],
            cautions: &[],
            cover_off: false,
            tells: "Nothing.",
            when_it_fails: "Nothing.",
            duration_s: 0.0,
        }
    }

    fn run(_settings: &Settings, _report: &mut Report) -> Result<()> {
        Ok(())
    }
}

tapewright_sdk::export!(Nosy);
