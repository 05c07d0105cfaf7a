//! The corpus of the fuzz target of program messages, and what fuzzing found.

use std::path::Path;

#[path = "../../../tests/fuzz/src/commands.rs"]
#[expect(unreachable_pub, reason = "a module of the crate of the fuzz targets")]
mod fuzzed;

#[test]
fn any_bytes_as_program_messages() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fuzz/corpus/commands");
    let mut files = 0;
    for file in std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
        let bytes = std::fs::read(file.unwrap().path()).unwrap();
        for front_end in 0..6 {
            let mut bytes = bytes.clone();
            bytes[0] = front_end;
            fuzzed::commands(&bytes);
        }
        files += 1;
    }
    assert!(files >= 5, "only {files} files");
}
