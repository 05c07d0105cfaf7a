//! The corpus of the HTTP fuzz target, and what fuzzing found, through the same function: an answer each, and no
//! failure inside.

#[path = "../../tests/fuzz/src/http.rs"]
#[expect(unreachable_pub, reason = "a module of the crate of the fuzz targets")]
mod fuzzed;

#[test]
fn any_bytes_as_a_request() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/fuzz/corpus/http");
    let mut files = 0;
    for file in std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display())) {
        let bytes = std::fs::read(file.expect("a file").path()).expect("its bytes");
        fuzzed::http(&bytes);
        // As a stranger, with the token alone, and cut off in the middle.
        for first in [0, 3, 7] {
            let mut other = bytes.clone();
            other[0] = first;
            fuzzed::http(&other);
            fuzzed::http(&other[..other.len() / 2 + 1]);
        }
        files += 1;
    }
    assert!(files >= 10, "only {files} files");
}
