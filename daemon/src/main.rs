//! The program `tapewright`.
fn main() {}
