//! The daemon and its command line: benches, runner, journal, records, HTTP, report.
