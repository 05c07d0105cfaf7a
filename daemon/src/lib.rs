//! The daemon and its command line: benches, runner, journal, records, HTTP, report.

pub mod bench;
pub mod report;
pub mod sequence;
pub mod triage;
