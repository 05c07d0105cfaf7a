//! See `tapewright_fuzz::http::http`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| tapewright_fuzz::http::http(bytes));
