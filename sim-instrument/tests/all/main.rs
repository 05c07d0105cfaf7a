//! The simulated instruments through their ports, on a virtual timeline and on loopback.

mod commands;
mod corpus;
#[path = "../../../tests/src/storm/deck.rs"]
#[expect(unreachable_pub, reason = "a module of the storm")]
mod deck;
mod exchange;
mod family_a;
mod family_b;
mod family_c;
mod hislip;
mod line;
mod machine;
mod relays;
mod scenario;
mod scpi99;
mod serve;
mod support;
