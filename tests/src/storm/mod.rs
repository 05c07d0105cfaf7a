//! Captures under random faults of the link, from one seed: each must be bit-exact or an error.
//!
//! A bench lives for a few captures. While its faults strike, whatever comes back is compared with the
//! simulated scope's own memory (safety). After each refusal and at the end the faults cease, and a
//! capture must come right within a bounded number of exchanges (liveness). All on a virtual clock.

mod bench;
pub mod deck;
mod links;
pub mod mix;
pub mod oracle;

pub use bench::{BENCH_CAPTURES, MOST_EXCHANGES, Tally, pieces, run_bench};
