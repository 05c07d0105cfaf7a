//! Facts that the simulated machine must show.

mod physics;
mod seam;
mod search;
mod servo;
mod sound;

use super::{Machine, MachineConfig};
use tapewright_formats::Mode;

/// A healthy machine with a tape in.
pub(crate) fn config(tape: &str) -> MachineConfig {
    MachineConfig { tape: Some(tape.into()), ..MachineConfig::default() }
}

/// A machine in a mode, and an instant at which it has settled there.
pub(crate) fn running(config: MachineConfig, seed: u64, mode: Mode) -> (Machine, f64) {
    let mut machine = Machine::new(config, seed).unwrap();
    let mut settled_s = machine.key(mode, 0.0);
    if matches!(mode, Mode::Still) {
        settled_s = machine.settled_at_s();
    }
    (machine, settled_s + 1.0)
}
