//! See `tapewright_fuzz::instrument::dialects`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tapewright_fuzz::instrument::dialects(bytes));
