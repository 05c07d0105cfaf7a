//! The daemon and its command line: benches, runner, journal, records, HTTP, report.

pub mod bench;
pub mod cli;
pub mod config;
pub mod daemon;
pub mod demo;
pub mod http;
pub mod library;
pub mod live;
pub mod records;
pub mod report;
pub mod run;
pub mod sequence;
pub mod simulated;
pub mod triage;
