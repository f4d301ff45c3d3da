//! The corpus of the fuzz targets, without the fuzzer; see tests/fuzz.

#[path = "fuzz/checks.rs"]
mod checks;

use std::fs;
use std::path::Path;

fn corpus(name: &str) -> Vec<Vec<u8>> {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(name);
    let mut files: Vec<_> = fs::read_dir(directory)
        .unwrap()
        .map(|entry| fs::read(entry.unwrap().path()).unwrap())
        .collect();
    files.sort();
    assert!(files.len() >= 10, "the corpus is there");
    files
}

#[test]
fn lines() {
    for bytes in corpus("line") {
        checks::line(&bytes);
        (0..bytes.len()).for_each(|cut| checks::line(&bytes[..cut]));
    }
}

#[test]
fn files() {
    for bytes in corpus("file") {
        checks::file(&bytes);
        // Cut here and there, and a bit wrong.
        for at in (0..bytes.len()).step_by(11) {
            checks::file(&bytes[..at]);
            let mut broken = bytes.clone();
            broken[at] ^= 1 << (at % 8);
            checks::file(&broken);
        }
    }
}
