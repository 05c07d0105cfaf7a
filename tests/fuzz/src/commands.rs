//! The simulated scopes: any bytes as program messages, to each front end.

use crate::deck::FormulaDeck;
use sim_instrument::{BenchSetup, FrontEnd, Scaling, SimBench, Specs};
use tapewright_clock::Instant;

/// The front ends, of which the first byte chooses one.
const FRONT_ENDS: &[FrontEnd] = &[
    FrontEnd::FamilyA(Scaling::A1),
    FrontEnd::FamilyA(Scaling::A3),
    FrontEnd::FamilyA(Scaling::A4),
    FrontEnd::FamilyB,
    FrontEnd::FamilyC,
    FrontEnd::Scpi99,
];
/// Longest input that is tried, and most bytes that may come of it.
const LONGEST: usize = 2_048;
const MOST: usize = 4 << 20;

/// Sends bytes to a scope and lets time pass; it must answer in bounds, and a device clear must leave it able
/// to say who it is.
pub fn commands(bytes: &[u8]) {
    let Some((&first, bytes)) = bytes.split_first() else { return };
    if bytes.len() > LONGEST {
        return;
    }
    let mut setup = BenchSetup::new(1, Specs::modest());
    setup.front_end = FRONT_ENDS[usize::from(first) % FRONT_ENDS.len()];
    let sim = SimBench::new(setup, Box::new(FormulaDeck));
    let mut port = sim.scope_port();
    let mut at_s = 0.0;
    let mut came = 0;
    for part in bytes.chunks(64) {
        port.write(Instant::from_secs_f64(at_s), part);
        for _ in 0..4 {
            at_s += 0.02;
            came += port.read(Instant::from_secs_f64(at_s)).len();
        }
    }
    assert!(came <= MOST, "{came} bytes came");
    assert!(port.reopen(Instant::from_secs_f64(at_s)), "the port is gone");
    port.write(Instant::from_secs_f64(at_s), b"*IDN?\n");
    at_s += 0.5;
    let said = port.read(Instant::from_secs_f64(at_s));
    assert!(said.ends_with(b"\n") && said.len() > 4, "`{}` came to *IDN?", said.escape_ascii());
}
