//! The corpus of the fuzz targets, and what fuzzing found, run through the same functions.

use std::path::Path;

#[path = "../../../../tests/fuzz/src/instrument.rs"]
#[expect(unreachable_pub, reason = "a module of the crate of the fuzz targets")]
mod fuzzed;

/// Every file of a target's corpus, and how many there are.
fn replay(target: &str, run: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fuzz/corpus").join(target);
    let mut files = 0;
    for file in std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
        let path = file.unwrap().path();
        let bytes = std::fs::read(&path).unwrap();
        run(&bytes);
        // Cut off anywhere, and with one bit turned.
        for place in (0..bytes.len()).step_by(1 + bytes.len() / 6) {
            run(&bytes[..place]);
            let mut spoilt = bytes.clone();
            spoilt[place] ^= 1 << (place % 8);
            run(&spoilt);
        }
        files += 1;
    }
    assert!(files >= 5, "{target}: only {files} files");
}

#[test]
fn replies() {
    replay("replies", fuzzed::replies);
}

#[test]
fn blocks() {
    replay("blocks", fuzzed::blocks);
}

#[test]
fn preambles() {
    replay("preambles", fuzzed::preambles);
}

#[test]
fn dialects() {
    replay("dialects", fuzzed::dialects);
}
