//! See `tapewright_fuzz::commands::commands`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tapewright_fuzz::commands::commands(bytes));
