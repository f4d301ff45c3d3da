//! The corpus of the fuzz targets, without the fuzzer; see tests/fuzz: what was made by hand, and what
//! the fuzzers found, of it one input for each edge of the program. That of `http` needs a clock that
//! jumps, which would have the whole program built once more, and is left to the fuzzer.

#[path = "../fuzz/checks.rs"]
mod checks;

use std::fs;
use std::io::Read;
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

type Check = fn(&[u8]);

/// What the fuzzers found.
fn found(name: &str) -> Vec<Vec<u8>> {
    let packed = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/found");
    let packed = fs::File::open(packed.join(format!("{name}.tar.zst"))).unwrap();
    let mut archive = tar::Archive::new(zstd::Decoder::new(packed).unwrap());
    let files = archive.entries().unwrap().map(|entry| {
        let mut bytes = Vec::new();
        entry.unwrap().read_to_end(&mut bytes).unwrap();
        bytes
    });
    files.collect()
}

#[test]
fn what_the_fuzzers_found() {
    let checks: [(&str, Check); 12] = [
        ("data_sheet", checks::data_sheet),
        ("file", checks::file),
        ("fragment", checks::fragment),
        ("line", checks::line),
        ("lives", checks::lives),
        ("packets", checks::packets),
        ("pcapng", checks::pcapng),
        ("plan", checks::plan),
        ("scenario", checks::scenario),
        ("sheets", checks::sheets),
        ("summary", checks::summary),
        ("trunk", checks::trunk),
    ];
    for (name, check) in checks {
        let inputs = found(name);
        assert!(inputs.len() >= 5, "{name}");
        inputs.iter().for_each(|bytes| check(bytes));
    }
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

/// Each whole, and cut and a bit wrong in so many places.
fn each(name: &str, places: usize, check: impl Fn(&[u8])) {
    for bytes in corpus(name) {
        check(&bytes);
        let step = (bytes.len() / places.max(1)).max(1);
        for at in (0..bytes.len()).step_by(step).take(places) {
            check(&bytes[..at]);
            let mut broken = bytes.clone();
            broken[at] ^= 1 << (at % 8);
            check(&broken);
        }
    }
}

#[test]
fn pcapng() {
    each("pcapng", 12, checks::pcapng);
}

#[test]
fn data_sheets() {
    each("data_sheet", 12, checks::data_sheet);
}

#[test]
fn plans() {
    each("plan", 12, checks::plan);
}

#[test]
fn scenarios() {
    each("scenario", 0, checks::scenario);
}

#[test]
fn sheets() {
    each("sheets", 12, checks::sheets);
}

#[test]
fn lives() {
    each("lives", 4, checks::lives);
}

#[test]
fn packets() {
    each("packets", 12, checks::packets);
}

#[test]
fn fragments() {
    each("fragment", 12, checks::fragment);
}

#[test]
fn trunks() {
    each("trunk", 12, checks::trunk);
}

#[test]
fn summaries() {
    each("summary", 12, checks::summary);
}
