//! The example of a systemd service: systemd's own checker finds nothing wrong with it, and how far
//! it confines dropline.
//!
//! Needs `systemd-analyze`. Without it that is said and nothing is checked; with `CI=true` that is a
//! failure.

use std::path::Path;
use std::process::{Command, Output};

fn analyze(words: &[&str], unit: &Path) -> Option<Output> {
    match Command::new("systemd-analyze").args(words).arg(unit).output() {
        Ok(output) => Some(output),
        Err(error) => {
            let required = std::env::var("CI").is_ok_and(|value| value == "true");
            assert!(!required, "systemd-analyze: {error}");
            eprintln!("SKIPPED: systemd-analyze: {error}");
            None
        }
    }
}

#[test]
fn the_unit_is_sound_and_confined() {
    let text = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/dropline@.service");
    let text = std::fs::read_to_string(text).unwrap();
    // It is not installed where it will be.
    let here = text.replace("/usr/bin/dropline", env!("CARGO_BIN_EXE_dropline"));
    assert_ne!(text, here);
    let directory = tempfile::tempdir().unwrap();
    let unit = directory.path().join("dropline@can0.service");
    std::fs::write(&unit, here).unwrap();
    let Some(output) = analyze(&["verify", "--man=no"], &unit) else { return };
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.is_empty(), "{said}");
    // Exposure from 0 to 10, in tenths: under 2 counts as well confined.
    let limit = ["security", "--offline=yes", "--threshold=20"];
    let Some(output) = analyze(&limit, &unit) else { return };
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stdout));
}

/// What the unit gives to the program is what it understands.
#[test]
fn the_arguments_of_the_unit_are_understood() {
    let text = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/dropline@.service");
    let text = std::fs::read_to_string(text).unwrap();
    let start = text.lines().find_map(|line| line.strip_prefix("ExecStart=")).unwrap();
    let directory = tempfile::tempdir().unwrap();
    let line = start
        .replace("${STATE_DIRECTORY}", directory.path().to_str().unwrap())
        .replace("%i", "no-such-can0")
        .replace("$DROPLINE_ARGUMENTS", "--metrics 127.0.0.1:0 --on-finding");
    let words = line.split_whitespace().skip(1);
    let output = Command::new(env!("CARGO_BIN_EXE_dropline")).args(words).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("no interface is named \"no-such-can0\""), "{said}");
}
