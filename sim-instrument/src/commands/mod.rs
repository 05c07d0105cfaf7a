//! Commands to the bench as lines of text: what a hand, a scenario or a test does to it.
//!
//! | words | what happens |
//! |---|---|
//! | `probe CHANNEL POINT [FACTOR]` | moves a probe: `CH1`..., or `EXT`; to a signal, `test-output` or `open` |
//! | `tape NAME`, `tape none` | puts a tape in, takes it out |
//! | `key MODE` | presses a key of the machine by hand |
//! | `fault NAME [VALUE]`, `clear NAME` | a fault of the machine comes or goes |
//! | `link [relays] WHAT [VALUE]` | a fault of the scope's (or the relays') link, see below |
//! | `restart [scope\|relays]` | power off and on |
//! | `identity [scope\|relays] TEXT`, `identity ... -` | another answer to `*IDN?`, or its own again |
//! | `truth WHAT` | the exact truth: `scope`, `probes`, `acquisitions`, `seed`, or what the machine knows |
//! | `counters [scope\|relays]` | what went over a port |
//! | `help` | these words |
//!
//! Of a link: `closed`, `silent`, `answer N` (then silent), `drop R`, `garble R`, `double R`, `drop-in R`,
//! `garble-in R` (shares of bytes), `late R SECONDS`, `cut R` (shares of replies), `only N` (the next N
//! replies), `clear` (all well again).

mod parse;
mod run;

pub(crate) use parse::{Command, Input};
pub use parse::{CommandError, point_named, point_word};
pub(crate) use run::run;
