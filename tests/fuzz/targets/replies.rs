//! See `tapewright_fuzz::instrument::replies`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tapewright_fuzz::instrument::replies(bytes));
